"""On which line of a TOML text each key stands; the standard library's reader does not say.

For texts that the reader has accepted: nothing is checked here.
"""

import re
import tomllib

_TOKEN = re.compile(
    r"""(?P<blank>[ \t\r]+|\#[^\n]*)
      | (?P<text>\"{3}(?:\\.|[^\\])*?\"{3,5}|'{3}.*?'{3,5}|"(?:\\.|[^"\\\n])*"|'[^'\n]*')
      | (?P<word>[^\s\[\]{},=.\#"']+)
      | (?P<mark>.|\n)""",
    re.DOTALL | re.VERBOSE,
)


def find(text):
    """Line numbers of tables and keys.

    Parameters
    ----------
    text : str
        Valid TOML.

    Returns
    -------
    dict
        {(table, ..., key): line}, the first line where each path is named.
    """
    scan = _Scan()
    line = 1
    for match in _TOKEN.finditer(text):
        token = match.group()
        if match.lastgroup in ("text", "word"):
            scan.word(token, line)
        elif match.lastgroup == "mark":
            scan.mark(token)
        line += token.count("\n")
    return scan.lines


class _Scan:
    """What has been read so far: the open brackets, the key being collected, and the lines found."""

    def __init__(self):
        self.lines = {}
        self.table = ()
        self.open = []
        self.parts = []
        self.line = 1
        self.in_key = True
        self.in_header = False

    def word(self, token, line):
        """Take a bare word or a string: a part of a key, or a value that does not matter."""
        if self.in_key:
            self.line = self.line if self.parts else line
            self.parts.append(_key(token))

    def mark(self, token):
        """Take one character of punctuation or the end of a line."""
        if self.in_header:
            self._header(token)
        elif token == "\n":
            self._start_key() if not self.open else None
        elif token == "=" and self.in_key:
            self.parts = self._name(self._prefix() + tuple(self.parts))
            self.in_key = False
        elif token in "[{":
            self._open(token)
        elif token in "]}" and self.open:
            self._close()
        elif token == "," and self.open and self.open[-1][0] == "{":
            self._start_key()

    def _header(self, token):
        """Within [table] or [[table]]."""
        if token == "]" and self.parts:
            self.table = self._name(tuple(self.parts))
            self.parts = []
        elif token == "\n":
            self.in_header = False
            self._start_key()

    def _start_key(self):
        self.in_key, self.parts = True, []

    def _open(self, token):
        if token == "[" and self.in_key and not self.open:
            self.in_header, self.parts = True, []
            return
        self.open.append((token, self.parts))
        # A table in an array is no key of ours: its keys get a path that nobody asks for.
        self.in_key, self.parts = token == "{", [] if token == "{" else [*self.parts, "[]"]

    def _close(self):
        self.parts = self.open.pop()[1]
        self.in_key = False

    def _prefix(self):
        """Path of the table that a key here belongs to."""
        return tuple(self.open[-1][1]) if self.open else self.table

    def _name(self, path):
        """Note the line of a path and of the tables it goes through."""
        for depth in range(1, min(len(path), 8) + 1):
            self.lines.setdefault(path[:depth], self.line)
        return path


def _key(token):
    """A bare or quoted key as the reader returns it."""
    if token[0] not in "\"'":
        return token
    return tomllib.loads(f"k = {token}")["k"] if "\\" in token else token[1:-1]
