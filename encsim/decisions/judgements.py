"""An axis compared with each limit of a requirement: worst speeds of a range, values, limits, shares.

Ripple against speed is jagged, and an even grid misses its crests.
A harmonic of order k has most effect where its frequency k v/p, aliased at the loop rate, meets a frequency f of a
gain peak of estimator or loop: at v = (n fs +- f) p/k. Quantisation makes harmonics of the order of the counts per
signal period.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from ..closed_loop import loop as loops
from ..closed_loop.closed_loop_ripple import smoothness
from ..closed_loop.timed_edges import SLOWEST_EDGES
from ..model.axis import Axis
from ..open_loop import cause_models
from ..open_loop.closed_form import ripple
from ..results import Result
from ..rings.error_orders import turn_lines
from . import fast_ripple
from .ripple_summary import CURVES, has_loop

if TYPE_CHECKING:
    from ..closed_loop.loop import Loop
    from ..model.axis import Axis
    from .requirements import Requirement


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
        slowest = axis.resolution * SLOWEST_EDGES
        ends = [0.0] if axis.estimator.linear else [max(low, slowest), max(high, slowest)]
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


# Values are sums of many rounded terms: one that exceeds its limit by no more than this share meets it.
ROUNDING = 1e-9
# Units of the limits of a requirement.
LIMIT_UNITS = {
    **dict.fromkeys(("speeds", "measured", "relative", "actual", "top_speed", "floor"), "position/s"),
    "torque": "force",
    "phase_margin": "deg",
    "delay": "s",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class LimitCheck:
    """One limit and the value that is nearest to it.

    Attributes
    ----------
    name : str
        Its name in the requirement.
    limit, value : float
        As in the requirement; for ``relative`` the ripple that is allowed at this speed, and the ripple.
    share : float
        Value over limit, or limit over value where the limit is a lower one: it is met up to 1.
    met : bool
    speed : float
        Speed of the value, m/s or rad/s; NaN where it does not depend on the speed.
    cause : str or None
        Largest cause of a ripple at this speed.
    cause_share : float
        Share of this cause in the mean square.
    """

    name: str
    limit: float
    value: float
    share: float
    met: bool
    speed: float = math.nan
    cause: str | None = None
    cause_share: float = math.nan


@dataclass(frozen=True, eq=False, kw_only=True)
class Judgement(Result):
    """An axis compared with a requirement.

    Attributes
    ----------
    met : bool
        Whether every limit is.
    limits : tuple of LimitCheck
        Each that applies, the highest of ``speeds`` as ``top_speed`` too.
    binding : str
        Name of the limiting criterion: the limit with the largest share.
    worst : float
        That share; above 1 the requirement is missed.
    basis : {"ripple", "smoothness"}
        How measured ripple is computed: in steady motion, or of the closed loop where the axis has one.
    requirement : Requirement

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> wanted = encsim.Requirement(speeds=(1e-3, 0.1), relative=0.02, floor=60e-6)
    >>> wanted.judge(axis).valid
    True
    """

    part_units: ClassVar[dict[str, str]] = LIMIT_UNITS

    met: bool
    limits: tuple[LimitCheck, ...]
    binding: str
    worst: float
    basis: str
    requirement: Requirement
    valid: bool
    reasons: tuple[str, ...]
    axis: Axis = field(metadata={"plain": False})

    # Any: a LimitCheck; callers who ask for the limiting criterion need not ask whether it is there
    def limit(self, name: str) -> Any:
        """The check of one limit, None where it does not apply."""
        return next((each for each in self.limits if each.name == name), None)


def upper(name: str, limit: float, value: float, **at: Any) -> LimitCheck:
    """The check of a limit that a value must not exceed; ``at``: speed and cause of the value."""
    met = value <= limit * (1.0 + ROUNDING)
    return LimitCheck(name=name, limit=limit, value=value, share=value / limit, met=met, **at)


def lower(name: str, limit: float, value: float, speed: float = math.nan) -> LimitCheck:
    """The check of a limit that a value must reach."""
    share = math.inf if value <= 0.0 else limit / value
    met = value >= limit * (1.0 - ROUNDING)
    return LimitCheck(name=name, limit=limit, value=value, share=share, met=met, speed=speed)


def judgement(
    requirement: Requirement, axis: Axis, limits: list[LimitCheck], curves: Curves | None
) -> Judgement:
    """The checks of all limits as one result."""
    binding = max(limits, key=lambda each: (not each.met, each.share))
    reasons = () if curves is None else curves.reasons
    return Judgement(
        met=all(each.met for each in limits),
        limits=tuple(limits),
        binding=binding.name,
        worst=binding.share,
        basis="smoothness" if has_loop(axis) else "ripple",
        requirement=requirement,
        valid=not reasons,
        reasons=reasons,
        axis=axis,
    )
