"""Reading TOML: a file's text, its tables, and one plain fault where it is no TOML."""

import dataclasses
import re
import sys
import tomllib
from pathlib import Path

from . import _checks
from ._checks import NOTHING, Fault, InputError

LARGEST_FILE = 1 << 18

_UNQUOTED = re.compile(r"=\s*[-+.0-9eE_]+\s*[A-Za-zµμ°%″]")
_MOST_DOTS = 3000
_READ_RULES = {FileNotFoundError: "exist", IsADirectoryError: "be a file, not a folder"}


def read(path):
    """Text of an axis file.

    Parameters
    ----------
    path : str or path-like
        ``-`` is the standard input.

    Returns
    -------
    str

    Raises
    ------
    InputError
        If there is no such file, or it is a folder, cannot be read, is too large or no text.
    """
    name = str(path)
    try:
        data = _bytes(path)
    except (OSError, ValueError) as error:
        rule = _READ_RULES.get(type(error), f"be a file that can be read ({_reason(error)})")
        raise InputError(Fault("file", rule, name)) from None
    if len(data) > LARGEST_FILE:
        raise InputError(Fault("file", f"be an axis file, at most {LARGEST_FILE >> 10} kB", name))
    if b"\0" in data:
        raise InputError(Fault("file", "be text in UTF-8, not binary data", data[:8], source=name))
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        bad, line = data[error.start : error.end], data.count(b"\n", 0, error.start) + 1
        raise InputError(Fault("file", "be text in UTF-8", bad, line=line, source=name)) from None


def _bytes(path):
    """Contents of a file, one byte more than allowed at most."""
    if str(path) == "-":
        return sys.stdin.buffer.read(LARGEST_FILE + 1)
    with Path(path).open("rb") as stream:
        return stream.read(LARGEST_FILE + 1)


def _reason(error):
    """Why the system refused."""
    return getattr(error, "strerror", None) or str(error)


def document(text, name):
    """The TOML document, or the fault of the first line that is none."""
    if not isinstance(text, str):
        _checks.refuse("text", "be a string", text)
    deep = Fault("file", "be an axis file, with no values or keys nested this deeply", NOTHING, source=name)
    # The reader takes seconds, growing with the square, over a key of many thousand parts.
    if any(line.count(".") > _MOST_DOTS for line in text.split("\n")):
        raise InputError(deep)
    try:
        return tomllib.loads(text.removeprefix("\ufeff"))
    except RecursionError:
        fault = deep
    except ValueError as error:
        fault = _broken(text, str(error))
    raise InputError(dataclasses.replace(fault, source=name))


def _broken(text, message):
    """The fault of a text that is not TOML; the reader's message ends with the place."""
    lines = text.split("\n")
    found = re.search(r" \(at (?:line (\d+), column \d+|end of document)\)\Z", message)
    line = int(found[1] or len(lines)) if found else None
    shown = lines[line - 1].strip() if line else NOTHING
    reason = _checks.one_line(message[: found.start()] if found else message)
    return Fault("file", f"be TOML ({reason})", shown or NOTHING, line=line, hint=_broken_hint(reason, shown))


def _broken_hint(reason, shown):
    if isinstance(shown, str) and _UNQUOTED.search(shown):
        return 'text with a unit stands in quotes, as "20 um"'
    twice = "Cannot overwrite" in reason or "Cannot declare" in reason
    return "each key and each table may stand there once" if twice else ""
