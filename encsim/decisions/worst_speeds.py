"""Where over a range of speeds an axis runs roughest: ripple against speed is jagged, and a plain grid misses crests.

A line of order k is passed most where its frequency k v/p, folded at the loop rate, meets a frequency f that
estimator or loop pass most: at v = (n fs +- f) p/k. Counts make lines of the order of their number a period.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from ..closed_loop import loop as loops
from ..closed_loop.closed_loop_ripple import smoothness
from ..closed_loop.timed_edges import SLOWEST_EDGES
from ..open_loop import cause_models
from ..open_loop.closed_form import ripple
from ..rings.error_orders import turn_lines
from . import fast_ripple

if TYPE_CHECKING:
    from ..closed_loop.loop import Loop
    from ..model.axis import Axis
    from ..model.estimator_base import Estimator


CURVES = ("measured", "torque", "actual")
# Lines, frequencies that are passed most, and places of each meeting, that are looked at.
ORDERS, PEAKS, MEETINGS = 4, 3, 2
RESPONSE_POINTS = 1200
# Rounds of looking closer, places looked at in each, new speeds on either side of one.
ROUNDS, PLACES, CLOSER = 2, 2, 5
# From standstill on: as slow as a hundredth of a count a sample, or this share of the highest speed.
SLOWEST = 1e-3


class Curves:
    """Ripple of one axis at a growing set of speeds.

    Attributes
    ----------
    speed : ndarray
        Ascending, m/s or rad/s.
    rms : dict of str to ndarray
        ``measured``, and of a closed loop ``torque`` and ``actual``.
    parts : dict of str to dict of str to ndarray
        {curve: {cause: rms}}.
    reasons : tuple of str
        Why some of it may not be believed.
    """

    def __init__(self, axis: Axis, compute: Callable[..., Any] | None = None) -> None:
        self.axis = axis
        self.compute = compute or (_of_loop if has_loop(axis) else _of_motion)
        self.speed = np.zeros(0)
        self.rms, self.parts, self.reasons = {}, {}, ()

    def add(self, speeds: np.ndarray) -> None:
        """Compute these speeds too."""
        speeds = np.setdiff1d(speeds, self.speed)
        if not speeds.size:
            return
        rms, parts, reasons = self.compute(self.axis, speeds)
        order = np.argsort(np.concatenate([self.speed, speeds]))
        self.speed = np.concatenate([self.speed, speeds])[order]
        self.rms = {name: _joined(self.rms.get(name), new, order) for name, new in rms.items()}
        self.parts = {
            name: {c: _joined(self.parts.get(name, {}).get(c), new, order) for c, new in found.items()}
            for name, found in parts.items()
        }
        self.reasons = tuple(dict.fromkeys([*self.reasons, *reasons]))

    def closer(self, shares: Callable[..., Any]) -> None:
        """Look again, and closer, round the largest values of each array of shares."""
        for _ in range(ROUNDS):
            found = [
                _beside(self.speed, share) for share in shares(self).values() if np.isfinite(share).all()
            ]
            self.add(np.unique(np.concatenate([np.zeros(0), *found])))

    def largest_cause(self, curve: str, place: int) -> dict[str, float | str]:
        """The largest cause of a curve at one of the speeds."""
        there = {cause: float(values[place]) for cause, values in self.parts[curve].items()}
        name, total = max(there, key=there.get, default=None), float(self.rms[curve][place])
        if name is None or not 0.0 < there[name] < np.inf:
            return {"cause": None, "cause_share": np.nan}
        return {"cause": name, "cause_share": (there[name] / total) ** 2}


def has_loop(axis: Axis) -> bool:
    """Whether an axis has a closed loop."""
    return axis.load is not None and axis.control is not None


def grid(axis: Axis, low: float, high: float, points: int) -> np.ndarray:
    """Speeds at which to judge an axis: an even logarithmic grid and the crests within the range."""
    if low == high:
        return np.array([high])
    start = low or min(
        SLOWEST * high, max(axis.resolution * axis.sampling.rate / 100.0, 1e-3 * SLOWEST * high)
    )
    even = np.geomspace(start, high, points)
    even[0], even[-1] = start, high
    crests = _line_crests(axis, low, high)
    return np.unique(np.concatenate([[low], even, crests[(crests > low) & (crests < high)]]))


def _line_crests(axis: Axis, low: float, high: float) -> np.ndarray:
    """Speeds at which strong lines meet the frequencies that are passed most."""
    if not (axis.estimator.linear or has_loop(axis)):
        return np.zeros(0)
    rate, pitch = axis.sampling.rate, axis.scale.pitch
    orders, passed = np.array(_strong_orders(axis, high), dtype=float), _passed(axis, low, high)
    if not orders.size:
        return orders
    # of each order and frequency the first places within the range and the last, on either side of an image
    turns = np.concatenate([passed, -passed]) / rate
    step = pitch * rate / orders[:, None]
    first, last = np.ceil(low / step - turns), np.floor(high / step - turns)
    images = np.concatenate([first[..., None] + np.arange(MEETINGS), last[..., None]], axis=-1)
    found = (images + turns[:, None]) * step[..., None]
    return found.ravel()


def _strong_orders(axis: Axis, high: float) -> list[int]:
    """The strongest lines of the error in cycles a signal period, and of the counts the first."""
    orders, size = fast_ripple.Screen(axis).line_sizes(np.array([high]))
    size = size[0]
    turns, _, mounted = turn_lines(axis)
    found = orders[np.argsort(-size, kind="stable")[:ORDERS]].tolist()
    if axis.interpolation.factor is not None:
        found.append(axis.interpolation.factor)
    return found + turns[np.argsort(-np.abs(mounted), kind="stable")[: ORDERS // 2]].tolist()


def _passed(axis: Axis, low: float, high: float) -> np.ndarray:
    """Frequencies up to half the loop rate that estimator or loop pass most, Hz."""
    if has_loop(axis):
        # the loop of timed edges is another at every speed: those of both ends
        ends = [0.0] if axis.estimator.linear else [max(low, axis.resolution * SLOWEST_EDGES), high]
        return np.unique(np.concatenate([_loop_peaks(loops.build(axis, speed)) for speed in ends]))
    return np.array(_estimator_peaks(cause_models.resolved(axis), axis.sampling.rate))


def _loop_peaks(loop: Loop) -> np.ndarray:
    frequency = _frequencies(loop.rate)
    response = loop.response(frequency)
    return np.unique(
        np.concatenate([_peaks(frequency, np.abs(getattr(response, curve))) for curve in CURVES])
    )


@lru_cache(maxsize=1024)
def _estimator_peaks(estimator: Estimator, rate: float) -> tuple[float, ...]:
    frequency = _frequencies(rate)
    return tuple(_peaks(frequency, np.abs(estimator.response(frequency, rate))).tolist())


def _frequencies(rate: float) -> np.ndarray:
    """From a millionth of the loop rate to its half, even in the logarithm and even."""
    low = np.geomspace(1e-6 * rate, 0.5 * rate, RESPONSE_POINTS)
    return np.unique(np.concatenate([low, np.linspace(0.0, 0.5 * rate, RESPONSE_POINTS)[1:-1]]))


def _peaks(frequency: np.ndarray, gain: np.ndarray) -> np.ndarray:
    """The frequencies of the largest local maxima, the ends among them."""
    around = np.concatenate([[-1.0], gain, [-1.0]])
    tops = np.flatnonzero((gain >= around[:-2]) & (gain > around[2:]))
    # equal ones, of which a difference over many samples has many, from the lowest on
    height = np.round(gain[tops] / max(gain.max(), 1e-300), 3)
    return frequency[tops[np.argsort(-height, kind="stable")[:PEAKS]]]


def _beside(speed: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Speeds between the largest local maxima of a share and their neighbours."""
    around = np.concatenate([[-1.0], share, [-1.0]])
    tops = np.flatnonzero((share >= around[:-2]) & (share > around[2:]))
    found = [np.zeros(0)]
    for top in tops[np.argsort(-share[tops], kind="stable")[:PLACES]]:
        for other in (top - 1, top + 1):
            if 0 <= other < speed.size and min(speed[top], speed[other]) > 0.0:
                found.append(np.geomspace(speed[top], speed[other], CLOSER + 2)[1:-1])
    return np.concatenate(found)


def _joined(old: np.ndarray | None, new: np.ndarray, order: np.ndarray) -> np.ndarray:
    return (new if old is None else np.concatenate([old, new]))[order]


def _of_motion(
    axis: Axis, speeds: np.ndarray
) -> tuple[dict[str, np.ndarray], dict[str, dict[Any, Any]], tuple[()]]:
    curve = ripple(axis, speeds)
    return {"measured": curve.rms}, {"measured": curve.parts}, curve.reasons


def _of_loop(axis: Axis, speeds: np.ndarray) -> tuple[Any, ...]:
    found = smoothness(axis, speeds)
    rms = {name: getattr(found, name) for name in CURVES}
    if not (found.stable or found.parts["measured"]):
        # an ideal encoder has no error that an unstable loop could make grow; a machine has
        rms = {name: np.full(speeds.shape, np.inf) for name in CURVES}
    return rms, found.parts, found.reasons
