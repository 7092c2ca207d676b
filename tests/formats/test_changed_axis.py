"""`axis.with_`: an axis with some values changed, keys and values as `--set` takes them."""

import pytest
from commands import EXAMPLES

import encsim
from encsim.formats import axis_file

TEXT = (EXAMPLES / "stage_x.toml").read_text()
STAGE = encsim.loads(TEXT)
LOOP = encsim.load(EXAMPLES / "stage_x_loop.toml")
TABLE = encsim.load(EXAMPLES / "table_r.toml")
SETTINGS = [
    ("sampling.rate", "8 kHz"),
    ("interpolation.factor", "400"),
    ("interpolation.bits", "none"),
    ("signal.offset", "[0.02, 0]"),
    ("signal.sde", '{1 = "40 nm", 2 = ["20 nm", "17 deg"]}'),
    ("signal.sde.1", "40 nm"),
    ("estimator", '{kind = "tracking", bandwidth = "100 Hz"}'),
    ("load.inertia", "5 kg"),
]


@pytest.mark.parametrize(("key", "value"), SETTINGS)
def test_a_change_is_that_of_the_option(key, value):
    assert STAGE.with_(key, value) == axis_file.loads_with(TEXT, [f"{key}={value}"])


@pytest.mark.parametrize(
    ("key", "value", "text"),
    [
        ("sampling.rate", 8e3, "8 kHz"),
        ("signal.jitter", 1.2345678901234567e-9, "1.2345678901234567e-9 m"),
        ("interpolation.factor", 400, "400"),
        ("interpolation.factor", None, "none"),
        ("signal.sde", {1: "40 nm", 2: ["20 nm", "17 deg"]}, '{1 = "40 nm", 2 = ["20 nm", "17 deg"]}'),
        ("signal.sde", {1: 40e-9}, '{1 = "40 nm"}'),
        ("signal.offset", (0.02, 0.0), "[0.02, 0.0]"),
        ("estimator", encsim.LowPass(300.0, order=2), '{kind = "low-pass", corner = "300 Hz", order = 2}'),
        ("estimator", "low-pass 300 Hz order=2", '{kind = "low-pass", corner = "300 Hz", order = 2}'),
    ],
)
def test_numbers_in_si_and_plain_python_values_say_the_same(key, value, text):
    assert STAGE.with_(key, value) == STAGE.with_(key, text)


def test_several_values_change_at_once_and_the_axis_itself_stays():
    changed = TABLE.with_({"scale.lines": 4500, "sampling.rate": "8 kHz", "heads": '["0 deg", "180 deg"]'})
    assert (changed.scale.lines, changed.sampling.rate, len(changed.heads)) == (4500, 8e3, 2)
    assert TABLE.scale.lines == 9000
    assert LOOP.with_({}) == LOOP


@pytest.mark.parametrize("axis", [STAGE, LOOP, TABLE])
def test_other_values_stay_bit_for_bit(axis):
    assert axis.with_("sampling.rate", "8 kHz").with_("sampling.rate", axis.sampling.rate) == axis


@pytest.mark.parametrize(
    ("changes", "value", "words"),
    [
        ("sampling.rat", "8 kHz", ["sampling.rat must", "rate"]),
        ("sampling.rat", 8e3, ["sampling.rat", "did you mean sampling.rate?"]),
        ("samplin.rate", "8 kHz", ["samplin", "sampling"]),
        ("sampling.rate", "8", ["sampling.rate must be text with a unit of frequency"]),
        ("interpolation.factor", 0, ["interpolation.factor must be a whole number", "got 0"]),
        ("signal.jitter", "1 mm", ["signal.jitter must stay below half a signal period"]),
        ({"sampling.rate": "-1 Hz", "signal.gain": "2 kHz"}, None, ["sampling.rate", "signal.gain"]),
        ("estimator", "low-pass", ["estimator"]),
        (3, None, ["changes must be a key"]),
        ("sampling", "8 kHz", ["sampling must be a table"]),
    ],
)
def test_what_cannot_be_is_refused_by_name_and_with_the_nearest_key(changes, value, words):
    with pytest.raises(encsim.InputError) as told:
        STAGE.with_(changes, value)
    assert [word for word in words if word not in str(told.value)] == [], str(told.value)
    assert "line" not in str(told.value).split(" must ")[0]
    assert "--set" not in str(told.value)
