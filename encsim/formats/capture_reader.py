"""Files of recordings: opens a file, finds out what it holds, repairs what can be repaired, and tells it."""

from __future__ import annotations

import contextlib
import gzip
import io
import os
import re
import stat
import warnings
import zipfile
import zlib
from collections.abc import Iterator
from typing import IO, Any, cast

import numpy as np

from .. import checks
from . import column_content, column_series, text_tables
from .column_series import Options
from .text_layout import Layout, named_unit, spelt
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
MOST = 2 * 10**9
AXIS_FILE = re.compile(rb"(?m)^\[scale\]|^scale\.[a-z]+ *=|^scale *= *\{")
_MARKS = {";": "semicolons", "\t": "tabs", ",": "commas", None: "blanks", "|": '"|"'}


def read(path: str | os.PathLike[str] | io.BytesIO, options: Options) -> dict[str, Any]:
    """Fields of the capture of one file, or of an open one that can seek."""
    if isinstance(path, io.BytesIO):
        return from_stream(path, "stdin", options)
    source = checks.one_line(str(path), 200)
    try:
        if stat.S_ISDIR(os.stat(path).st_mode):
            refuse("be a file, not a folder", "a folder", source)
        with open(path, "rb") as stream:
            if os.fstat(stream.fileno()).st_size > MOST:
                refuse(f"be at most {MOST / 1e9:g} GB", "more", source, "cut it into pieces")
            return from_stream(stream, source, options)
    except (OSError, ValueError) as error:
        if isinstance(error, checks.InputError):
            raise
        reason = getattr(error, "strerror", None) or error
        checks.refuse("file", f"be readable ({reason})", source)


def from_stream(stream: IO[bytes], source: str, options: Options) -> dict[str, Any]:
    """Fields of the capture of an open file that can seek."""
    head = stream.read(4096)
    stream.seek(0)
    if not head:
        refuse("hold rows of numbers", "an empty file", source)
    if AXIS_FILE.search(head):
        refuse("be a recording", "an axis file", source)
    packed = head.startswith(b"\x1f\x8b")
    try:
        if packed:
            stream = cast("IO[bytes]", gzip.GzipFile(fileobj=stream))
            head = stream.read(4096)
            stream.seek(0)
        kind = _binary_kind(head)
        if kind is None:
            table, given = _text(stream, head, source, options)
        else:
            if packed:
                stream = io.BytesIO(stream.read(MOST))
            table = _binary(kind, stream, source, MOST)
            given = column_content.chosen(options.columns, table.names)
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        refuse("be a whole gzip file", str(error), source)
    return column_series.recording(table, given, options)


def _text(
    stream: IO[bytes], head: bytes, source: str, options: Options
) -> tuple[ColumnTable, list[tuple[int, str | None]] | None]:
    """The columns of a text that are wanted, and what the caller says they hold."""
    encoding, repairs = _encoding(head)
    body = text_tables.Body(stream, source, encoding, MOST)
    try:
        layout = body.layout(options.delimiter, options.decimal, options.skip)
        given = column_content.chosen(options.columns, layout.names)
        numbered = [
            name if kind in "nqt" else "" for name, kind in zip(layout.names, layout.kinds, strict=True)
        ]
        time = column_series.time_column(options, numbered)
        usable = [place for place, kind in enumerate(layout.kinds) if kind in "nqt"]
        named = [column_content.by_name(layout.names[place], layout.units[place]) for place in usable]
        told = {place: role for place, role in zip(usable, named, strict=True) if role != "" or given}
        wanted = usable if given is None else [place for place, _ in given]
        if given is None and {"cosine", "sine"} | {"count"} & set(told.values()):
            wanted = [place for place in usable if place in told]
        wanted = sorted({*wanted, *([] if time is None else [time])})
        for place in wanted:
            if layout.kinds[place] not in ("n", "q", "t"):
                checks.refuse("columns", "hold numbers", layout.names[place] or f"column {place + 1}")
        columns, found, skipped = body.read(layout, wanted, list(layout.names))
    except UnicodeDecodeError as error:
        refuse(f"be {encoding} text", f"byte {error.start}", source)
    finally:
        body.leave()
    what = _words(layout, len(columns[0]))
    table = ColumnTable(source, what, numbered, list(layout.units), [], layout.interval, repairs + found,
                  None if skipped is None else layout.first + 1, skipped or [])  # fmt: skip
    filled = dict(zip(wanted, columns, strict=True))
    nothing = np.empty(0)
    table.columns = [filled.get(place, nothing) for place in range(len(layout.kinds))]
    for place, kind in enumerate(layout.kinds):
        if kind == "t":
            table.units[place] = "s"
            if place in filled:
                day = filled[place]
                day -= day[0]
    return table, [(place, None) for place in wanted] if given is None else given


def _words(layout: Layout, rows: int) -> str:
    """The layout in words."""
    count = len(layout.kinds)
    mark = _MARKS.get(layout.delimiter, f'"{layout.delimiter}"')
    columns = f"{count} columns between {mark}" if count > 1 else "1 column"
    above = f", {layout.first} header line{'s' * (layout.first > 1)}" if layout.first else ""
    return f"text, {rows} rows, {columns}, decimal {'comma' if layout.decimal == ',' else 'point'}{above}"


def _encoding(head: bytes) -> tuple[str, list[str]]:
    """Encoding of a text by its first bytes."""
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16", []
    try:
        # The last character may be cut.
        head.decode("utf-8-sig") if len(head) < 4096 else head[:-4].decode("utf-8-sig", "strict")
    except UnicodeDecodeError as error:
        if error.start < len(head) - 8:
            return "cp1252", ["not UTF-8: read as Windows-1252"]
    return "utf-8-sig", []


def _binary_kind(head: bytes) -> str | None:
    """The kind of a file by its first bytes; None for text."""
    if head.startswith(b"RIFF") and head[8:12] == b"WEBP":
        return "a picture"
    for magic, kind in MAGIC.items():
        if head.startswith(magic) and (magic != b"BM" or b"\0" in head[:64]):
            return kind
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return None
    return "a binary file of unknown kind" if b"\0" in head[:4096] else None


def _binary(kind: str, stream: IO[bytes], source: str, most: int) -> ColumnTable:
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

    return dict(_inside({n: v for n, v in loadmat(stream, simplify_cells=True).items() if n[:2] != "__"}))


def _inside(values: dict[str, Any], owner: str = "") -> Iterator[tuple[str, Any]]:
    """Values of a structure and of those inside it, each with its whole name."""
    for name, value in values.items():
        if isinstance(value, dict):
            yield from _inside(value, f"{owner}{name}.")
        else:
            yield owner + name, value


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
    table.names = [table.names[i] for i in same]
    table.units = [table.units[i] for i in same]
    table.columns = [table.columns[i] for i in same]
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
    plain, unit = named_unit(name)
    for i in range(rows.shape[1]):
        table.names.append(plain if rows.shape[1] == 1 else "")
        table.units.append(spelt(unit))
        table.columns.append(np.array(rows[:, i], dtype=np.float64))
