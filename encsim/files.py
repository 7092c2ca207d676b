"""Files written whole or not at all, and never over another without being told to."""

from __future__ import annotations

import contextlib
import os
import stat
from pathlib import Path

from . import checks


def refuse_existing(path: str | os.PathLike[str], *, force: bool = False) -> None:
    """Raise InputError if something is there already (but with force) or the folder is not; devices may be there."""
    _target(path, force)


def write_whole(path: str | os.PathLike[str], content: bytes | str, *, force: bool = False) -> None:
    """Write text or bytes to a temporary file beside ``path``, then rename it into place."""
    data = content.encode() if isinstance(content, str) else content
    target, special = _target(path, force)
    try:
        if special:
            target.write_bytes(data)
        else:
            _replace(target, data)
    except BrokenPipeError:
        raise
    except OSError as error:
        checks.refuse("output", f"be writable ({error.strerror or error})", str(path))


def _target(path: str | os.PathLike[str], force: bool) -> tuple[Path, bool]:
    """Where to write, and whether that is a device or a pipe; refused if it cannot be or must not."""
    try:
        target = Path(os.path.realpath(path))
        mode = target.stat().st_mode if target.exists() else None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        checks.refuse("output", f"be a path that can be used ({reason})", str(path))
    if mode is None and not target.parent.is_dir():
        checks.refuse("output", "lie in a folder that exists", str(path))
    if not str(path) or (mode is not None and stat.S_ISDIR(mode)):
        checks.refuse("output", "be a file, not a folder", str(path))
    special = mode is not None and not stat.S_ISREG(mode)
    if mode is not None and not special and not force:
        checks.refuse("output", "not exist yet", str(path), hint="use --force (force=True) to replace it")
    return target, special


def _replace(target: Path, data: bytes) -> None:
    """Write to a new file in the same folder and give it the target's name."""
    temporary = target.with_name(f".{target.name[:40]}.{os.urandom(6).hex()}.part")
    handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
        os.replace(temporary, target)
    except BaseException:
        with contextlib.suppress(OSError):
            temporary.unlink()
        raise
