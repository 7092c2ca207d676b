"""The pages that are tested, with and without a browser, each computed once."""

import functools
from dataclasses import replace
from pathlib import Path

import stage_x

import encsim
from encsim import wording
from encsim.reporting import page, page_speeds

# A title that tries to be more than text.
HOSTILE = (
    "{{ 7 * 7 }} & \"co\" 'x' </title><script>window.broken=1</script>"
    '<img src="//example.invalid/x.png" onerror="window.broken=1">'
)
LIMITS = encsim.Requirement(speeds=(1e-4, 0.5), relative=0.01, floor=50e-6)
# So slow that the closed loop of this page follows single counts.
SLOW_TOO = encsim.Requirement(speeds=(1e-6, 0.5), relative=0.01, floor=50e-6)


def stage(**changes):
    """An invented linear stage."""
    return replace(stage_x.stage(signal=stage_x.PLAIN_SIGNAL), **changes)


def closed_stage():
    """The same with a rigid slide and a loop."""
    return stage(estimator=encsim.LowPass(800.0), **stage_x.SLIDE)


def table(**more):
    """An invented rotary table whose ring is off centre and read by one head."""
    ring = encsim.Ring(0.0573, eccentricity=2e-6, lobes={2: 0.5e-6})
    signal, sampling = encsim.Signal(gain=0.02), encsim.Sampling(16e3)
    return encsim.Axis(encsim.Scale(lines=9000), ring=ring, signal=signal, sampling=sampling, **more)


# {kind: (axis, limits)}
KINDS = {"open": (stage, LIMITS), "closed": (closed_stage, SLOW_TOO), "ring": (table, None)}
EXAMPLES = Path(__file__).resolve().parents[1] / "examples"


def _shipped(name, limits=None):
    """A shipped axis, and limits: those of a shipped file or of their own."""
    if isinstance(limits, str):
        limits = encsim.requirements.load(EXAMPLES / limits)
    return lambda: encsim.load(EXAMPLES / name), limits


# The shipped examples: open loop, loop, ring, spread; no limit, limit missed, limit met.
SHIPPED = {
    "stage": _shipped("stage_x.toml"),
    "stage limit": _shipped("stage_x.toml", "stage_x_choice.toml"),
    "spread": _shipped("stage_x.toml", "stage_x_spread.toml"),
    "loop": _shipped("stage_x_loop.toml"),
    "loop missed": _shipped(
        "stage_x_loop.toml",
        encsim.Requirement(speeds=(1e-4, 0.3), relative=0.01, floor=50e-6, phase_margin=45.0),
    ),
    "loop met": _shipped(
        "stage_x_loop.toml", encsim.Requirement(speeds=(2e-4, 0.3), relative=0.05, floor=2e-4)
    ),
    "table": _shipped("table_r.toml"),
    "table limit": _shipped("table_r.toml", "table_r_choice.toml"),
}
SPREAD = {"signal.gain": encsim.Normal(0.006)}


def looked_into(axis, speeds=None, requirement=None):
    """The findings about an axis."""
    return page.findings(axis, speeds, requirement, 0, lambda *told: None)


@functools.cache
def results(kind):
    """The findings of a kind of page."""
    made, limits = {**KINDS, **SHIPPED}[kind]
    axis = made()
    found = looked_into(axis, requirement=limits)
    if kind != "spread":
        return found
    shown = page_speeds.shown_speeds(axis, None, limits, 12)
    return page.with_spread(found, encsim.tolerance(axis, SPREAD, shown, 40, 0, limits, executor=1))


@functools.cache
def page_of(kind):
    """A kind of page."""
    with wording.of(results(kind)):
        return page.rendered([("", results(kind))], HOSTILE, dated=False)


@functools.cache
def two():
    """A page that compares two simple axes."""
    scale, reading = encsim.Scale(period=20e-6), encsim.Sampling(16e3)
    rough, fine = (
        encsim.Axis(scale, signal=encsim.Signal(gain=gain), sampling=reading) for gain in (0.02, 0.002)
    )
    limits = encsim.Requirement(speeds=(1e-3, 0.1), relative=0.01, floor=50e-6)
    given = page.subjects({"as built": rough, "<b>trimmed</b>": fine}, limits, None)
    return page.page(given, reproducible=True)
