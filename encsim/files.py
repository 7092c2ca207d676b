"""Files written whole or not at all, and never over another without being told to."""

from __future__ import annotations

import contextlib
import io
import os
import stat
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from . import checks

if TYPE_CHECKING:
    from collections.abc import Iterable

    import numpy as np


def refuse_existing(path: str | os.PathLike[str], *, force: bool = False) -> None:
    """Raise InputError if something is there already (but with force) or the folder is not; devices may be there."""
    _target(path, force)


def write_whole(
    path: str | os.PathLike[str], content: bytes | str, *, force: bool = False, name: str = "output"
) -> None:
    """Write text or bytes to a temporary file beside ``path``, then rename it into place; faults call it ``name``."""
    data = content.encode(errors="backslashreplace") if isinstance(content, str) else content
    target, special = _target(path, force, name)
    try:
        if special:
            target.write_bytes(data)
        else:
            _replace(target, data)
    except BrokenPipeError:
        raise
    except OSError as error:
        checks.refuse(name, f"be writable ({error.strerror or error})", str(path))


def read_arrays(content: bytes, most: int) -> dict[str, np.ndarray]:
    """Arrays of the bytes of an NPZ file: nothing is unpickled, and at most ``most`` bytes are unpacked.

    Raises
    ------
    ValueError, OSError, KeyError, EOFError, zipfile.BadZipFile, zlib.error
        If they are no such file, or if it is cut off, holds objects or unpacks to more.
    """
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        members = archive.infolist()
        if sum(member.file_size for member in members) > most:
            raise ValueError("unpacks to more than it should")
        return {member.filename.removesuffix(".npy"): _array(archive.read(member)) for member in members}


def _array(content: bytes) -> np.ndarray:
    """Array of the bytes of an NPY file, whose header must agree with its length."""
    import math

    from numpy.lib import format as npy

    stream = io.BytesIO(content)
    read_header = {(1, 0): npy.read_array_header_1_0, (2, 0): npy.read_array_header_2_0}
    shape, _, dtype = read_header[npy.read_magic(stream)](stream)
    if math.prod(shape) * dtype.itemsize != len(content) - stream.tell():
        raise ValueError("has another length than its header says")
    stream.seek(0)
    return npy.read_array(stream, allow_pickle=False)


def _target(path: str | os.PathLike[str], force: bool, name: str = "output") -> tuple[Path, bool]:
    """Where to write, and whether that is a device or a pipe; refused if it cannot be or must not."""
    try:
        target = Path(os.path.realpath(path))
        mode = target.stat().st_mode if target.exists() else None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        checks.refuse(name, f"be a path that can be used ({reason})", str(path))
    if mode is None and not target.parent.is_dir():
        checks.refuse(name, "lie in a folder that exists", str(path))
    if not str(path) or (mode is not None and stat.S_ISDIR(mode)):
        checks.refuse(name, "be a file, not a folder", str(path))
    special = mode is not None and not stat.S_ISREG(mode)
    if mode is not None and not special and not force:
        checks.refuse(name, "not exist yet", str(path), hint="use --force (force=True) to replace it")
    return target, special


def _replace(target: Path, data: bytes) -> None:
    """Write to a new file in the same folder, give it the target's mode and, when it is on the disk, its name."""
    _remove_stale(target)
    temporary = target.with_name(f"{_stem(target)}{os.getpid()}.{os.urandom(6).hex()}.part")
    try:
        with open(temporary, "xb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        if target.exists():
            os.chmod(temporary, stat.S_IMODE(target.stat().st_mode))
        os.replace(temporary, target)
    except BaseException:
        with contextlib.suppress(OSError):
            temporary.unlink()
        raise


def _stem(target: Path) -> str:
    """How the names of temporary files of a target begin."""
    return f".{target.name[:40]}."


def _remove_stale(target: Path) -> None:
    """Remove temporary files of this target that a process which was killed has left."""
    stem = _stem(target)
    for name in os.listdir(target.parent):
        if name.startswith(stem) and name.endswith(".part"):
            process = name[len(stem) :].partition(".")[0]
            if process.isdecimal() and not _lives(int(process)):
                with contextlib.suppress(OSError):
                    os.unlink(target.with_name(name))


def _lives(process: int) -> bool:
    """Whether a process of this number runs on this machine; taken as so where that cannot be asked safely."""
    if os.name != "posix":
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    return True


def harmless(cells: Iterable[Any]) -> list[Any]:
    """Cells of a table that no spreadsheet takes for formulas: names may come from the files of others."""
    begins = ("=", "+", "-", "@", "\t", "\r")
    return [f"'{cell}" if isinstance(cell, str) and cell.startswith(begins) else cell for cell in cells]
