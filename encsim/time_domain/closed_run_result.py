"""Results of runs of the closed loop in the time domain: one run with its samples, or ripple at many speeds."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, ClassVar

from ..results import LOOP_EXAMPLE, Result, Series, measured_in, picture

if TYPE_CHECKING:
    import numpy as np

    from ..model.axis import Axis


@dataclass(frozen=True, eq=False, kw_only=True)
class Run(Series):
    """One run of the closed loop.

    Attributes
    ----------
    time : ndarray, shape (n,)
        Time of the samples, s.
    position : ndarray
        Position the controller reads, m or rad, as in a :class:`Trace`.
    true_position, velocity : ndarray
        True position and velocity of the load at the samples.
    measured : ndarray
        Velocity the controller computes.
    torque : ndarray
        Torque command, limited, N m or N.
    demand : ndarray
        Demanded velocity.
    following_error : ndarray
        Demanded position minus true position of the load, m or rad.
    rms : dict of str to float
        Root of the mean square about the mean, settling left out: ``measured``, ``torque``, ``actual`` (of the axis),
        ``position`` (true), and ``current`` where the torque constant is known; for a profile velocities and position
        minus the demand.
    settle : int
        Samples at the start that rms leaves out.
    sticking : float
        Share of the time in which dry friction holds the load where it should move.
    stopped : (float, str) or None
        Time at which a diverging run was stopped, and why; the samples until then are kept.
    seed, speed, axis
        The arguments of the run; for a profile its first speed.
    valid : bool
    reasons : tuple of str
        Why the run does not show a working axis, if it does not.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x_loop.toml")
    >>> found = encsim.run(axis, 0.01, 0.2, seed=1)
    >>> found.seed
    1
    """

    part_units: ClassVar[dict[str, str]] = {"actual": "position/s", "current": "A"}

    time: np.ndarray = field(metadata=measured_in("s"))
    position: np.ndarray = field(metadata=measured_in("position"))
    true_position: np.ndarray = field(metadata=measured_in("position"))
    velocity: np.ndarray = field(metadata=measured_in("position/s"))
    measured: np.ndarray = field(metadata=measured_in("position/s"))
    torque: np.ndarray = field(metadata=measured_in("force"))
    demand: np.ndarray = field(metadata=measured_in("position/s"))
    following_error: np.ndarray = field(metadata=measured_in("position"))
    rms: dict[str, float]
    settle: int
    sticking: float
    stopped: tuple[float, str] | None
    seed: int
    speed: float = field(metadata=measured_in("position/s"))
    valid: bool
    reasons: tuple[str, ...]
    axis: Axis = field(repr=False, metadata={"plain": False})

    plot = picture(
        "figures.loop:closed_run",
        "Draw measured and actual velocity, and torque (N m) or force (N), against time.",
        alone="Takes the velocities alone",
        example=LOOP_EXAMPLE + "ax = encsim.run(axis, 0.01, 0.05).plot()",
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class Runs(Result):
    """Results of closed-loop runs at many speeds.

    Attributes
    ----------
    speed : ndarray, shape (n,)
    rms : dict of str to ndarray, shape (n,)
        As of a :class:`Run`; NaN where a run stopped before it had settled.
    settle : int
    stopped : tuple of (float, str) or None, one per speed
    seed : int
        The run at speed number i has the seed ``seed + i``.
    samples : int
    valid : bool
    reasons : tuple of str

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x_loop.toml")
    >>> found = encsim.runs(axis, [0.01, 0.1], 0.2, seed=1)
    >>> found.samples
    3200
    """

    part_units: ClassVar[dict[str, str]] = {
        "measured": "position/s",
        "actual": "position/s",
        "position": "position",
        "torque": "force",
        "current": "A",
    }

    speed: np.ndarray = field(metadata=measured_in("position/s"))
    rms: dict[str, np.ndarray]
    settle: int
    stopped: tuple[tuple[float, str] | None, ...]
    seed: int
    samples: int
    valid: bool
    reasons: tuple[str, ...]
    axis: Axis = field(repr=False, metadata={"plain": False})
