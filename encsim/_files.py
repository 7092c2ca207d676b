"""Files written whole or not at all, and never over another without being told to."""

import contextlib
import os
import tempfile
from pathlib import Path

from . import _checks


def refuse_existing(path):
    """Raise InputError if something is there already or the folder is not."""
    path = Path(path)
    if path.is_dir():
        _checks.refuse("output", "be a file, not a folder", str(path))
    if path.exists():
        _checks.refuse("output", "not exist yet", str(path), hint="use --force (force=True) to replace it")
    if not path.parent.is_dir():
        _checks.refuse("output", "lie in a folder that exists", str(path))


def write_whole(path, content, *, force=False):
    """Write text or bytes to a temporary file beside ``path``, then rename it into place.

    Parameters
    ----------
    path : str or path-like
    content : str or bytes
    force : bool
        Replace a file that exists.

    Raises
    ------
    InputError
        If the file exists and force is false, or it cannot be written; then nothing is left behind.
    """
    path = Path(path)
    if not force:
        refuse_existing(path)
    data = content.encode() if isinstance(content, str) else content
    temporary = None
    try:
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:40]}.", suffix=".part")
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
        os.chmod(temporary, 0o666 & ~_umask())
        os.replace(temporary, path)
        temporary = None
    except OSError as error:
        _checks.refuse("output", f"be writable ({error.strerror or error})", str(path))
    finally:
        if temporary is not None:
            with contextlib.suppress(OSError):
                os.unlink(temporary)


def _umask():
    """The process's mask of file modes; it can only be read by setting it."""
    mask = os.umask(0o022)
    os.umask(mask)
    return mask
