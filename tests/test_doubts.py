"""Doubts: every code has all its words, only registered codes are used, and each arrives on the page in plain words."""

import ast
import json
import pickle
import re
import string
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import encsim
from encsim.doubts import DOUBTS, Doubt, DoubtWords, named
from encsim.open_loop import validity
from encsim.reporting.page_words import plain_doubts

PACKAGE = Path(encsim.__file__).parent
STAGE = encsim.Axis(
    encsim.Scale(period=20e-6),
    signal=encsim.Signal(gain=0.02),
    interpolation=encsim.Interpolation(factor=400),
    sampling=encsim.Sampling(16e3),
)
CLOSED = replace(
    STAGE,
    load=encsim.Load(inertia=5.0),
    control=encsim.Control(position_gain=100.0, velocity_gain=3000.0, integral_time=0.01),
)


def fields(template):
    """Names and formats of the numbers that a template takes."""
    return {name: spec for _, name, spec, _ in string.Formatter().parse(template) if name is not None}


def example(code):
    """A doubt of this code with some numbers."""
    wanted = {}
    for template in (DOUBTS[code].reason, DOUBTS[code].plain, DOUBTS[code].short):
        wanted |= fields(template)
    counts = ("lost", "samples", "readings")
    return Doubt(
        code, **{name: 7 if spec or name in counts else f"<{name}>" for name, spec in wanted.items()}
    )


def made_in(path):
    """(code, names of its numbers, line) of each ``Doubt("code", …)`` in a module."""
    for node in ast.walk(ast.parse(path.read_text())):
        called = isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Doubt"
        if called and isinstance(node.args[0], ast.Constant):
            yield node.args[0].value, {keyword.arg for keyword in node.keywords}, node.lineno


def test_every_doubt_has_three_words_that_take_its_numbers():
    for code in DOUBTS:
        doubt = example(code)
        assert doubt.code == code
        assert all(map(str.strip, (doubt, doubt.plain, doubt.short))), code
        assert len(doubt.short) <= 34, code
        assert not doubt.plain.endswith("."), code
        assert "{" not in doubt + doubt.plain + doubt.short, code


def test_every_doubt_that_is_made_is_registered_with_its_numbers():
    every = [(path, *made) for path in sorted(PACKAGE.rglob("*.py")) for made in made_in(path)]
    assert len(every) > len(DOUBTS) // 2
    for path, code, given, line in every:
        words = DOUBTS[code]
        wanted = {*fields(words.reason), *fields(words.plain), *fields(words.short)}
        # numbers that are handed over as a mapping (None) are met when the doubt is made
        assert given - {"subject", None} <= wanted, (path.stem, line)
        assert None in given or given == wanted, (path.stem, line)


def test_every_registered_doubt_is_made_somewhere():
    sources = "".join(p.read_text() for p in PACKAGE.rglob("*.py") if p.name != "doubts.py")
    assert [code for code in DOUBTS if f'"{code}"' not in sources] == []


def test_doubt_is_the_text_that_reasons_had():
    doubt = Doubt("top_speed", top=1.25, unit="m", limit="bandwidth")
    assert doubt == "above the top speed 1.25 m/s (bandwidth)"
    assert json.loads(json.dumps([doubt])) == [str(doubt)]
    assert doubt in {"above the top speed 1.25 m/s (bandwidth)"}


def test_doubt_survives_pickling_with_code_numbers_and_subject():
    doubt = Doubt("few_ticks", ticks=10).about("torque ripple")
    again = pickle.loads(pickle.dumps(doubt))
    assert again == "torque ripple: fewer than 10 ticks of the clock between edges: simulate"
    assert (again.code, again.subject, again.numbers) == ("few_ticks", "torque ripple", {"ticks": 10})


def test_named_looks_at_codes_and_never_at_text():
    reasons = (Doubt("unstable"), "the loop is not stable: see margins")
    assert named(reasons, "steep_error", "unstable")
    assert not named(reasons, "unstable_run")


def test_unknown_code_or_missing_number_is_refused():
    with pytest.raises(KeyError, match="no_such_code"):
        Doubt("no_such_code")
    with pytest.raises(KeyError, match="ticks"):
        Doubt("few_ticks")


def test_page_tells_every_doubt_in_plain_words():
    for doubt in map(example, DOUBTS):
        assert plain_doubts([doubt, doubt]) == (doubt.plain,)
        assert doubt.plain != str(doubt)


def results_of(axis):
    speeds = np.array([1e-5, 2.0])
    yield encsim.ripple(axis, speeds)
    yield encsim.simulate(axis, 2.0, 100)
    if axis.load is not None:
        yield encsim.smoothness(axis, speeds)
        yield encsim.margins(axis, speed=2e-5)
        yield encsim.run(axis, 2.0, 0.01)
        yield encsim.step_response(axis, speed=2e-5)


UNSTABLE = replace(CLOSED, control=replace(CLOSED.control, velocity_gain=1e6))
TIMED = replace(CLOSED, estimator=encsim.PeriodTiming(1e5))


@pytest.mark.parametrize(
    "axis",
    [
        replace(STAGE, signal=replace(STAGE.signal, bandwidth=1e4, noise=0.2)),
        replace(STAGE, interpolation=encsim.Interpolation(factor=400, bits=8, hysteresis=2.0, span=0.5)),
        replace(CLOSED, load=encsim.Load(inertia=5.0, coulomb=2.0, cogging={100: 0.1})),
        UNSTABLE,
        TIMED,
    ],
    ids=["noisy", "clipped", "friction", "unstable", "timed edges"],
)
def test_reasons_of_results_are_doubts_with_a_code(axis):
    reasons = [reason for result in results_of(axis) for reason in result.reasons]
    assert reasons
    assert all(isinstance(reason, Doubt) for reason in reasons)


def test_made_up_doubt_arrives_on_the_page(monkeypatch, tmp_path):
    words = DoubtWords(
        "made_up", "the moon exceeds {phase:g}", "the moon is too full ({phase:g})", "full moon"
    )
    monkeypatch.setitem(DOUBTS, "made_up", words)
    monkeypatch.setattr(validity, "_limit_term", lambda axis, speed: (True, Doubt("made_up", phase=0.9)))
    curve = encsim.ripple(STAGE, [1e-3, 2e-3])
    assert curve.to_dict()["reasons"] == ["the moon exceeds 0.9"]
    plain = replace(STAGE, interpolation=encsim.Interpolation())
    page = encsim.report(plain, tmp_path / "page.html", speeds=[1e-3, 2e-3, 5e-3]).read_text()
    assert "The moon is too full (0.9)" in page
    assert "the moon exceeds" not in page


def test_no_module_looks_for_words_in_reasons():
    # toml_text reads a parser's message, error_maps sets an ellipsis
    others = {"toml_text.py", "error_maps.py"}
    wrong = re.compile(r"\breason\.(startswith|partition|replace|split|find)\(|\w in reason\b")
    found = [path.name for path in PACKAGE.rglob("*.py") if wrong.search(path.read_text())]
    assert set(found) - others == set()
