"""Sections of an axis file beside those of the axis."""

import pytest

from encsim import InputError, Scale, loads
from encsim.formats.sections import Section

AXIS = '[scale]\nperiod = "20 um"\n[sampling]\nrate = "16 kHz"\n'
SPREAD = AXIS + '[spread]\nsignal.gain = {normal = 0.01}\n"signal.phase" = "1 deg"\nsampling.rate = "2 um"\n'


def written(path, key, value):
    return path, value


@pytest.mark.parametrize("section", ["requirement", "candidates", "spread"])
def test_axis_is_read_past_the_sections_of_others(section):
    assert loads(f"{AXIS}[{section}]\nwhatever = 1\n[{section}.more]\nx = 2\n") == loads(AXIS)


@pytest.mark.parametrize(
    ("written", "meant"), [("requirment", "requirement"), ("candidate", "candidates"), ("spred", "spread")]
)
def test_misspelt_section_of_others_is_refused_with_the_nearest(written, meant):
    with pytest.raises(InputError, match=rf"line 5: {written} must be a section.*did you mean \[{meant}\]"):
        loads(f'{AXIS}[{written}]\nspeeds = "1 mm/s"\n')


def test_misspelt_section_of_others_is_one_fault_without_its_keys():
    with pytest.raises(InputError) as caught:
        loads(f"{AXIS}[spred]\na = 1\nb = 2\n")
    assert len(caught.value.faults) == 1


def test_absent_section_has_no_table():
    section = Section(AXIS, "spread")
    assert (section.table, section.entries(written), section.keys(["a"])) == (None, {}, {})
    with pytest.raises(InputError, match=r"axis file: \[spread\] must be given, got nothing; as in"):
        section.need("x = 1", filled=False)


def test_section_that_is_empty_is_refused_only_where_it_has_to_be_filled():
    section = Section(f"{AXIS}[spread]\n", "spread")
    section.need("x = 1", filled=False)
    with pytest.raises(InputError, match=r"\[spread\] must be given"):
        section.need("x = 1")


def test_entries_have_the_paths_of_dotted_and_quoted_keys_in_order():
    entries = Section(SPREAD, "spread").entries(written, leaf=lambda table: "normal" in table)
    assert list(entries.items()) == [
        ("signal.gain", (("signal", "gain"), {"normal": 0.01})),
        ("signal.phase", (("signal.phase",), "1 deg")),
        ("sampling.rate", (("sampling", "rate"), "2 um")),
    ]


def test_entries_go_through_tables_that_are_no_values():
    entries = Section(SPREAD, "spread").entries(written)
    assert entries["signal.gain.normal"] == (("signal", "gain", "normal"), 0.01)


def test_table_of_another_reader_is_passed_over():
    assert "signal.gain.normal" not in Section(SPREAD, "spread").entries(written, without="signal")


def test_entry_that_is_written_twice_is_refused():
    section = Section(f'{AXIS}[spread]\na.b = 1\n"a.b" = 2\n', "spread")
    assert section.entries(written) == {"a.b": (("a", "b"), 1)}
    with pytest.raises(InputError, match=r'line 7: spread."a.b" must stand there once'):
        section.done()


def test_quantity_is_read_in_the_unit_of_the_scale():
    section = Section(AXIS + '[spread]\nspeed = "3 rpm"', "spread", scale=Scale(lines=100))
    assert section.quantity(("speed",), "3 rpm", "speed") == pytest.approx(0.31415926535897931, rel=1e-15)


def test_length_at_the_rim_is_an_angle_where_the_diameter_is_known():
    section = Section(AXIS, "spread", scale=Scale(lines=100, diameter=0.1))
    assert section.quantity(("x",), "5 um", "position") == pytest.approx(1e-4, rel=1e-15)


def test_faults_are_placed_by_line_and_raised_together():
    section = Section(SPREAD, "spread", "x.toml", scale=Scale(period=20e-6))
    section.quantity(("sampling", "rate"), "2 um", "frequency")
    section.number(("signal.phase",), "1 %")
    with pytest.raises(InputError) as caught:
        section.done()
    first, second = str(caught.value).splitlines()
    assert first.startswith('x.toml, line 7: spread."signal.phase" must be a number, got "1 %"; write 0.01')
    assert second.startswith("x.toml, line 8: spread.sampling.rate must have a unit of frequency")


def test_unknown_key_is_refused_with_the_nearest():
    section = Section(AXIS + "[requirement]\nspeds = 1", "requirement", "x.toml")
    assert section.keys(["speeds", "torque"]) == {}
    with pytest.raises(
        InputError, match=r"x.toml, line 6: .*\[requirement\].*did you mean requirement.speeds"
    ):
        section.done()


def test_section_that_is_no_table_is_refused():
    with pytest.raises(InputError, match=r"line 1: spread must be a table of keys, begun by \[spread\] once"):
        Section(f"spread = 3\n{AXIS}", "spread")


def test_setting_reaches_the_section_and_is_named_in_its_faults():
    section = Section(AXIS, "spread", settings=["spread.gain=1 %"])
    section.number(("gain",), section.table["gain"])
    with pytest.raises(InputError, match=r"--set: spread.gain must be a number"):
        section.done()
