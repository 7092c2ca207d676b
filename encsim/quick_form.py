"""Ripple of an axis without its exact table of increments: milliseconds an axis, for thousands of axes.

Wherever counts are at least 40 a period, the step form serves: a converter as white noise, counts by their
dithered steps. A difference takes it lag by lag; an estimator of long memory, and a closed loop, as lines passed
through |F|**2, which is kept for the next axis with the same loop.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from . import causes, engines, loop_power
from .axis import Axis, Interpolation, Signal
from .error_lines import ErrorLines
from .loop_power import NAMES, Power
from .passed_errors import Passed
from .smooth_running import smoothness

# Fewer counts a period than this, and the step form is no longer exact enough (see doubts).
FEW_COUNTS = 40
# Up to so many lags are taken one by one.
FEW_LAGS = 4
GRID = 1 << 12


@dataclass(frozen=True, eq=False, slots=True)
class Quick:
    """Ripple of one axis at some speeds.

    Attributes
    ----------
    rms : dict of str to ndarray, shape (m,)
        ``measured``, and of a closed loop ``torque`` and ``actual``; infinite where it is unstable.
    sound : bool
        Whether the channels go round zero at every speed.
    """

    rms: dict
    sound: bool


def closes(axis):
    """Whether an axis has a closed loop."""
    return axis.load is not None and axis.control is not None


def curves(axis, speeds):
    """Ripple of an axis in the quick form: of its closed loop where it has one.

    Parameters
    ----------
    axis : Axis
    speeds : ndarray, shape (m,)
        Not negative, m/s or rad/s.

    Returns
    -------
    Quick
        As :func:`encsim.smoothness` or :func:`encsim.ripple`, typically within 1e-3; some per cent off where the
        steps of a converter are not smoothed by noise.
    """
    model = _model(axis)
    if closes(axis) and not axis.estimator.linear:
        # timed edges are another loop at every speed: there is nothing to keep
        found = smoothness(axis, speeds)
        return Quick({name: getattr(found, name) for name in NAMES[:3]}, bool(model.sound))
    if closes(axis):
        return _passed(axis, model, speeds, _loops(axis, speeds), NAMES[:3])
    if axis.estimator.linear and _long_memory(axis):
        found = causes.resolved(axis)
        powers = [(_estimator_power(found, axis.sampling.rate), np.arange(speeds.size))]
        return _passed(axis, model, speeds, powers, NAMES[:1])
    squares, _ = model.parts(speeds)
    total = sum(np.maximum(square, 0.0) for square in squares.values()) if squares else 0.0 * speeds
    return Quick({"measured": np.sqrt(total) * axis.scale.pitch}, bool(model.sound))


class _Squares(causes.Step):
    """The step form without the peak, which nobody asks for here."""

    def half_range(self, speed):
        """Nothing."""
        return 0.0 * speed


def _model(axis):
    factor = axis.interpolation.factor
    if not axis.estimator.linear or (factor is not None and factor < FEW_COUNTS):
        return engines.engine(axis)
    return _Squares(axis)


def _long_memory(axis):
    """Whether the estimator's lags are too many to be taken one by one."""
    return causes.pairs(causes.resolved(axis), axis.sampling.rate)[0].size > FEW_LAGS


def _passed(axis, model, speeds, powers, names):
    """Error lines passed through squared gains."""
    errors = ErrorLines(axis, model, speeds)
    square = np.zeros((speeds.size, len(NAMES)))
    for power, there in powers:
        square[there] = sum(Passed(errors, power, there).squares.values(), square[there])
    rms = np.sqrt(square) * axis.scale.pitch
    return Quick({name: rms[:, NAMES.index(name)] for name in names}, bool(model.sound))


class _EstimatorPower(Power):
    """Squared gain of an estimator alone, in the place of a loop's: the error moves nothing."""

    def __init__(self, estimator, rate):
        self.loop, self.rate, self.bins = None, rate, loop_power.BINS
        self.estimator, self.crossover, self.stable = estimator, np.nan, True
        even = np.linspace(0.0, 0.5, loop_power.BINS + 1)[1:]
        self.frequency = rate * np.union1d(np.geomspace(1e-7, 0.5, GRID), even)
        self._tabulate()
        self.white[0] = estimator.noise_gain(rate) ** 2

    def exact(self, turns):
        """|D|**2 at some frequencies, shape (..., curves)."""
        found = np.zeros((*np.shape(turns), len(NAMES) + 1))
        found[..., 0] = np.abs(self.estimator.response(np.asarray(turns) * self.rate, self.rate)) ** 2
        return found


@lru_cache(maxsize=32)
def _estimator_power(estimator, rate):
    return _EstimatorPower(estimator, rate)


def _loops(axis, speeds):
    """Squared gains of the loop at the speeds, kept for axes that differ in nothing that it knows."""
    signal = Signal(bandwidth=axis.signal.bandwidth)
    converter = Interpolation()
    if axis.interpolation.edge_clock is not None:
        converter = replace(
            axis.interpolation, bits=None, hysteresis=0.0, correction=0.0, edge_separation=0.0
        )
    bare = Axis(
        axis.scale,
        signal=signal,
        interpolation=converter,
        sampling=axis.sampling,
        estimator=causes.resolved(axis),
        load=axis.load,
        control=axis.control,
    )
    return _loops_of(bare, tuple(speeds.tolist()))


@lru_cache(maxsize=16)
def _loops_of(axis, speeds):
    return loop_power.at_speeds(axis, np.array(speeds))
