"""A ripple curve as it is drawn: sorted, parts summed up by role, units and ranges chosen."""

from dataclasses import dataclass

import numpy as np

from ._plot_numbers import SHARE, axis_unit

ROLES = {
    "sde": "cyclic", "ring": "cyclic", "adc": "counts", "resolution": "counts", "jitter": "noise",
    "noise": "noise", "clock": "noise",
}  # fmt: skip
NAMES = {
    "cyclic": "cyclic error",
    "counts": "counts (resolution)",
    "noise": "noise",
    "muted": "age of the reading",
}
# Up to so many speeds are shown as dots: a line through few points would claim what lies between.
FEW = 12


@dataclass(frozen=True, eq=False)
class View:
    """A curve as it is drawn: moving speeds only, ascending, one part a role, SI numbers."""

    curve: object
    speed: np.ndarray
    rms: np.ndarray
    parts: dict
    regime: np.ndarray
    doubtful: np.ndarray
    standstill: tuple | None
    limit: tuple | None
    ring_speed: np.ndarray
    ring_rms: np.ndarray

    @property
    def unit(self):
        """Unit of speeds, SI."""
        return f"{self.curve.axis.scale.unit}/s"

    @property
    def few(self):
        """Whether single speeds are marked."""
        return len(self.speed) <= FEW

    @property
    def allowed(self):
        """Ripple allowed at each speed, None without a limit."""
        return None if self.limit is None else np.maximum(self.limit[0] * self.speed, self.limit[1])

    @property
    def sound(self):
        """Speeds that findings are drawn from: those not in doubt, or all where all are."""
        return ~self.doubtful if not np.all(self.doubtful) else np.ones_like(self.doubtful)

    @property
    def vanishing(self):
        """(speed, harmonics) of the speeds in range at which lines vanish, ascending."""
        low, high = range_of_speeds(self)
        return sorted((speed, tuple(lines)) for speed, lines in self.curve.vanishing if low <= speed <= high)


def view_of(curve, limit=None, simulated=None):
    """Sort and sum up a curve for drawing."""
    speed = np.abs(np.asarray(curve.speed, dtype=float)).ravel()
    order = np.unique(speed, return_index=True)[1]
    order, still = order[speed[order] > 0.0], np.flatnonzero(speed == 0.0)[:1]
    rms, every = finite(curve.rms), parts_by_role(curve.parts)
    return View(
        curve,
        speed[order],
        rms[order],
        {role: part[order] for role, part in every.items() if np.any(part[order] > 0.0)},
        np.asarray(curve.regime).ravel()[order],
        np.asarray(curve.doubtful, dtype=bool).ravel()[order],
        (rms[still[0]], {role: part[still[0]] for role, part in every.items()}) if len(still) else None,
        limit,
        *_rings(simulated),
    )


def _rings(simulated):
    """Simulated speeds and ripple, those that a log panel can show."""
    if simulated is None:
        return np.zeros(0), np.zeros(0)
    speed, rms = (np.abs(np.asarray(simulated[key], dtype=float)).ravel() for key in ("speed", "rms"))
    shown = np.isfinite(speed) & np.isfinite(rms) & (speed > 0.0) & (rms > 0.0)
    return speed[shown], rms[shown]


def parts_by_role(parts):
    """Parts of one role added up, in the order of their names."""
    squares = {}
    for cause, part in parts.items():
        role = ROLES.get(cause, "muted")
        squares[role] = squares.get(role, 0.0) + finite(part) ** 2
    return {role: np.sqrt(squares[role]) for role in NAMES if role in squares}


def finite(values):
    """Flat floats, zero for what is not finite."""
    return np.nan_to_num(np.asarray(values, dtype=float).ravel(), posinf=0.0)


@dataclass(frozen=True)
class Frame:
    """Scales of one panel: units of speed and ripple, or the share of the speed in per cent."""

    speed_unit: tuple
    ripple_unit: tuple | None

    def x(self, speed):
        """Abscissas of speeds."""
        return speed / self.speed_unit[1]

    def y(self, rms, speed):
        """Ordinates of ripple at these speeds."""
        return rms / speed / SHARE if self.ripple_unit is None else rms / self.ripple_unit[1]


def frame_of(view, below="", head=""):
    """Units of a panel; labels of axes that are drawn into again keep theirs."""
    largest = view.rms.max(initial=0.0)
    speed = axis_unit(view.speed.max(initial=0.0), view.unit, below)
    # The speed's unit serves both where the ripple is not tiny in it.
    shared = largest >= 0.1 * speed[1] and not head
    return Frame(speed, speed if shared else axis_unit(largest, view.unit, head))


def range_of_speeds(view):
    """Horizontal range, SI: the speeds, with room at both sides where they are few."""
    if not len(view.speed):
        return 0.1, 10.0
    low, high = view.speed[0], view.speed[-1]
    room = 1.0 if not view.few and high > 1.05 * low else max((high / low) ** 0.08, 1.25)
    return low / room, high * room


def range_of_values(total, parts, most):
    """Vertical range of a log panel: all of the total, a decade below it, but not every notch of a part."""
    shown = total[total > 0.0]
    high = shown.max()
    usual = max(np.quantile(shown, 0.02), high * 1e-5)
    lowest = min([part[part > 0.0].min() for part in parts], default=usual)
    return min(max(usual / 10.0, min(lowest, usual) / 1.6), usual / 2.0), high * most


def edges_of(view):
    """Borders between the speeds, half way on the log scale, and the ends of the range."""
    low, high = range_of_speeds(view)
    return np.concatenate([[low], np.sqrt(view.speed[1:] * view.speed[:-1]), [high]])


def runs(values):
    """First and last index of each run of equal values."""
    starts = [0, *(np.flatnonzero(values[1:] != values[:-1]) + 1)] if len(values) else []
    return list(zip(starts, [*(start - 1 for start in starts[1:]), len(values) - 1], strict=False))
