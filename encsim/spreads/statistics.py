"""Statistics of many samples: band of their ripple, yield, influence of each spread, deviation of the fast form."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..closed_loop.closed_loop_ripple import Smoothness, smoothness
from ..decisions import ripple_summary
from ..doubts import Doubt
from ..model.distributions import places
from ..open_loop.closed_form import ripple
from .samples import EXACTLY

if TYPE_CHECKING:
    from .samples import Batch, Job


BAND = (0.025, 0.5, 0.975)
FEW_SAMPLES = 100
# CHECKED samples are computed again in the full form. A deviation above CLOSE is reported: a smaller one is small
# beside the uncertainty of a band of a thousand samples.
CHECKED, CLOSE = 5, 0.05
# Ripple below this share of the largest is rounding, at sampling nulls.
NOTHING_LEFT = 1e-9


def summary(job: Job, batch: Batch) -> dict[str, Any]:
    """Fields of a result that come from the samples, {name: value}; scales the ripple of the batch."""
    looked = _looked_at(job, batch)
    batch.rms[:] *= looked.pop("scale")
    band = np.array([_quantiles(column) for column in batch.rms.T]).T
    drawn = _places(job, batch.refused)
    told = dict(NO_YIELDS) if job.requirement is None else _yields(job, batch, drawn)
    sensitivity = shares(drawn, _logarithm(told.pop("worst", batch.rms)))
    if job.requirement is None:
        told["tighten"] = next((key for key, share in sensitivity.items() if share > 0.0), None)
    return (
        dict(zip(("low", "median", "high"), band, strict=True)) | told | looked | {"sensitivity": sensitivity}
    )


def _quantiles(values: np.ndarray) -> np.ndarray:
    """The quantiles of the band, linear between samples; infinite values (unstable loops) are the largest."""
    ordered, place = np.sort(values), np.array(BAND) * (values.size - 1)
    below = place.astype(int)
    first, second = ordered[below], ordered[np.minimum(below + 1, values.size - 1)]
    with np.errstate(invalid="ignore"):
        return np.where(first == second, first, first + (place - below) * (second - first))


NO_YIELDS: dict[str, Any] = {
    "limit": None,
    "yield_by_speed": None,
    "yield_fraction": None,
    "yield_interval": None,
    "yield_by_limit": {},
    "halved": {},
    "tighten": None,
}


def _yields(job: Job, batch: Batch, places: dict[str, np.ndarray]) -> dict[str, Any]:
    """Yield in all and by limit, and the worst share of a limit of each sample."""
    limits = _ripple_limits(job)
    limit = np.minimum.reduce([np.full(job.speeds.size, np.inf), *limits.values()])
    by_limit = {name: batch.shares[:, index] <= EXACTLY for index, name in enumerate(job.limits)}
    worst, by_speed = batch.shares.max(axis=1, initial=0.0), np.ones(limit.size)
    for name, allowed in limits.items():
        met = np.ones(len(worst), dtype=bool)
        for index in np.flatnonzero(job.within).tolist():
            share = batch.rms[:, index] / allowed[index]
            met &= share <= EXACTLY
            worst = np.maximum(worst, share)
        by_limit[name] = met
    for index in np.flatnonzero(np.isfinite(limit)).tolist():
        by_speed[index] = (batch.rms[:, index] <= limit[index] * EXACTLY).mean()
    met = np.logical_and.reduce(list(by_limit.values()))
    return {
        "limit": limit,
        "yield_by_speed": by_speed,
        "yield_fraction": float(met.mean()),
        "yield_interval": interval(float(met.mean()), len(met)),
        "yield_by_limit": {name: float(inside.mean()) for name, inside in by_limit.items()},
        **_halved(job, places, met),
        "worst": worst[:, None],
    }


def _ripple_limits(job: Job) -> dict[str, np.ndarray]:
    """Measured ripple that each limit allows at each speed, infinite outside the range, {limit: array}."""
    requirement = job.requirement
    limits: dict[str, np.ndarray] = {}
    if requirement is not None and requirement.measured is not None:
        limits["measured"] = np.full(job.speeds.shape, requirement.measured)
    if requirement is not None and requirement.relative is not None:
        limits["relative"] = np.asarray(requirement.relative_at(job.speeds))
    return {name: np.where(job.within, allowed, np.inf) for name, allowed in limits.items()}


def _logarithm(values: np.ndarray) -> np.ndarray:
    """Logarithm of positive values; others take the nearest logarithm of their column."""
    with np.errstate(divide="ignore"):
        logarithm = np.log(values)
    for column in logarithm.T:
        sound = column[np.isfinite(column)]
        if sound.size < column.size:
            column[:] = np.clip(column, sound.min(), sound.max()) if sound.size else 0.0
    return logarithm


def _places(job: Job, refused: np.ndarray) -> dict[str, np.ndarray]:
    """Places of all samples in each distribution that has a width, {key: array}."""
    wide = [key for key, one in job.spread.items() if one.width]
    drawn = {key: places(job.seed, key, 0, len(refused)) for key in wide}
    for number in np.flatnonzero(refused).tolist():
        for key in wide:
            drawn[key][number] = places(job.seed, key, number, 1, int(refused[number]))[0]
    return drawn


def _halved(job: Job, places: dict[str, np.ndarray], met: np.ndarray) -> dict[str, Any]:
    """Yield with half the spread of one key, for each, and the key that gains most (beyond chance)."""
    halved: dict[str, float] = {}
    best: tuple[float, str | None] = (0.0, None)
    for key, place in places.items():
        halved[key], gain = reweighted(met, job.spread[key].halved_weight(place))
        best = max(best, (gain, key), key=lambda pair: pair[0])
    return {"halved": halved, "tighten": best[1]}


def _looked_at(job: Job, batch: Batch) -> dict[str, Any]:
    """The first samples by the full closed form: scale for all, deviation that is left, validity, reasons."""
    samples, closed = len(batch.refused), ripple_summary.has_loop(job.axis)
    whole = [
        (smoothness if closed else ripple)(axis, job.speeds)
        for axis, _ in job.sampler.draw(0, min(CHECKED, samples))
    ]
    rms = np.array([curve.measured if isinstance(curve, Smoothness) else curve.rms for curve in whole])
    ratio = _ratio(rms, batch.rms[: len(whole)])
    scale = np.median(ratio, axis=0)
    deviation = np.abs(ratio / scale - 1.0).max(axis=0)
    far, lost = deviation > CLOSE, int(np.count_nonzero(batch.doubtful))
    terms = [
        (far.any(), Doubt("fast_form_off", percent=100.0 * deviation.max())),
        (lost, Doubt("axes_without_position", lost=lost, samples=samples)),
        (samples < FEW_SAMPLES, Doubt("few_samples", samples=FEW_SAMPLES)),
    ]
    known = dict.fromkeys(reason for curve in whole for reason in curve.reasons)
    reasons = (*known, *(doubt for applies, doubt in terms if applies))
    doubtful = np.any([far, *(curve.doubtful for curve in whole)], axis=0)
    return {
        "scale": scale,
        "deviation": deviation,
        "doubtful": doubtful,
        "valid": not reasons,
        "reasons": reasons,
    }


def _ratio(whole: np.ndarray, quick: np.ndarray) -> np.ndarray:
    """Ratio of two arrays; 1 where both are infinite, or where rounding is all that is left of both."""
    finite = np.where(np.isfinite(whole), whole, 0.0)
    nothing = NOTHING_LEFT * finite.max(axis=-1, keepdims=True)
    alike = (whole == quick) | ((whole <= nothing) & (quick <= nothing))
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = whole / quick
    return np.where(alike | ~np.isfinite(ratio) | (ratio <= 0.0), 1.0, ratio)


MOST_GROUPS, LEAST_IN_GROUP = 20, 25


def shares(places: dict[str, np.ndarray], values: np.ndarray) -> dict[str, float]:
    """Share of the variance of the values that each cause alone makes."""
    # Var(E(y | cause))/Var(y): samples in up to 20 groups of equal size along the cause; variance between the means of
    # the groups, minus the expected contribution of chance (the adjusted correlation ratio).
    total = float(values.var(axis=0).sum())
    groups = max(2, min(MOST_GROUPS, len(values) // LEAST_IN_GROUP))
    parts = {key: _share(place, values, groups, total) for key, place in places.items()}
    return dict(sorted(parts.items(), key=lambda item: -item[1]))


def _share(place: np.ndarray, values: np.ndarray, groups: int, total: float) -> float:
    """Adjusted correlation ratio of one cause."""
    count = len(values)
    if total <= 0.0 or count <= groups:
        return 0.0
    edges = np.arange(groups) * count // groups
    sizes = np.diff([*edges, count])
    means = np.add.reduceat(values[np.argsort(place, kind="stable")], edges, axis=0) / sizes[:, None]
    between = float((sizes @ (means - values.mean(axis=0)) ** 2).sum()) / count
    ratio = min(between / total, 1.0)
    return max(1.0 - (1.0 - ratio) * (count - 1) / (count - groups), 0.0)


def reweighted(met: np.ndarray, weight: np.ndarray) -> tuple[float, float]:
    """Share of samples that meet the limits under other densities, and the gain, 0 where it may be chance."""
    if not weight.any():
        return float("nan"), 0.0
    now, share = float(met.mean()), float(weight @ met / weight.sum())
    apart = weight / weight.mean() * (met - share) - (met - now)
    gain = share - now
    return share, gain if gain > 2.0 * apart.std() / np.sqrt(met.size) else 0.0


def interval(share: float, count: int) -> tuple[float, float]:
    """Interval that holds the true share in 95 of 100 cases, where ``share`` of ``count`` samples has it."""
    # Score interval: E. B. Wilson, "Probable inference, the law of succession, and statistical inference", Journal of
    # the American Statistical Association 22 (1927), from memory.
    z = 1.959963984540054
    centre = (share + z**2 / (2.0 * count)) / (1.0 + z**2 / count)
    half = z * np.sqrt(share * (1.0 - share) / count + (z / (2.0 * count)) ** 2) / (1.0 + z**2 / count)
    low, high = max(float(centre - half), 0.0), min(float(centre + half), 1.0)
    return (low if share > 0.0 else 0.0), (high if share < 1.0 else 1.0)
