"""Many axes of one design: the band of their ripple at each speed, how many pass, which tolerance to tighten."""

from __future__ import annotations

import os
from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from ..checks import seed_from
from ..decisions import ripple_summary
from ..decisions.requirements import Requirement
from ..model.axis import Axis, axis_fault
from ..open_loop.closed_form import checked_speeds
from ..progress import ProgressTo, executor_faults, teller
from ..results import AXIS_EXAMPLE, Series, measured_in, picture, recorded
from . import description, statistics
from .samples import Job
from .scheduler import SampleScheduler

if TYPE_CHECKING:
    from ..model.distributions import Distribution


MOST_SAMPLES = 10_000_000
# Samples times speeds, 8 bytes each: all are held, since quantiles need them.
MOST_VALUES = 1 << 25


@dataclass(frozen=True, eq=False, kw_only=True)
class Tolerance(Series):
    """Ripple of many axes drawn around one, and how many of them meet a requirement.

    Attributes
    ----------
    speed : ndarray
        Speeds as given, m/s or rad/s; the arrays below have its shape.
    median, low, high : ndarray
        Measured ripple, rms: of half of the axes it is below the median, of 2.5 % below low, of 97.5 % below high.
        Of the closed loop where the axis has one, see ``basis``.
    limit : ndarray or None
        Measured ripple allowed by the requirement, infinite where it asks for nothing.
    yield_by_speed : ndarray or None
        Share of the axes that meet this limit at each speed.
    yield_fraction : float or None
        Share of the axes that meet the requirement at every speed; None without one.
    yield_interval : (float, float) or None
        Holds the share of all axes of this design in 95 of 100 cases (95 % confidence interval).
    yield_by_limit : dict of str to float
        Share of the axes that meet each limit of the requirement.
    sensitivity : dict of str to float
        Share of the variance that each key of the spread makes alone, largest first: of the logarithm of the
        worst share of the limits, or without a requirement of the ripple at all speeds.
    halved : dict of str to float
        Yield if this key alone varied half as widely; empty without a requirement.
    tighten : str or None
        The key of these whose halving lets most axes pass, if the samples tell that from chance; without a
        requirement that of the largest sensitivity.
    samples : int
        Axes drawn.
    refused : int
        Draws beside them that were impossible axes and were drawn anew.
    seed : int
    basis : {"ripple", "smoothness"}
        What measured ripple is: in steady motion, or of the closed loop where the axis has one.
    deviation : ndarray
        How far the quick form is off at each speed, relative: the largest of five samples, after all samples were
        scaled by the median of what these five are off.
    doubtful : ndarray of bool
        Where the numbers are not reliable; ``reasons`` says why.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> found = encsim.tolerance(axis, {"signal.gain": encsim.Normal(0.006)}, [0.01, 0.1], samples=20)
    >>> found.samples, found.seed
    (20, 0)
    """

    speed: np.ndarray = field(metadata=measured_in("position/s"))
    median: np.ndarray = field(metadata=measured_in("position/s"))
    low: np.ndarray = field(metadata=measured_in("position/s"))
    high: np.ndarray = field(metadata=measured_in("position/s"))
    limit: np.ndarray | None = field(metadata=measured_in("position/s"))
    yield_by_speed: np.ndarray | None = field(metadata=measured_in("1"))
    yield_fraction: float | None = field(metadata=measured_in("1"))
    yield_interval: tuple[float, float] | None = field(metadata=measured_in("1"))
    yield_by_limit: dict[str, float] = field(metadata=measured_in("1"))
    sensitivity: dict[str, float] = field(metadata=measured_in("1"))
    halved: dict[str, float] = field(metadata=measured_in("1"))
    tighten: str | None
    samples: int
    refused: int
    seed: int
    basis: str
    deviation: np.ndarray = field(metadata=measured_in("1"))
    doubtful: np.ndarray = field(metadata=measured_in("1"))
    valid: bool
    reasons: tuple[str, ...]
    axis: Axis = field(metadata={"plain": False})
    spread: dict[str, Distribution] = field(metadata={"plain": False})

    def to_dict(self) -> dict[str, Any]:
        """The result as plain values, with the spread: {key: {kind: width, "per_kelvin": coefficient}}.

        Returns
        -------
        dict
        """
        spread = {
            key: {one.kind: one.width, "per_kelvin": one.per_kelvin} for key, one in self.spread.items()
        }
        return super().to_dict() | {"spread": spread}

    def sample(self, number: int) -> Axis:
        """One of the axes.

        Parameters
        ----------
        number : int
            From 0 on.

        Returns
        -------
        Axis
            ``ripple`` and ``smoothness`` tell more about it.
        """
        if not checks.is_whole(number) or not 0 <= number < self.samples:
            checks.refuse("sample.number", f"be a whole number from 0 to {self.samples - 1}", number)
        return next(description.Sampler(self.axis, self.spread, self.seed).draw(number, 1))[0]

    plot = picture(
        "figures.tolerance:tolerance",
        "Draw the band of ripple, as a share of the speed, against speed, and how many axes meet "
        "the requirement at each.",
        alone="Takes the band alone",
        example=AXIS_EXAMPLE + 'spread = {"signal.gain": encsim.Normal(0.01)}\n'
        "ax = encsim.tolerance(axis, spread, [0.01, 0.1], samples=20).plot()",
    )


@recorded
def tolerance(
    axis: Axis,
    spread: Mapping[str, Distribution],
    speeds: list[float] | np.ndarray | tuple[float, ...],
    samples: int = 1000,
    seed: int | None = None,
    requirement: Requirement | None = None,
    executor: int | None = None,
    resume: str | None = None,
    *,
    rng: np.random.Generator | None = None,
    progress: ProgressTo = None,
) -> Tolerance:
    """Ripple of many axes whose parts differ, and the share of them that meets a requirement.

    Parameters
    ----------
    axis : Axis
        Its own values are the middle.
    spread : mapping of str to Normal, Uniform or Triangular
        What differs from axis to axis, {"signal.gain": Normal(0.01)}: keys as in an axis file, one order as
        ``signal.sde.1``, its phase as ``signal.sde.1.phase``, one channel of the offset as ``signal.offset.0``.
        All differ independently. ``temperature`` is a deviation in kelvins that each axis has in all its parts
        at once: every distribution's ``per_kelvin`` times it is added.
    speeds : array_like
        Speeds v, m/s or rad/s, one dimension or a single one; the sign is ignored.
    samples : int
        Axes to draw, 2 to 10 000 000; samples times speeds at most 33 554 432.
    seed : int, optional
        Seed of the random numbers; 0 where neither it nor ``rng`` is given. Sample number i is the same axis for any
        number of samples, executor or resumption.
    requirement : Requirement, optional
        What must be met, ripple at each of the speeds in its range. A limit on the phase margin takes some 20 ms
        a sample, one on the top speed with a bandwidth or skew 15 ms.
    executor : concurrent.futures.Executor or int, optional
        Computes the samples; the numbers are the same, bit for bit, with any of them. A number: that many new
        processes, 1 for none. Left out: one a CPU where the job is long enough.
    resume : str or path-like, optional
        File that keeps finished samples, also of a run that was interrupted; the same call goes on from there,
        with more samples too.
    rng : numpy.random.Generator, optional
        Draws the seed, which stands in the result, in the place of ``seed``.
    progress : callable or True, optional
        ``progress(done, total)`` is called in this thread, with samples; True tells on stderr.

    Returns
    -------
    Tolerance

    Raises
    ------
    InputError
        If an argument is wrong, the spread does not fit the axis or makes four impossible axes of five, or the
        file belongs to another job.
    WorkersLost
        If workers fail twice; with ``resume`` what is done is kept.

    Notes
    -----
    Each sample is computed in closed form, wherever counts are at least 40 a period in the quick one: 1 to 2 ms
    for 100 speeds by a difference, 5 to 10 ms by other estimators and of a closed loop. ``deviation`` compares it
    with :func:`ripple` or :func:`smoothness`. Draws that are impossible axes (jitter below zero) are drawn anew
    and counted, which cuts the distributions off there. Ripple of torque and actual velocity stays as the quick form
    has it, some per cent off at slow speeds with a converter. The yield with one distribution half as wide is taken
    from the same samples, each weighted by the ratio of the densities.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> found = encsim.tolerance(axis, {"signal.gain": encsim.Normal(0.006)}, [0.01, 0.1], samples=20)
    >>> found.median.shape
    (2,)
    """
    seed = seed_from("tolerance", seed, rng)
    faults = [*_described(axis, spread, requirement), *_asked(samples, seed, executor, resume)]
    if faults:
        raise checks.InputError(*faults)
    speed = np.abs(_speeds(speeds, axis, samples))
    job = Job(axis, dict(spread), speed, int(seed), requirement)
    _check_requirement(job)
    job.sampler.look()
    tell = teller("tolerance", progress, "axes")
    batch = SampleScheduler(job, int(samples), resume, tell).run(executor)
    return Tolerance(
        speed=job.speeds,
        **statistics.summary(job, batch),
        samples=int(samples),
        refused=int(batch.refused.sum()),
        seed=job.seed,
        basis="smoothness" if ripple_summary.has_loop(axis) else "ripple",
        axis=axis,
        spread=job.spread,
    )


def _described(
    axis: Axis, spread: Mapping[str, Distribution], requirement: Requirement | None
) -> list[checks.Fault]:
    """Faults of axis, spread and requirement."""
    if not isinstance(axis, Axis):
        return [axis_fault("tolerance.axis", axis)]
    faults: list[checks.Fault] = []
    try:
        description.check(axis, spread)
    except checks.InputError as error:
        faults += error.faults
    if not (requirement is None or isinstance(requirement, Requirement)):
        faults.append(checks.Fault("tolerance.requirement", "be a Requirement", requirement))
    return faults


def _asked(
    samples: int, seed: int, executor: Executor | int | None, resume: str | os.PathLike[str] | None
) -> list[checks.Fault]:
    """Faults of samples, seed, executor and resume."""
    faults = [
        checks.Fault(f"tolerance.{name}", f"be a whole number from {low} to {high}", value)
        for name, value, low, high in (("samples", samples, 2, MOST_SAMPLES), ("seed", seed, 0, 2**64 - 1))
        if not checks.is_whole(value) or not low <= value <= high
    ]
    faults += executor_faults("tolerance", executor)
    if not (resume is None or isinstance(resume, (str, os.PathLike))):
        faults.append(checks.Fault("tolerance.resume", "be a path", resume))
    return faults


def _speeds(speeds: list[float] | np.ndarray | tuple[float, ...], axis: Axis, samples: int) -> np.ndarray:
    """Speeds as a flat array, checked against the memory of all samples."""
    flat = checked_speeds("tolerance.speeds", speeds, axis.scale.unit)
    if flat.ndim > 1:
        checks.refuse("tolerance.speeds", "have one dimension", flat.shape)
    if flat.size * samples > MOST_VALUES:
        rule = f"make at most {MOST_VALUES} values with the {flat.size} speeds, all of which are kept"
        checks.refuse("tolerance.samples", rule, samples)
    return flat.ravel()


def _check_requirement(job: Job) -> None:
    """Raise for a requirement that does not apply to the axis, or to none of the speeds."""
    if job.requirement is None:
        return
    job.requirement.check(job.axis)
    if not job.within.any():
        low, high = job.requirement.speeds
        rule = f"lie in the requirement's range, {low:.6g} to {high:.6g}, at least one of them"
        checks.refuse("tolerance.speeds", rule, float(job.speeds[0]), f"{job.axis.scale.unit}/s")
