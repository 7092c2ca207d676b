"""Reading TOML: a file's text, its tables, and one plain fault where it is no TOML.

On which line of a TOML text each key stands; the standard library's reader does not say.

For texts that the reader has accepted: nothing is checked here.
"""

from __future__ import annotations

import dataclasses
import re
import sys
import tomllib
from os import PathLike
from pathlib import Path
from typing import Any

from .. import checks, units
from ..checks import NOTHING, Fault, InputError

TOKEN = re.compile(
    r"""(?P<blank>[ \t\r]+|\#[^\n]*)
      | (?P<text>\"{3}(?:\\.|[^\\])*?\"{3,5}|'{3}.*?'{3,5}|"(?:\\.|[^"\\\n])*"|'[^'\n]*')
      | (?P<word>[^\s\[\]{},=.\#"']+)
      | (?P<mark>.|\n)""",
    re.DOTALL | re.VERBOSE,
)


def find(text: str) -> dict[tuple[str, ...], int]:
    """Line numbers of tables and keys."""
    scan = Scan()
    line = 1
    for match in TOKEN.finditer(text):
        token = match.group()
        if match.lastgroup in ("text", "word"):
            scan.word(token, line)
        elif match.lastgroup == "mark":
            scan.mark(token, line)
        line += token.count("\n")
    return scan.lines


class Scan:
    """What has been read so far: the open brackets, the key being collected, and the lines found."""

    def __init__(self) -> None:
        self.lines: dict[tuple[Any, ...], int] = {}
        self.table: tuple[Any, ...] = ()
        self.tables_in: dict[tuple[Any, ...], int] = {}
        self.open: list[tuple[str, tuple[Any, ...], int]] = []
        self.parts: list[Any] = []
        self.line = 1
        self.in_key = True
        self.in_header = self.in_list_header = False

    def word(self, token: str, line: int) -> None:
        """Take a bare word or a string: a part of a key, or a value that does not matter."""
        if self.in_key:
            self.line = self.line if self.parts else line
            self.parts.append(_key(token))

    def mark(self, token: str, line: int) -> None:
        """Take one character of punctuation or the end of a line."""
        if self.in_header:
            self._header(token)
        elif token == "\n":
            self._start_key() if not self.open else None
        elif token == "=" and self.in_key:
            self.parts = list(self._name(self._prefix() + tuple(self.parts)))
            self.in_key = False
        elif token in "[{":
            self._open(token, line)
        elif token in "]}" and self.open:
            self.open.pop()
            self.in_key = False
        elif token == "," and self.open:
            self._next()

    def _header(self, token: str) -> None:
        """Within [table] or [[table]]."""
        if token == "[":
            self.in_list_header = True
        elif token == "]" and self.parts:
            self.table = self._name(self._table_path())
            self.parts = []
        elif token == "\n":
            self.in_header = False
            self._start_key()

    def _table_path(self) -> tuple[Any, ...]:
        """Path of the table that a header begins; where a part is a list of tables, in its last one."""
        path: tuple[Any, ...] = ()
        for place, part in enumerate(self.parts, 1):
            path += (part,)
            if self.in_list_header and place == len(self.parts):
                self.tables_in[path] = self.tables_in.get(path, -1) + 1
            if path in self.tables_in:
                path += (self.tables_in[path],)
        return path

    def _start_key(self) -> None:
        self.in_key, self.parts = True, []

    def _open(self, token: str, line: int) -> None:
        if token == "[" and self.in_key and not self.open:
            self.in_header, self.in_list_header, self.parts = True, False, []
            return
        path = tuple(self.parts)
        if self.open and self.open[-1][0] == "[":
            self.line = line
            path = self._name(self._prefix())
        self.open.append((token, path, 0))
        self.in_key, self.parts = token == "{", []

    def _next(self) -> None:
        """After a comma: the next key of a table, the next place of a list."""
        token, path, place = self.open[-1]
        if token == "{":
            self._start_key()
        else:
            self.open[-1] = token, path, place + 1

    def _prefix(self) -> tuple[Any, ...]:
        """Path that a key here belongs to: of a table, or of a place in a list."""
        if not self.open:
            return self.table
        token, path, place = self.open[-1]
        return path if token == "{" else (*path, place)

    def _name(self, path: tuple[Any, ...]) -> tuple[Any, ...]:
        """Note the line of a path and of the tables it goes through."""
        for depth in range(1, min(len(path), 8) + 1):
            self.lines.setdefault(path[:depth], self.line)
        return path


def _key(token: str) -> str:
    """A bare or quoted key as the reader returns it."""
    if token[0] not in "\"'":
        return token
    return tomllib.loads(f"k = {token}")["k"] if "\\" in token else token[1:-1]


LARGEST_FILE = 1 << 18

_UNQUOTED = re.compile(r"=\s*[-+.0-9eE_]+\s*[A-Za-zµμ°%″]")
_MOST_DOTS = 3000
RECORDING = "encsim identify reads recordings"
_READ_RULES: dict[type, str] = {FileNotFoundError: "exist", IsADirectoryError: "be a file, not a folder"}


def read(path: Path | str) -> str:
    """Text of an axis file."""
    if not isinstance(path, (str, PathLike)):
        raise InputError(Fault("file", "be named by a path", path))
    name = str(path)
    try:
        data = _bytes(path)
    except (OSError, ValueError) as error:
        rule = _READ_RULES.get(type(error), f"be a file that can be read ({_reason(error)})")
        raise InputError(Fault("file", rule, name, hint=_nearby(Path(name)))) from None
    if len(data) > LARGEST_FILE:
        rule = f"be an axis file, at most {LARGEST_FILE >> 10} kB"
        raise InputError(Fault("file", rule, name, hint=RECORDING))
    if b"\0" in data:
        raise InputError(Fault("file", "be text in UTF-8, not binary data", data[:8], source=name))
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        bad, line = data[error.start : error.end], data.count(b"\n", 0, error.start) + 1
        raise InputError(Fault("file", "be text in UTF-8", bad, line=line, source=name)) from None


def _nearby(path: Path) -> str:
    """The file in the same folder that looks most like one that does not exist."""
    try:
        names = [] if path.exists() else [one.name for one in path.parent.iterdir()][:1000]
    except (OSError, ValueError):
        return ""
    near = units.nearest(path.name, names)
    return f'did you mean "{path.with_name(near)}"?' if near else ""


def _bytes(path: Path | str) -> bytes:
    """Contents of a file, one byte more than allowed at most."""
    if str(path) == "-":
        return sys.stdin.buffer.read(LARGEST_FILE + 1)
    with Path(path).open("rb") as stream:
        return stream.read(LARGEST_FILE + 1)


def _reason(error: Any) -> str:
    """Why the system refused."""
    return getattr(error, "strerror", None) or str(error)


def document(text: str, name: str) -> dict[str, Any]:
    """The TOML document, or the fault of the first line that is none."""
    if not isinstance(text, str):
        checks.refuse("text", "be a string", text)
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


def _broken(text: str, message: str) -> Fault:
    """The fault of a text that is not TOML; the reader's message ends with the place."""
    lines = text.split("\n")
    place = re.search(r" \(at (?:line (\d+), column \d+|end of document)\)\Z", message)
    line = int(place[1] or len(lines)) if place else None
    shown = lines[line - 1].strip() if line else NOTHING
    reason = checks.one_line(message[: place.start()] if place else message)
    return Fault("file", f"be TOML ({reason})", shown or NOTHING, line=line, hint=_broken_hint(reason, shown))


def _broken_hint(reason: str, shown: Any) -> str:
    if isinstance(shown, str) and _UNQUOTED.search(shown):
        return 'text with a unit stands in quotes, as "20 um"'
    if isinstance(shown, str) and (shown.startswith("{") or shown.count(",") + shown.count(";") > 1):
        return 'the axis of a result is its "axis"' if shown.startswith("{") else RECORDING
    if isinstance(shown, str) and shown.endswith(".toml"):
        return "encsim.load reads a file"
    twice = "Cannot overwrite" in reason or "Cannot declare" in reason
    return "each key and each table may stand there once" if twice else ""
