"""Files of recordings: opens a file, finds out what it holds, repairs what can be repaired, and tells it."""

from __future__ import annotations

import gzip
import io
import os
import stat
import zlib
from typing import IO, Any

import numpy as np

from .. import checks
from . import binary_tables, column_roles, column_series, text_tables
from .column_series import Options
from .text_layout import Layout
from .text_tables import ColumnTable, refuse

MOST = 2 * 10**9
_MARKS = {";": "semicolons", "\t": "tabs", ",": "commas", None: "blanks", "|": '"|"'}


def read(path: str | os.PathLike[str] | IO[bytes], options: Options) -> dict[str, Any]:
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
    packed = head.startswith(b"\x1f\x8b")
    try:
        if packed:
            stream = gzip.GzipFile(fileobj=stream)
            head = stream.read(4096)
            stream.seek(0)
        kind = binary_tables.kind_of(head)
        if kind is None:
            table, given = _text(stream, head, source, options)
        else:
            if packed:
                stream = io.BytesIO(stream.read(MOST))
            table = binary_tables.read(kind, stream, source, MOST)
            given = column_roles.chosen(options.columns, table.names)
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
        given = column_roles.chosen(options.columns, layout.names)
        time = column_series.time_column(options.time, layout.names)
        usable = [place for place, kind in enumerate(layout.kinds) if kind in "nt"]
        named = [column_roles.by_name(layout.names[place], layout.units[place]) for place in usable]
        told = {place: role for place, role in zip(usable, named, strict=True) if role != "" or given}
        wanted = usable if given is None else [place for place, _ in given]
        if given is None and {"cosine", "sine"} | {"count"} & set(told.values()):
            wanted = [place for place in usable if place in told]
        wanted = sorted({*wanted, *([] if time is None else [time])})
        for place in wanted:
            if layout.kinds[place] not in ("n", "t"):
                checks.refuse("columns", "hold numbers", layout.names[place] or f"column {place + 1}")
        columns, found, plain = body.read(layout, wanted, list(layout.names))
    except UnicodeDecodeError as error:
        refuse(f"be {encoding} text", f"byte {error.start}", source)
    finally:
        body.leave()
    what = _words(layout, len(columns[0]))
    table = ColumnTable(source, what, list(layout.names), list(layout.units), [], layout.interval, repairs + found,
                  layout.first + 1 if plain else None)  # fmt: skip
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
    columns = f"{count} columns separated by {mark}" if count > 1 else "1 column"
    above = f", {layout.first} line{'s' * (layout.first > 1)} above" if layout.first else ""
    return f"text, {rows} rows of {columns}, decimal {'comma' if layout.decimal == ',' else 'point'}{above}"


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
