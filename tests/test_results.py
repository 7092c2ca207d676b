"""Results as plain values and as tables."""

import csv
import dataclasses
import doctest
import importlib
import io
import json
import math
import pkgutil
import sys
import types
from xml.etree import ElementTree

import numpy as np
import pytest
from every_result import MAKERS, axis, result

import encsim
from encsim import reporting
from encsim.results import Result, Series


@dataclasses.dataclass(frozen=True, eq=False)
class Sample(Series):
    """A made-up result with a field of every sort."""

    speed: np.ndarray
    parts: dict
    names: np.ndarray
    count: np.int64
    loose: float = math.inf
    turned: complex = 1 + 2j
    axis: object = dataclasses.field(default=None, metadata={"plain": False})
    valid: bool = True
    reasons: tuple = ("because",)
    units = {"speed": "m/s", "parts": "m/s", "loose": "1", "turned": "rad"}  # noqa: RUF012


SAMPLE = Sample(
    np.array([1.0, np.nan]),
    {"jitter": np.array([0.1, 1 / 3]), "sde": np.array([1e-300, 2.0])},
    np.array(["a", "b,c"]),
    np.int64(3),
)


def test_plain_values_are_json_with_null_for_what_is_not_finite():
    plain = SAMPLE.to_dict()
    assert json.loads(json.dumps(plain, allow_nan=False)) == plain
    assert plain == {
        "kind": "Sample", "schema": 1, "version": encsim.__version__, "function": None, "arguments": {}, "axis": None,
        "units": Sample.units, "speed": [1.0, None],
        "parts": {"jitter": [0.1, 1 / 3], "sde": [1e-300, 2.0]}, "names": ["a", "b,c"], "count": 3, "loose": None,
        "turned": [1.0, 2.0], "valid": True, "reasons": ["because"],
    }  # fmt: skip


@pytest.mark.parametrize(
    "value", [np.float32(0.5), np.bool_(True), np.str_("x"), np.float64("nan"), (1, [2.0, math.inf])]
)
def test_any_numpy_scalar_and_any_nest_is_plain(value):
    json.dumps(dataclasses.replace(SAMPLE, loose=value).to_dict(), allow_nan=False)


def test_a_table_has_a_column_per_array_and_its_unit_in_the_header():
    rows = list(csv.reader(io.StringIO(SAMPLE.to_csv_text())))
    assert rows == [
        ["speed_m_s", "jitter_m_s", "sde_m_s", "names"],
        ["1.0", "0.1", "1e-300", "a"],
        ["nan", repr(1 / 3), "2.0", "b,c"],
    ]


def test_a_table_replaces_a_file_only_with_force(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("old")
    with pytest.raises(encsim.InputError, match="not exist yet"):
        SAMPLE.to_csv(path)
    assert path.read_text() == "old"
    SAMPLE.to_csv(path, force=True)
    assert path.read_text() == SAMPLE.to_csv_text()


def test_a_data_frame_has_the_columns_of_the_table(monkeypatch):
    made = types.SimpleNamespace(DataFrame=lambda columns: columns)
    monkeypatch.setitem(sys.modules, "pandas", made)
    assert SAMPLE.to_dataframe().keys() == SAMPLE.columns().keys()


def test_a_data_frame_of_pandas_has_rows_and_headers_with_units():
    pandas = pytest.importorskip("pandas")
    frame = SAMPLE.to_dataframe()
    assert isinstance(frame, pandas.DataFrame)
    assert list(frame.columns) == ["speed_m_s", "jitter_m_s", "sde_m_s", "names"]
    assert frame.shape == (2, 4)


def test_without_pandas_a_data_frame_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(ImportError, match="pip install pandas"):
        SAMPLE.to_dataframe()


@pytest.mark.parametrize("name", MAKERS)
def test_any_result_is_read_in_less_than_ten_short_lines(name):
    lines = repr(result(name)).splitlines()
    assert lines[0].startswith(f"{name}: ")
    assert 2 <= len(lines) < 10
    assert max(map(len, lines)) < 80


@pytest.mark.parametrize("name", MAKERS)
def test_a_printed_result_is_the_text_of_its_command_or_its_fields(name):
    text = str(result(name))
    assert not text.endswith("\n")
    assert max(map(len, text.splitlines())) <= 80
    assert len(text.splitlines()) <= 40
    assert (text == repr(result(name))) == (name not in reporting.TEXTS)


@pytest.mark.parametrize("speeds", [0.01, [0.01], [0.1, 0.0, 0.01], [[-0.01, 0.01]], "1 mm/s : 1 m/s : 50"])
def test_a_curve_of_any_speeds_is_printed(speeds):
    assert "ipple" in str(encsim.ripple(axis(), speeds))


def test_an_axis_is_shown_with_units_by_what_differs_from_the_defaults():
    lines = repr(axis()).splitlines()
    assert lines[:2] == ["Axis", "  scale: period = 20 um"]
    assert "  interpolation: factor = 4000, bits = 12" in lines
    assert len(lines) < 10


@pytest.mark.parametrize(
    ("part", "text"),
    [
        (encsim.Scale(period=20e-6), "Scale(period=20 um)"),
        (encsim.Sampling(16e3, jitter=20e-9), "Sampling(rate=16 kHz, jitter=20 ns)"),
        (encsim.LowPass(1e3 / 3.0), "LowPass(corner=333.333 Hz)"),
        (encsim.Difference(1), "Difference()"),
        (encsim.CountAndTime(50e6, 5e-3), "CountAndTime(clock=50 MHz, window=5 ms)"),
        # without a scale nobody knows whether these are lengths or angles
        (encsim.Signal(gain=1 / 3, jitter=0.5e-9), "Signal(gain=0.333333, jitter=5e-10)"),
        (encsim.Load(2.0, motor_inertia=0.5), "Load(inertia=2.0, motor_inertia=0.5)"),
        (
            encsim.Control(velocity_gain=2e3, position_gain=60.0, integral_time=0.012),
            "Control(position_gain=60 1/s, velocity_gain=2000.0, integral_time=12 ms)",
        ),
        (encsim.Ring(0.1, eccentricity=5e-6), "Ring(diameter=100 mm, eccentricity=5 um)"),
        (
            encsim.Requirement(speeds=(1e-3, 0.1), relative=0.02),
            "Requirement(speeds=(0.001, 0.1), relative=0.02)",
        ),
    ],
)
def test_a_description_is_shown_by_what_differs_from_the_defaults(part, text):
    assert repr(part) == text


def test_a_description_with_many_orders_is_shown_in_less_than_ten_lines():
    ring = encsim.Ring(0.1, lobes=dict.fromkeys(range(2, 400), 1e-06 / 3.0))
    lines = repr(ring).splitlines()
    assert len(lines) < 10
    assert "... 398 orders" in lines[-1]


def test_speeds_may_be_left_out_where_the_axis_has_a_usual_range():
    stage, closed = axis(), axis("stage_x_loop").with_({"motion.lowest": "1 mm/s", "motion.top": "0.1 m/s"})
    usual = encsim.open_loop.limits.default_speeds
    assert encsim.ripple(stage).speed.tolist() == usual(stage)
    assert encsim.smoothness(closed).speed.tolist() == usual(closed)
    assert encsim.sweep(closed, {"interpolation.factor": [400]}).speed[[0, -1]].tolist() == [1e-3, 0.1]


def test_a_shown_result_has_units_and_says_when_it_is_not_reliable():
    text = repr(result("RippleCurve"))
    assert "rms: 0 m/s to " in text or "mm/s" in text
    spoilt = dataclasses.replace(result("TopSpeed"), valid=False, reasons=("of a test", "of two"))
    assert repr(spoilt).startswith("TopSpeed: not reliable (and 1 more): of a test\n  speed: ")


@pytest.mark.parametrize("name", ["RippleCurve", "TopSpeed", "Margins", "Explanation"])
def test_a_notebook_shows_picture_and_key_numbers(name):
    page = result(name)._repr_html_()
    assert ElementTree.fromstring(page).tag == "div"
    assert ("data:image/png;base64," in page) == hasattr(result(name), "plot")
    assert len(page) < 300_000


def test_a_result_is_shown_without_computing_what_nobody_asked_for():
    curve = encsim.ripple(axis(), [0.01, 0.1])
    assert "peak" not in repr(curve)
    assert curve.peak.size == 2
    assert "peak: " in repr(curve)


def test_columns_of_different_lengths_are_no_table():
    with pytest.raises(ValueError, match="longer"):
        dataclasses.replace(SAMPLE, speed=np.zeros(1)).to_csv_text()


def _result_classes():
    """Every result class of the package, each once."""
    for module in pkgutil.walk_packages(encsim.__path__, "encsim."):
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)
    waiting, classes = [Result], {}
    while waiting:
        one = waiting.pop()
        waiting += one.__subclasses__()
        # A class with slots is made twice; the second, which the module holds, is the one in use.
        if one.__module__.startswith("encsim.") and getattr(sys.modules[one.__module__], one.__name__) is one:
            classes[one.__name__] = one
    return classes


CLASSES = _result_classes()
DRAWN = [
    (name, method)
    for name, one in sorted(CLASSES.items())
    for method in ("plot", "plot_channels", "plot_polar")
    if method in vars(one)
]


@pytest.mark.parametrize(("name", "method"), DRAWN)
def test_example_of_a_plot_method_runs(name, method):
    text = getattr(CLASSES[name], method).__doc__
    names = {"encsim": encsim, "np": np}
    example = doctest.DocTestParser().get_doctest(text, names, f"{name}.{method}", None, 0)
    assert f".{method}(" in example.examples[-1].source
    assert doctest.DocTestRunner().run(example, clear_globs=False).failed == 0
    assert example.globs["ax"].figure.encsim_title


def test_plot_refuses_a_keyword_that_it_does_not_declare():
    error = encsim.position_error(encsim.Axis(encsim.Scale(period=20e-6), sampling=encsim.Sampling(16e3)))
    with pytest.raises(TypeError, match="unexpected keyword argument 'limit'"):
        error.plot(limit=(0.1, 0.0))


@pytest.mark.parametrize("name", sorted(CLASSES))
def test_declared_units_and_tables_name_what_there_is(name):
    one = CLASSES[name]
    fields = {item.name for item in dataclasses.fields(one)} if dataclasses.is_dataclass(one) else set()
    assert set(getattr(one, "tabled", ())) <= fields
    declared = (
        {item.metadata["unit"] for item in dataclasses.fields(one) if "unit" in item.metadata}
        if fields
        else set()
    )
    known = {
        "position",
        "position/s",
        "force",
        "velocity gain",
        "input",
        "output",
        "periods",
        "samples",
        "as input",
    }
    known |= {
        "1",
        "m",
        "rad",
        "m/s",
        "rad/s",
        "rad/s2",
        "m/s2",
        "Hz",
        "s",
        "1/s",
        "deg",
        "N",
        "N m",
        "A",
        "Pa",
    }
    assert declared | set(one.part_units.values()) <= known


@pytest.mark.parametrize(
    ("scale", "position", "force", "gain"),
    [({"period": 20e-6}, "m", "N", "N s/m"), ({"lines": 2048}, "rad", "N m", "N m s/rad")],
)
def test_units_follow_the_scale(scale, position, force, gain):
    axis = encsim.Axis(encsim.Scale(**scale), sampling=encsim.Sampling(16e3), load=encsim.Load(1e-3),
                       control=encsim.Control(60.0, 0.3))  # fmt: skip
    smooth, tuning = encsim.smoothness(axis, [0.01]).units, encsim.tuning(axis).units
    assert (smooth["position"], smooth["actual"], smooth["torque"]) == (position, f"{position}/s", force)
    assert (tuning["velocity_gain"], tuning["torque_ripple"]) == (gain, force)


def test_parts_of_a_ring_print_sentences():
    ring = encsim.examples.load("table_r").ring
    assert str(encsim.ring_orders(ring)[0]).startswith("1 per revolution: 14.4 arcsec with these heads")
    held = encsim.clamping(screws=6, preload=2e3, friction=0.15, radius=0.05, inertia=1e-3, mass=0.5)
    assert str(held).startswith("The ring slips at a torque of 90.0 N m")  # 6 2 kN 0.15 50 mm
    left = encsim.after_tightening(0.1, repeatability=3e-6, step=0.0, uncertainty=4e-6, before=50e-6)
    assert "7.07 µm rms" in str(left)  # sqrt(2) 5 um
    wave = encsim.ErrorMap(1e-5 * np.sin(4 * np.pi * np.arange(60) / 60))
    assert "Largest order: 2 per revolution, 2.06 arcsec." in str(wave)
