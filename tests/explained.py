"""Invented axes to explain, and their explanations, each computed once."""

import functools

from stage_x import PITCH, RATE, SLIDE, stage

import encsim
from encsim.decisions.proposals import Situation
from encsim.formats import changes
from encsim.model.axis import Axis, Sampling
from encsim.model.scale_and_signal import Scale, Signal

STAGE = stage(jitter=20e-9)
LOUD = changes.apply(STAGE, {"signal.jitter": 20e-9})
BARE = changes.apply(STAGE, {"interpolation.factor": None})
LOOP = changes.apply(BARE, {"estimator": encsim.LowPass(800.0), **SLIDE})
TABLE = Axis(
    Scale(lines=9000),
    signal=Signal(offset=(0.01, 0.0), jitter=2e-8),
    sampling=Sampling(8e3),
    ring=encsim.Ring(0.0573, eccentricity=500e-6),
)
TIMED = changes.apply(STAGE, {"estimator": encsim.CountAndTime(50e6, 5e-3)})
OWN = changes.apply(BARE, {"sampling.encoder_rate": 37e3})
IDEAL = Axis(Scale(period=PITCH), sampling=Sampling(RATE))
AXES = {
    "stage": (STAGE, 5e-3),
    "folded": (BARE, 0.33),
    "loud": (LOUD, 1e-3),
    "still": (STAGE, 0.0),
    "vanishing": (BARE, PITCH * RATE),
    "loop": (LOOP, 5.3e-3),
    "loop backwards": (LOOP, -0.331),
    "loop beside a vanishing speed": (LOOP, PITCH * RATE * 1.0003),
    "table": (TABLE, 0.3),
    "timed": (TIMED, 5e-3),
    "own clock": (OWN, 5e-3),
    "ideal": (IDEAL, 5e-3),
}


@functools.cache
def of(name, verify=False):
    """The explanation of one of the axes."""
    return encsim.explain(*AXES[name], verify=verify)


def situation(axis, speed):
    """What is known about an axis before anything is tried."""
    return Situation.of(axis, speed)


def remedy(name, kind):
    """One remedy of one of the axes."""
    return next(one for one in of(name).remedies if one.kind == kind)
