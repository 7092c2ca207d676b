"""The pages that are tested, with and without a browser, each computed once."""

import functools
from dataclasses import replace

import stage_x

import encsim
from encsim.reporting import page

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


KINDS = {"open": (stage, LIMITS), "closed": (closed_stage, SLOW_TOO), "ring": (table, None)}


def looked_into(axis, speeds=None, requirement=None):
    """The findings about an axis."""
    return page.findings(axis, speeds, requirement, 0, lambda *told: None)


@functools.cache
def results(kind):
    """The findings of a kind of page."""
    axis, limits = KINDS[kind]
    return looked_into(axis(), requirement=limits)


@functools.cache
def page_of(kind):
    """A kind of page."""
    return page.rendered([("", results(kind))], HOSTILE, dated=False)
