"""Recordings in binary files: NPY, NPZ, MAT version 5, WAV. Nothing in them is unpickled or evaluated."""

from __future__ import annotations

import contextlib
import io
import os
import warnings
import zipfile
from typing import IO, Any

import numpy as np

from .. import checks
from .text_layout import _named_unit, spelt
from .text_tables import ColumnTable, refuse

MAGIC = {
    b"\x93NUMPY": "NPY",
    b"PK\x03\x04": "NPZ",
    b"MATLAB 5.0 MAT": "MAT",
    b"RIFF": "WAV",
    b"\x89HDF": "an HDF5 file",
    b"MATLAB 7.3 MAT": "a MAT file of version 7.3",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"GIF8": "a picture",
    b"BM": "a picture",
    b"%PDF": "a PDF document",
    b"\xd0\xcf\x11\xe0": "an office document",
    b"7z\xbc\xaf": "an archive",
    b"BZh": "an archive",
    b"\xfd7zXZ": "an archive",
}
READABLE = ("NPY", "NPZ", "MAT", "WAV")
RATES = {"rate", "fs", "samplerate", "sample_rate", "sampling_rate", "fsample", "f_s"}
INTERVALS = {"dt", "interval", "ts", "sample_interval", "tinterval", "t_s", "increment", "step"}


def kind_of(head: bytes) -> str | None:
    """The kind of a file by its first bytes; None for text."""
    for magic, kind in MAGIC.items():
        if head.startswith(magic) and (magic != b"BM" or b"\0" in head[:64]):
            return kind
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return None
    return "a binary file of unknown kind" if b"\0" in head[:4096] else None


def read(kind: str, stream: IO[bytes], source: str, most: int) -> ColumnTable:
    """The columns of a binary file of a readable kind."""
    if kind not in READABLE:
        hint = "save it as version 5 (-v7)" if "7.3" in kind or "HDF5" in kind else ""
        known = f"be a table of text, {', '.join(READABLE)}, or one of these compressed by gzip"
        refuse(known, kind, source, hint)
    reader = {"NPY": _npy, "NPZ": _npz, "MAT": _mat, "WAV": _wav}[kind]
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of chunks beside the samples
            arrays = reader(stream, most)
    except checks.InputError:
        raise
    except Exception as error:  # whatever a broken file makes of a reader
        refuse(f"be a whole {kind} file", checks.one_line(str(error) or type(error).__name__, 100), source)
    return _as_table(kind, arrays, source)


def _npy(stream: IO[bytes], most: int) -> dict[str, Any]:
    # Mapped, so that rows need no memory of their own beside the columns.
    if isinstance(stream, io.BufferedReader) and isinstance(stream.name, (str, os.PathLike)):
        with contextlib.suppress(ValueError):
            return {"": np.load(stream.name, allow_pickle=False, mmap_mode="r")}
    return {"": np.load(stream, allow_pickle=False)}


def _npz(stream: IO[bytes], most: int) -> dict[str, Any]:
    with zipfile.ZipFile(stream) as archive:
        if sum(item.file_size for item in archive.infolist()) > most:
            raise ValueError(f"more than {most / 1e9:g} GB inside")
        broken = archive.testzip()
        if broken:
            raise ValueError(f"{broken} is damaged")
    stream.seek(0)
    with np.load(stream, allow_pickle=False) as archive:
        return {name: archive[name] for name in archive.files}


def _mat(stream: IO[bytes], most: int) -> dict[str, Any]:
    from scipy.io import loadmat

    found: dict[str, Any] = {}
    for name, value in loadmat(stream, simplify_cells=True).items():
        if isinstance(value, dict):
            found |= {f"{name}.{inner}": part for inner, part in value.items()}
        elif not name.startswith("__"):
            found[name] = value
    return found


def _wav(stream: IO[bytes], most: int) -> dict[str, Any]:
    from scipy.io import wavfile

    rate, samples = wavfile.read(io.BytesIO(stream.read()))
    return {"": samples, "rate": np.float64(rate)}


def _as_table(kind: str, arrays: dict[str, Any], source: str) -> ColumnTable:
    """Rows of the arrays as columns; a single number may tell the rate."""
    table = ColumnTable(source, "", [], [], [])
    for name, value in arrays.items():
        array = np.asarray(value)
        if array.dtype.names:
            for field in array.dtype.names:
                _add(table, field, array[field])
        elif array.dtype.kind in "iufb" and array.size == 1:
            word, number = name.lower().rpartition(".")[2], float(array.reshape(()))
            if number > 0.0 and word in RATES | INTERVALS:
                table.interval = 1.0 / number if word in RATES else number
        elif array.dtype.kind in "iufc" and array.size:
            _add(table, name, array)
    if not table.columns:
        refuse("hold rows of numbers", f"{len(arrays)} arrays without any", source)
    longest = max(len(column) for column in table.columns)
    same = [i for i, column in enumerate(table.columns) if len(column) == longest]
    left_out = [table.names[i] for i in range(len(table.columns)) if i not in same]
    if left_out:
        table.repairs.append(f"arrays of another length left out: {', '.join(left_out)}")
    table.names, table.units, table.columns = (
        [values[i] for i in same] for values in (table.names, table.units, table.columns)
    )
    table.what = f"{kind}, {longest} rows of {len(same)} columns"
    return table


def _add(table: ColumnTable, name: str, array: np.ndarray) -> None:
    """One array as one column or several."""
    array = np.squeeze(array)
    if array.dtype.kind == "c":
        array = np.stack([array.real, array.imag], axis=-1)
    if array.ndim > 2 or array.ndim == 0:
        return
    rows = array[:, None] if array.ndim == 1 else array if array.shape[0] >= array.shape[1] else array.T
    plain, unit = _named_unit(name)
    for i in range(rows.shape[1]):
        table.names.append(plain if rows.shape[1] == 1 else "")
        table.units.append(spelt(unit))
        table.columns.append(np.array(rows[:, i], dtype=np.float64))
