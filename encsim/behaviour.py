"""What an axis does at some speeds, its loop closed where it can be: three curves, their causes, doubts."""

from dataclasses import dataclass

import numpy as np

from .closed_form import ripple
from .edge_filter import SLOWEST_EDGES
from .smooth_running import smoothness

CURVES = ("measured", "torque", "actual")
OPENED = "the loop is unstable: the values are those of the encoder and the estimator alone"
BLIND = (
    "less than one count a second: timed edges say nothing of the velocity, and the values are those of the encoder "
    "and the estimator alone"
)


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Behaviour:
    """Ripple of an axis at some speeds.

    Attributes
    ----------
    speed : ndarray, shape (n,)
        m/s or rad/s.
    curves : dict of str to ndarray or None
        rms of ``measured``, ``torque`` and ``actual``; the last two None where no loop is closed.
    parts : dict of str to dict of str to ndarray
        {curve: {cause: rms}} of the curves there are.
    doubtful : ndarray of bool, shape (n,)
    reasons : tuple of str
    stable : bool
        False where the axis has a loop that swings by itself; the values are then those of the open chain.
    crossover : float
        Highest frequency at which the loop gain is 1, Hz; NaN where no loop is closed.
    """

    speed: np.ndarray
    curves: dict
    parts: dict
    doubtful: np.ndarray
    reasons: tuple[str, ...]
    stable: bool = True
    crossover: float = np.nan

    @property
    def closed(self):
        """Whether the values are those of a closed loop."""
        return self.curves["torque"] is not None

    def at(self, place=0):
        """Values at one of the speeds, {curve: float or None}."""
        return {name: None if row is None else float(row[place]) for name, row in self.curves.items()}

    def shares(self, curve="measured", place=0):
        """Share of each cause in the mean square of a curve at one of the speeds; nothing where there is no ripple."""
        squares = {cause: float(row[place]) ** 2 for cause, row in self.parts[curve].items()}
        total = sum(squares.values())
        return {cause: square / total for cause, square in squares.items()} if total > 0.0 else {}


def closes(axis, speed):
    """Whether the loop of an axis can be closed and answered in closed form at a speed.

    Parameters
    ----------
    axis : Axis
    speed : float
        m/s or rad/s; matters to an estimator that times edges.

    Returns
    -------
    bool
    """
    if axis.load is None or axis.control is None:
        return False
    return axis.estimator.linear or abs(speed) >= SLOWEST_EDGES * axis.resolution


def behave(axis, speeds):
    """Ripple of an axis at some speeds.

    Parameters
    ----------
    axis : Axis
    speeds : array_like, shape (n,)
        m/s or rad/s.

    Returns
    -------
    Behaviour

    Raises
    ------
    InputError
        If a speed is no finite number, or a filter does not fit the loop rate.
    """
    if not closes(axis, np.abs(speeds).min(initial=np.inf)):
        looped = axis.load is not None and axis.control is not None
        return _opened(axis, speeds, BLIND if looped else None)
    found = smoothness(axis, speeds)
    if not found.stable:
        return _opened(axis, speeds, OPENED, stable=False)
    return Behaviour(
        speed=found.speed,
        curves={name: getattr(found, name) for name in CURVES},
        parts={name: found.parts[name] for name in CURVES},
        doubtful=found.doubtful,
        reasons=found.reasons,
        crossover=found.crossover,
    )


def _opened(axis, speeds, reason, stable=True):
    """Ripple of encoder and estimator alone."""
    found = ripple(axis, speeds)
    return Behaviour(
        speed=found.speed,
        curves={"measured": found.rms, "torque": None, "actual": None},
        parts={"measured": found.parts},
        doubtful=found.doubtful if stable else np.ones_like(found.doubtful),
        reasons=found.reasons if reason is None else (*found.reasons, reason),
        stable=stable,
    )
