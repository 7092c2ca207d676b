"""Layout of texts: what is left out in a narrow terminal, and what is never cut."""

import math

import pytest

from encsim import wording
from encsim.presentation.report_layout import (
    DOUBT,
    LIMIT,
    Column,
    Notes,
    Paragraph,
    Report,
    TextTable,
    measured,
    texts,
    toned,
)

WIDE = TextTable(
    [texts("name", ["first", "second"]), Column("rms", ["1", "2"], "mm/s"), Column("peak", ["3", "4"])]
)


def test_columns_that_do_not_fit_are_named():
    assert WIDE.lines(13, False) == [
        "         rms",
        "name    mm/s",
        "first      1",
        "second     2",
        "Not shown:",
        "peak",
        "(--long).",
    ]


def test_long_table_has_all_columns_in_further_tables():
    lines = WIDE.lines(13, True)
    assert lines[:4] == WIDE.lines(13, False)[:4]
    assert [line.split() for line in lines[5:]] == [["name", "peak"], ["first", "3"], ["second", "4"]]


def test_table_that_is_too_narrow_for_two_columns_turns_vertical():
    first, second = ["name: first", "rms: 1 mm/s", "peak: 3"], ["name:", "  second", "rms: 2 mm/s", "peak: 4"]
    assert WIDE.lines(11, False) == [*first, "", *second]


def test_last_column_of_words_is_wrapped():
    table = TextTable([texts("key", ["a"]), texts("words", ["one two three four five six"])])
    lines = [line.rstrip() for line in table.lines(25, False)]
    assert lines == ["key  words", "a    one two three four", "     five six"]


def test_number_and_unit_stay_on_one_line():
    assert Paragraph("the size of it is 400 nm").lines(22, False) == ["the size of it is", "400 nm"]


def test_notes_take_three_lines_and_all_when_asked():
    notes = Notes([f"reason {i}" for i in range(5)])
    assert notes.lines(80, False) == ["Note: reason 0.", "Note: reason 1.", "3 notes more with --long."]
    assert len(notes.lines(80, True)) == 5
    assert Notes(["one", "two", "three"]).lines(80, False)[-1] == "Note: three."


def test_long_first_note_is_cut_and_says_so():
    lines = Notes(["word " * 60]).lines(80, False)
    assert len(lines) == 3
    assert lines[-1] == "1 note in full with --long."


@pytest.mark.parametrize(
    ("values", "si", "unit", "cells"),
    [
        ([1e-6, 1.0], "m/s", "mm/s", ["0.00100", "1000"]),
        ([35e-9, 1e-9], "m", "nm", ["35.0", "1.00"]),
        ([1.0, 1e-12], "m/s", "mm/s", ["1000", "0"]),  # below the resolution of the column
        ([math.nan, 2e-3], "s", "ms", ["-", "2.00"]),
        ([80.0, 72e3], "Hz", "Hz", ["80.0", "72000"]),
        ([2.0], "1", "", ["2.00"]),
    ],
)
def test_column_has_one_unit_and_three_digits(values, si, unit, cells):
    column = measured("head", values, si)
    assert (column.unit, list(column.cells)) == (unit, cells)


def test_unit_of_the_outer_choice_counts_and_typed_ones_only_where_they_fit():
    with wording.chosen({"m/s": "um/s"}), wording.chosen({"m/s": "m/s"}):
        assert measured("", [1e-3], "m/s").unit == "µm/s"
        assert measured("", [1e3], "m/s").unit == "m/s"  # nine digits otherwise
    with wording.chosen({"m/s": "um/s"}, always=True):
        assert measured("", [1e3], "m/s").unit == "µm/s"
    assert measured("", [1e-3], "m/s").unit == "mm/s"


def test_tones_take_no_room_and_vanish_without_colour():
    report = Report([toned("Too much.", LIMIT)], [TextTable([Column("a", [toned("?", DOUBT), "x"])])])
    assert report.text(80) == "Too much.\n\na\n?\nx\n"
    assert report.text(80, colour=True) == "\x1b[31mToo much.\x1b[0m\n\na\n\x1b[33m?\x1b[0m\nx\n"
