"""Worst speeds of an axis in a range: ripple against speed is jagged, and a plain grid misses its crests.

A harmonic of order k has most effect where its frequency k v/p, aliased at the loop rate, meets a frequency f of a
gain peak of estimator or loop: at v = (n fs +- f) p/k. Quantisation makes harmonics of the order of the counts per
signal period.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
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
from .ripple_summary import CURVES, has_loop

if TYPE_CHECKING:
    from ..closed_loop.loop import Loop
    from ..model.axis import Axis


# Ripple at some speeds: rms by curve, rms by curve and cause, reasons for doubt.
CurveParts = tuple[Mapping[str, np.ndarray], Mapping[str, Mapping[str, np.ndarray]], tuple[str, ...]]

# Number of harmonics, of gain peaks, and of speeds for each pair of them.
ORDERS, PEAKS, MEETINGS = 4, 3, 2
RESPONSE_POINTS = 1200
# Rounds of refinement, maxima refined in each, new speeds on either side of one.
ROUNDS, PLACES, NEW_SPEEDS = 2, 2, 5
# A range from standstill starts at a hundredth of a count per sample, or at this share of the highest speed.
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
        Why some of it is not reliable.
    """

    def __init__(self, axis: Axis, compute: Callable[[Axis, np.ndarray], CurveParts] | None = None) -> None:
        self.axis = axis
        self.compute = compute or (_closed_loop_ripple if has_loop(axis) else _open_loop_ripple)
        self.speed = np.zeros(0)
        self.rms: dict[str, np.ndarray] = {}
        self.parts: dict[str, dict[str, np.ndarray]] = {}
        self.reasons: tuple[str, ...] = ()

    def add(self, speeds: np.ndarray) -> None:
        """Compute these speeds too."""
        speeds = np.setdiff1d(speeds, self.speed)
        if not speeds.size:
            return
        rms, parts, reasons = self.compute(self.axis, speeds)
        order = np.argsort(np.concatenate([self.speed, speeds]))
        self.speed = np.concatenate([self.speed, speeds])[order]
        self.rms = _merged(self.rms, rms, order)
        self.parts = {name: _merged(self.parts.get(name, {}), new, order) for name, new in parts.items()}
        self.reasons = tuple(dict.fromkeys([*self.reasons, *reasons]))

    def refine(self, shares: Callable[[Curves], dict[str, np.ndarray]]) -> None:
        """Add speeds around the largest values of each array of shares, in rounds."""
        for _ in range(ROUNDS):
            finite = [share for share in shares(self).values() if np.isfinite(share).all()]
            new = [_refined_speeds(self.speed, share) for share in finite]
            self.add(np.unique(np.concatenate([np.zeros(0), *new])))

    def largest_cause(self, curve: str, place: int) -> dict[str, Any]:
        """The largest cause of a curve at one of the speeds, as keywords of a `LimitCheck`."""
        causes = {cause: float(rms[place]) for cause, rms in self.parts[curve].items()}
        name, total = max(causes, key=lambda cause: causes[cause], default=None), self.rms[curve][place]
        if name is None or not 0.0 < causes[name] < np.inf:
            return {"cause": None, "cause_share": np.nan}
        return {"cause": name, "cause_share": (causes[name] / float(total)) ** 2}


def _merged(
    known: Mapping[str, np.ndarray], new: Mapping[str, np.ndarray], order: np.ndarray
) -> dict[str, np.ndarray]:
    """Old and new values of each name in the order of rising speed."""
    return {name: np.concatenate([known.get(name, np.zeros(0)), rms])[order] for name, rms in new.items()}


def grid(axis: Axis, low: float, high: float, points: int) -> np.ndarray:
    """Speeds at which to judge an axis: an even logarithmic grid and the crest speeds within the range."""
    if low == high:
        return np.array([high])
    hundredth = axis.resolution * axis.sampling.rate / 100.0
    start = low or min(SLOWEST * high, max(hundredth, 1e-3 * SLOWEST * high))
    even = np.geomspace(start, high, points)
    even[0], even[-1] = start, high
    crests = _crest_speeds(axis, low, high)
    return np.unique(np.concatenate([[low], even, crests[(crests > low) & (crests < high)]]))


def _crest_speeds(axis: Axis, low: float, high: float) -> np.ndarray:
    """Speeds at which strong harmonics meet the gain peaks."""
    if not (axis.estimator.linear or has_loop(axis)):
        return np.zeros(0)
    rate, pitch = axis.sampling.rate, axis.scale.pitch
    orders, peaks = np.array(_strong_orders(axis, high), dtype=float), _peak_frequencies(axis, low, high)
    if not orders.size:
        return orders
    # for each order and frequency the first speeds within the range and the last, on either side of n fs
    cycles = np.concatenate([peaks, -peaks]) / rate
    step = pitch * rate / orders[:, None]
    first, last = np.ceil(low / step - cycles), np.floor(high / step - cycles)
    images = np.concatenate([first[..., None] + np.arange(MEETINGS), last[..., None]], axis=-1)
    speeds: np.ndarray = (images + cycles[:, None]) * step[..., None]
    return speeds.ravel()


def _strong_orders(axis: Axis, high: float) -> list[float]:
    """Orders of the strongest harmonics, in cycles per signal period; of quantisation the first."""
    orders, size = fast_ripple.ScreeningModel(axis).line_sizes(np.array([high]))
    ring_orders, _, ring_size = turn_lines(axis)
    strong: list[float] = orders[np.argsort(-size[0], kind="stable")[:ORDERS]].tolist()
    if axis.interpolation.factor is not None:
        strong.append(axis.interpolation.factor)
    strongest = np.argsort(-np.abs(ring_size), kind="stable")[: ORDERS // 2]
    return [*strong, *ring_orders[strongest].tolist()]


def _peak_frequencies(axis: Axis, low: float, high: float) -> np.ndarray:
    """Frequencies up to half the loop rate at which the gain of estimator or loop peaks, Hz."""
    if has_loop(axis):
        # with timed edges the loop depends on the speed: take both ends of the range
        ends = [0.0] if axis.estimator.linear else [max(low, axis.resolution * SLOWEST_EDGES), high]
        return np.unique(np.concatenate([_loop_peaks(loops.build(axis, speed)) for speed in ends]))
    return np.array(_estimator_peaks(cause_models.resolved(axis), axis.sampling.rate))


def _loop_peaks(loop: Loop) -> np.ndarray:
    frequency = _frequencies(loop.rate)
    response = loop.response(frequency)
    peaks = [_peaks(frequency, np.abs(getattr(response, curve))) for curve in CURVES]
    return np.unique(np.concatenate(peaks))


@lru_cache(maxsize=1024)
def _estimator_peaks(estimator: Any, rate: float) -> tuple[float, ...]:
    frequency = _frequencies(rate)
    return tuple(_peaks(frequency, np.abs(estimator.response(frequency, rate))).tolist())


def _frequencies(rate: float) -> np.ndarray:
    """From a millionth of the loop rate to half of it, logarithmic and linear spacing together."""
    low = np.geomspace(1e-6 * rate, 0.5 * rate, RESPONSE_POINTS)
    return np.unique(np.concatenate([low, np.linspace(0.0, 0.5 * rate, RESPONSE_POINTS)[1:-1]]))


def _local_maxima(values: np.ndarray) -> np.ndarray:
    """Places of the local maxima, the ends among them."""
    padded = np.concatenate([[-1.0], values, [-1.0]])
    return np.flatnonzero((values >= padded[:-2]) & (values > padded[2:]))


def _peaks(frequency: np.ndarray, gain: np.ndarray) -> np.ndarray:
    """The frequencies of the largest local maxima."""
    tops = _local_maxima(gain)
    # a difference over many samples has many equal peaks: those of the lowest frequencies come first
    height = np.round(gain[tops] / max(gain.max(), 1e-300), 3)
    return frequency[tops[np.argsort(-height, kind="stable")[:PEAKS]]]


def _refined_speeds(speed: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Speeds between the largest local maxima of a share and their neighbours."""
    tops = _local_maxima(share)
    new = [np.zeros(0)]
    for top in tops[np.argsort(-share[tops], kind="stable")[:PLACES]]:
        for other in (top - 1, top + 1):
            if 0 <= other < speed.size and min(speed[top], speed[other]) > 0.0:
                new.append(np.geomspace(speed[top], speed[other], NEW_SPEEDS + 2)[1:-1])
    return np.concatenate(new)


def _open_loop_ripple(axis: Axis, speeds: np.ndarray) -> CurveParts:
    curve = ripple(axis, speeds)
    return {"measured": curve.rms}, {"measured": curve.parts}, curve.reasons


def _closed_loop_ripple(axis: Axis, speeds: np.ndarray) -> CurveParts:
    loop_ripple = smoothness(axis, speeds)
    rms = {name: getattr(loop_ripple, name) for name in CURVES}
    if not (loop_ripple.stable or loop_ripple.parts["measured"]):
        # without encoder error the computed ripple of an unstable loop would be 0; that of a machine grows
        rms = {name: np.full(speeds.shape, np.inf) for name in CURVES}
    return rms, loop_ripple.parts, loop_ripple.reasons
