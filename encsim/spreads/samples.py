"""One axis out of many: its ripple in the fast form, and its shares of the limits of a requirement.

The unit of work of `tolerance`: plain arguments in, arrays out, so that any process can do it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from ..decisions import fast_ripple
from ..open_loop import limits
from .description import Sampler

if TYPE_CHECKING:
    from ..decisions.requirements import Requirement
    from ..model.axis import Axis
    from ..model.distributions import Distribution


# Limits at each speed other than those on measured ripple, which is kept at every speed and compared at the end.
CURVES = ("torque", "actual")
# A value equal to its limit meets it, despite rounding.
EXACTLY = 1.0 + 1e-9


@dataclass(frozen=True, eq=False)
class Job:
    """Everything that a sample depends on.

    Attributes
    ----------
    axis : Axis
    spread : dict of str to Normal, Uniform or Triangular
    speeds : ndarray, shape (m,)
        Not negative, m/s or rad/s.
    seed : int
    requirement : Requirement or None
    """

    axis: Axis
    spread: dict[str, Distribution]
    speeds: np.ndarray
    seed: int
    requirement: Requirement | None = None

    @cached_property
    def sampler(self) -> Sampler:
        """Draws the axes."""
        return Sampler(self.axis, self.spread, self.seed)

    @cached_property
    def within(self) -> np.ndarray:
        """Speeds at which the requirement's limits hold, bool, shape (m,)."""
        if self.requirement is None:
            return np.zeros(self.speeds.shape, dtype=bool)
        low, high = self.requirement.speeds
        return (self.speeds >= low / EXACTLY) & (self.speeds <= high * EXACTLY)

    @cached_property
    def limits(self) -> tuple[str, ...]:
        """Names of the limits in a batch's shares."""
        if self.requirement is None:
            return ()
        curves = [name for name in CURVES if getattr(self.requirement, name) is not None]
        return (*curves, *(check.name for check in self.requirement.steady(self.axis)))


@dataclass(frozen=True, eq=False)
class Batch:
    """Results of consecutive samples.

    Attributes
    ----------
    rms : ndarray, shape (n, m)
        Measured ripple at each speed, m/s or rad/s.
    refused : ndarray of int, shape (n,)
        Draws that were impossible axes before each sample.
    doubtful : ndarray of bool, shape (n,)
        Samples whose channels do not enclose zero, or are clipped.
    shares : ndarray, shape (n, k)
        Largest share of each of the job's limits; above 1 it is missed.
    """

    rms: np.ndarray
    refused: np.ndarray
    doubtful: np.ndarray
    shares: np.ndarray

    @classmethod
    def empty(cls, count: int, job: Job) -> Batch:
        """Arrays for this number of samples."""
        return cls(
            rms=np.full((count, job.speeds.size), np.nan),
            refused=np.zeros(count, dtype=np.int64),
            doubtful=np.zeros(count, dtype=bool),
            shares=np.full((count, len(job.limits)), np.nan),
        )

    def put(self, first: int, other: Batch) -> None:
        """Take the samples of another batch from ``first`` on."""
        there = slice(first, first + len(other.refused))
        for name in ("rms", "refused", "doubtful", "shares"):
            getattr(self, name)[there] = getattr(other, name)


def batch(job: Job, first: int, count: int) -> Batch:
    """Compute samples ``first`` to ``first + count - 1``."""
    batch = Batch.empty(count, job)
    for index, (axis, refused) in enumerate(job.sampler.draw(first, count)):
        quick = fast_ripple.curves(axis, job.speeds)
        batch.rms[index], batch.refused[index] = quick.rms["measured"], refused
        batch.doubtful[index] = not quick.sound or limits.clips(axis)
        batch.shares[index] = _shares(axis, quick.rms, job)
    return batch


def _shares(axis: Axis, rms: dict[str, np.ndarray], job: Job) -> list[float]:
    """Shares of one axis in the job's limits, in their order."""
    requirement = job.requirement
    if requirement is None:
        return []
    steady = {check.name: check.share for check in requirement.steady(axis)}
    return [
        steady[name] if name in steady else rms[name][job.within].max() / getattr(requirement, name)
        for name in job.limits
    ]
