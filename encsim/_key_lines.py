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
        {(table, ..., key): line}, the first line where each path is named; a place in a list is an int in the path.
    """
    scan = _Scan()
    line = 1
    for match in _TOKEN.finditer(text):
        token = match.group()
        if match.lastgroup in ("text", "word"):
            scan.word(token, line)
        elif match.lastgroup == "mark":
            scan.mark(token, line)
        line += token.count("\n")
    return scan.lines


class _Scan:
    """What has been read so far: the open brackets, the key being collected, and the lines found."""

    def __init__(self):
        self.lines = {}
        self.table = ()
        self.tables_in = {}
        self.open = []
        self.parts = []
        self.line = 1
        self.in_key = True
        self.in_header = self.in_list_header = False

    def word(self, token, line):
        """Take a bare word or a string: a part of a key, or a value that does not matter."""
        if self.in_key:
            self.line = self.line if self.parts else line
            self.parts.append(_key(token))

    def mark(self, token, line):
        """Take one character of punctuation or the end of a line."""
        if self.in_header:
            self._header(token)
        elif token == "\n":
            self._start_key() if not self.open else None
        elif token == "=" and self.in_key:
            self.parts = self._name(self._prefix() + tuple(self.parts))
            self.in_key = False
        elif token in "[{":
            self._open(token, line)
        elif token in "]}" and self.open:
            self.open.pop()
            self.in_key = False
        elif token == "," and self.open:
            self._next()

    def _header(self, token):
        """Within [table] or [[table]]."""
        if token == "[":
            self.in_list_header = True
        elif token == "]" and self.parts:
            self.table = self._name(self._table_path())
            self.parts = []
        elif token == "\n":
            self.in_header = False
            self._start_key()

    def _table_path(self):
        """Path of the table that a header begins; where a part is a list of tables, in its last one."""
        path = ()
        for place, part in enumerate(self.parts, 1):
            path += (part,)
            if self.in_list_header and place == len(self.parts):
                self.tables_in[path] = self.tables_in.get(path, -1) + 1
            if path in self.tables_in:
                path += (self.tables_in[path],)
        return path

    def _start_key(self):
        self.in_key, self.parts = True, []

    def _open(self, token, line):
        if token == "[" and self.in_key and not self.open:
            self.in_header, self.in_list_header, self.parts = True, False, []
            return
        path = tuple(self.parts)
        if self.open and self.open[-1][0] == "[":
            self.line = line
            path = self._name(self._prefix())
        self.open.append((token, path, 0))
        self.in_key, self.parts = token == "{", []

    def _next(self):
        """After a comma: the next key of a table, the next place of a list."""
        token, path, place = self.open[-1]
        if token == "{":
            self._start_key()
        else:
            self.open[-1] = token, path, place + 1

    def _prefix(self):
        """Path that a key here belongs to: of a table, or of a place in a list."""
        if not self.open:
            return self.table
        token, path, place = self.open[-1]
        return path if token == "{" else (*path, place)

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
