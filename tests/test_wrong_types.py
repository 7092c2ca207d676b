"""What is no axis, ring, path or generator is told by one fault that says what to give, whatever function is called."""

import inspect

import numpy as np
import pytest
from every_result import RING, WANTED, axis

import encsim

CAPTURE = encsim.Capture("position", rate=1e3, position=np.linspace(0.0, 0.01, 100))
GIVEN = {
    "speed": 0.01, "speeds": [0.01], "samples": 10, "seconds": 0.01, "estimators": [encsim.Difference()],
    "requirement": WANTED, "candidates": {"interpolation.factor": [400]},
    "spread": {"signal.gain": encsim.Normal(0.01)},
    "values": {"sampling.rate": ["8 kHz"]}, "path": "nowhere.toml", "angles": [0.0], "limit": 1e-5, "density": 7800.0,
    "modulus": 210e9, "poisson": 0.3, "capture": CAPTURE, "cosine": CAPTURE, "captures": [CAPTURE, CAPTURE],
    "free": ["signal.gain"],
}  # fmt: skip
BAD = ["axis.toml", 3, b"axis.toml", {}, encsim.Scale(period=20e-6), object()]
FUNCTIONS = {
    name: getattr(encsim, name)
    for name in [*encsim.__all__, "Stream"]
    if inspect.isfunction(getattr(encsim, name)) or name == "Stream"
}


def taking(parameter):
    """Names of the public functions with this parameter."""
    return sorted(name for name, one in FUNCTIONS.items() if parameter in inspect.signature(one).parameters)


def called(name, **given):
    """The function called with what it needs and this."""
    needed = inspect.signature(FUNCTIONS[name]).parameters
    for parameter, one in needed.items():
        if one.default is one.empty and parameter not in given:
            given[parameter] = GIVEN[parameter]
    return FUNCTIONS[name](**given)


@pytest.mark.parametrize("name", taking("axis"))
def test_what_is_no_axis_is_refused_with_what_makes_one(name):
    for bad in BAD if name in ("load_spread", "identify") else [*BAD, None]:
        with pytest.raises(encsim.InputError) as caught:
            called(name, axis=bad)
        (fault,) = caught.value.faults
        assert fault.field.endswith(".axis")
        assert (fault.rule, fault.value) == ("be an Axis", bad)
        assert "encsim.load(path) makes one" in str(fault)


@pytest.mark.parametrize("name", taking("ring"))
def test_what_is_no_ring_is_refused(name):
    for bad in [*BAD, None, axis()]:
        with pytest.raises(encsim.InputError, match=r"^ring must be a Ring, got "):
            called(name, ring=bad)


@pytest.mark.parametrize("name", ["load", "load_candidates", "load_spread"])
@pytest.mark.parametrize("path", [None, 3, b"axis.toml", ["axis.toml"]])
def test_what_is_no_path_is_refused(name, path):
    more = {} if name == "load" else {"axis": axis()}
    with pytest.raises(encsim.InputError, match=r"^file must be named by a path, got "):
        called(name, path=path, **more)


def test_lists_are_not_empty():
    assert len(taking("axis")) >= 20
    assert len(taking("ring")) == 6
    assert set(taking("rng")) == {"run", "runs", "simulate", "tolerance"}
    assert encsim.ring_orders(RING)


def drawn(name, **how):
    """The function called with an axis for it, and soon done."""
    if name == "tolerance":
        how = {"samples": 20, "executor": 1} | how
    return called(name, axis=axis("stage_x_loop" if name.startswith("run") else "stage_x"), **how)


@pytest.mark.parametrize("name", taking("rng"))
def test_a_generator_draws_the_seed_that_stands_in_the_result(name):
    first = drawn(name, rng=np.random.default_rng(3))
    again = drawn(name, seed=first.seed)
    other = drawn(name, rng=np.random.default_rng(4))
    assert first.seed == int(np.random.default_rng(3).integers(1 << 53))
    assert first.arguments["seed"] == first.seed
    assert first.to_dict() == again.to_dict()
    assert first.seed != other.seed


@pytest.mark.parametrize("name", taking("rng"))
def test_seed_and_generator_exclude_each_other(name):
    with pytest.raises(
        encsim.InputError, match=rf"^{name}\.seed must be left out where rng is given, got 0$"
    ):
        drawn(name, seed=0, rng=np.random.default_rng(3))
    with pytest.raises(
        encsim.InputError, match=rf"^{name}\.rng must be a numpy\.random\.Generator, got 3; a whole"
    ):
        drawn(name, rng=3)
    assert drawn(name).seed == 0


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (
            lambda: encsim.Scale(period="20 um"),
            'got "20 um"; a plain number in m: text with a unit is for axis',
        ),
        (lambda: encsim.LowPass("300 Hz"), "a plain number in Hz"),
        (lambda: encsim.identify("scope.csv"), 'got "scope.csv"; encsim.Capture.read reads a file'),
        (lambda: encsim.identify(np.ones(30)), "identify.sine must be one row of real numbers, got None"),
        (lambda: encsim.explain(axis(), 5e-3, 0.01), "explain.verify must be True or False, got 0.01"),
        (lambda: encsim.loads("stage_x.toml"), "encsim.load reads a file"),
        (lambda: encsim.ripple(axis(), [0.01]).plot(5), "plot.ax must be Axes of Matplotlib, or None"),
        (
            lambda: encsim.Requirement(speeds=("1 mm/s", "1 mm"), relative=0.01),
            "Requirement.speeds must have a unit of speed",
        ),
    ],
)
def test_mistakes_of_the_first_hour_name_the_right_thing(call, words):
    with pytest.raises(encsim.InputError) as caught:
        call()
    assert words in str(caught.value)


def test_a_requirement_takes_speeds_with_units():
    assert encsim.Requirement(speeds=["1 mm/s", "0.1 m/s"], relative=0.02).speeds == (1e-3, 0.1)


@pytest.mark.parametrize("name", ["margins", "tuning", "step_response", "ramp_response"])
def test_speed_of_a_loop_may_be_text_and_is_checked(name):
    function = getattr(encsim, name)
    loop = axis("stage_x_loop")
    # the gains of tuning are another question, and take a second
    assert name == "tuning" or function(loop, speed="5 mm/s").speed == 5e-3
    for bad in ("5 rpm", float("nan"), [5e-3], "fast"):
        with pytest.raises(encsim.InputError, match=rf"^{name}\.speed must "):
            function(loop, speed=bad)
