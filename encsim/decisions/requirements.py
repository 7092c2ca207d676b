"""Requirements on an axis over a range of speeds, and their check."""

from __future__ import annotations

import math
from dataclasses import Field, dataclass, field, fields
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks, units
from ..checks import NOTHING
from ..closed_loop import timed_edge_loops
from ..closed_loop.stability import margins
from ..formats import toml_text
from ..formats.sections import Section
from ..model.bounds import SPEEDS, check_speed
from ..model.delays import velocity_delay
from ..open_loop.limits import top_speed
from ..result_views import Described
from . import judgements
from .judgements import Judgement as Judgement
from .judgements import LimitCheck, judgement, lower, upper
from .ripple_summary import CURVES

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from numpy.typing import ArrayLike

    from ..checks import Check
    from ..closed_loop.stability import Margins
    from ..model.axis import Axis
    from .judgements import Curves


SECTION = "requirement"
RIPPLES = ("measured", "relative", "torque", "actual")
LOOP_LIMITS = ("torque", "actual", "phase_margin")
MOST_POINTS = 100_000


def _limit(dimension: str | None = None) -> Any:
    """A limit that may be left out; its text in a file carries a unit of this dimension."""
    return field(default=None, metadata={"dimension": dimension})


@dataclass(frozen=True, kw_only=True, slots=True)
class Requirement(Described):
    """Limits of an axis over a range of speeds; a value equal to its limit meets it.

    Parameters
    ----------
    speeds : tuple of 2 floats
        Lowest and highest speed, m/s or rad/s; the axis must be able to run at the highest.
    measured : float, optional
        Largest velocity ripple that the controller may measure, rms, m/s or rad/s.
    torque : float, optional
        Largest ripple of the commanded torque or force, rms, N m or N; needs load and control.
    actual : float, optional
        Largest ripple of the actual velocity of the load, rms, m/s or rad/s; needs load and control.
    relative : float, optional
        Largest measured ripple as a share of the speed.
    top_speed : float, optional
        Speed up to which the position must be correct, m/s or rad/s; the highest of ``speeds`` if left out.
    phase_margin : float, optional
        Least phase margin, deg; needs load and control. With period measurement: at all of ``speeds``.
    delay : float, optional
        Longest delay from the true motion to the velocity in use, s.
    floor : float, optional
        Least measured ripple, rms, that ``relative`` allows at low speed, m/s or rad/s.

    Raises
    ------
    InputError
        If a number is out of range, the limits contradict each other, or there is none.

    Examples
    --------
    >>> import encsim
    >>> wanted = encsim.Requirement(speeds=(1e-3, 0.1), relative=0.02, floor=60e-6)
    >>> wanted.speeds
    (0.001, 0.1)
    """

    speeds: tuple[float, float] = field(metadata={"dimension": "speed"})
    measured: float | None = _limit("speed")
    torque: float | None = _limit("torque")
    actual: float | None = _limit("speed")
    relative: float | None = _limit()
    top_speed: float | None = _limit("speed")
    phase_margin: float | None = _limit("angle")
    delay: float | None = _limit("time")
    floor: float | None = _limit("speed")

    def __post_init__(self) -> None:
        check = checks.Check(self)
        for name, unit in _UNITS.items():
            check.positive(name, unit, optional=True)
        margin = "lie above 0 and at most 180"
        check.number("phase_margin", margin, "deg", low=0.0, high=180.0, open_low=True, optional=True)
        self._check_speeds(check)
        if not check.faults:
            self._check_combination(check)
        check.done()

    def _check_speeds(self, check: Check) -> None:
        pair = units.speeds_as_numbers(self.speeds)
        if not isinstance(pair, (tuple, list)) or len(pair) != 2 or not all(checks.is_real(v) for v in pair):
            check.fault("speeds", "be two finite speeds, lowest and highest", pair)
        elif not 0.0 <= pair[0] <= pair[1] or pair[1] == 0.0:
            check.fault("speeds", "rise from zero or more to a highest above zero", pair)
        elif pair[1] > SPEEDS[1]:
            check.fault("speeds", f"stay up to {SPEEDS[1]:g}", pair[1], "m/s or rad/s")
        else:
            check.store("speeds", (float(pair[0]), float(pair[1])))

    def _check_combination(self, check: Check) -> None:
        given = [name for name in LIMITS if getattr(self, name) is not None]
        if not given:
            check.fault(
                "measured", f"be given, or another limit ({', '.join(LIMITS[1:])}): there is none", None
            )
        if self.top_speed is not None and self.top_speed < self.speeds[1]:
            highest = f"be at least the highest of speeds, {self.speeds[1]:.6g} m/s or rad/s"
            check.fault("top_speed", highest, self.top_speed, "m/s or rad/s")
        if self.floor is not None and self.relative is None:
            check.fault("floor", "be left out without relative, which it belongs to", self.floor)
        if self.relative is not None and self.floor is None and self.speeds[0] == 0.0:
            hint = "at standstill a share of the speed is nothing: begin above zero, or give a floor"
            check.fault("relative", "be left out with speeds from zero", self.relative, hint=hint)
        if self.floor is not None and self.measured is not None and self.floor > self.measured:
            rule = f"be at most measured, {self.measured:.6g} m/s or rad/s"
            check.fault("floor", rule, self.floor, "m/s or rad/s")

    @property
    def closed(self) -> bool:
        """Whether a limit needs a closed loop."""
        return any(getattr(self, name) is not None for name in LOOP_LIMITS)

    def limit_at(self, speeds: ArrayLike) -> np.ndarray:
        """The limit on measured ripple at each speed.

        Parameters
        ----------
        speeds : array_like
            m/s or rad/s; the sign is ignored.

        Returns
        -------
        ndarray
            rms, m/s or rad/s, in the shape of the speeds; infinite where there is none. Speeds outside
            ``speeds`` of the requirement are allowed.
        """
        magnitude = np.abs(np.asarray(speeds, dtype=float))
        limit = np.full(magnitude.shape, math.inf if self.measured is None else self.measured)
        return limit if self.relative is None else np.minimum(limit, self.relative_at(magnitude))

    def relative_at(self, speeds: ArrayLike) -> np.ndarray:
        """Ripple that ``relative`` allows at each speed, its floor included, m/s or rad/s."""
        allowed: np.ndarray = (math.inf if self.relative is None else self.relative) * np.abs(speeds)
        return np.maximum(allowed, self.floor or 0.0)

    def check(self, axis: Axis) -> None:
        """Raise for an axis that does not have what the requirement limits.

        Parameters
        ----------
        axis : Axis

        Raises
        ------
        InputError
            If a limit needs load and control that the axis has not, or a speed is faster than any job takes.
        """
        check_speed("Requirement.speeds", axis, self.speeds[1])
        name = next((name for name in LOOP_LIMITS if getattr(self, name) is not None), None)
        if name is None:
            return
        absent = [part for part in ("load", "control") if getattr(axis, part) is None]
        if absent:
            rule = f"be left out for an axis without {' and '.join(absent)}"
            hint = "they make the closed loop that it limits"
            checks.refuse(f"Requirement.{name}", rule, getattr(self, name), hint=hint)

    def judge(self, axis: Axis, points: int = 50) -> Judgement:
        """Check an axis against the requirement, limit by limit.

        Parameters
        ----------
        axis : Axis
        points : int
            Number of speeds of the even logarithmic grid.

        Returns
        -------
        Judgement

        Raises
        ------
        InputError
            If a limit needs a closed loop that this axis does not have, or its loop is impossible.

        Notes
        -----
        Ripple against speed is jagged, and the worst speed decides. The grid therefore also holds the speeds at
        which a strong harmonic of the error or of quantisation meets a frequency where the gain of estimator or
        loop peaks. It is refined twice, six times as closely, around the two worst speeds of each limit.
        """
        if not checks.is_whole(points) or not 2 <= points <= MOST_POINTS:
            checks.refuse("judge.points", f"be a whole number from 2 to {MOST_POINTS}", points)
        self.check(axis)
        curves = judgements.Curves(axis)
        curves.add(self.grid(axis, points))
        curves.refine(self.shares)
        return self.judgement(axis, curves)

    def grid(self, axis: Axis, points: int) -> np.ndarray:
        """Speeds at which ripple is computed first; they include those where the limit has a corner."""
        low, high = self.speeds
        allowed = [limit for limit in (self.floor, self.measured) if limit is not None]
        corners = [at for limit in allowed if self.relative and low < (at := limit / self.relative) < high]
        return np.unique(np.concatenate([judgements.grid(axis, low, high, points), corners]))

    def shares(self, curves: Curves) -> dict[str, np.ndarray]:
        """Ripple over its limit at each speed, {limit: ndarray}."""
        shares = {name: curves.rms[name] / limit for name in CURVES if (limit := getattr(self, name))}
        if self.relative is not None:
            shares["relative"] = curves.rms["measured"] / self.relative_at(curves.speed)
        return shares

    def judgement(self, axis: Axis, curves: Curves, steady: list[LimitCheck] | None = None) -> Judgement:
        """Check an axis by ripple that has been computed already, and the checks of :meth:`steady` if they have."""
        shares = self.shares(curves)
        ripples = [self._ripple_check(curves, name, shares[name]) for name in RIPPLES if name in shares]
        return judgement(self, axis, [*ripples, *(steady or self.steady(axis))], curves)

    def _ripple_check(self, curves: Curves, name: str, shares: np.ndarray) -> LimitCheck:
        """The check of one limit on ripple, at its worst speed."""
        curve = "measured" if name == "relative" else name
        worst = int(np.argmax(shares))
        speed, value = float(curves.speed[worst]), float(curves.rms[curve][worst])
        limit = float(self.relative_at(speed)) if name == "relative" else getattr(self, name)
        return upper(name, limit, value, speed=speed, **curves.largest_cause(curve, worst))

    def steady(self, axis: Axis, known: Margins | None = None) -> list[LimitCheck]:
        """The checks of the limits that are not on ripple; ``known`` margins must not depend on the speed."""
        limits = [lower("top_speed", self.top_speed or self.speeds[1], top_speed(axis).speed)]
        if self.delay is not None:
            limits.append(upper("delay", self.delay, velocity_delay(axis, self.speeds[0])))
        if self.phase_margin is not None:
            value, speed = _least_margin(axis, self.speeds, known)
            limits.append(lower("phase_margin", self.phase_margin, value, speed))
        return limits


def _least_margin(axis: Axis, speeds: tuple[float, float], known: Margins | None) -> tuple[float, float]:
    """Least phase margin, deg, -inf if unstable, and its speed, NaN where it does not depend on the speed."""
    speed = math.nan
    if not axis.estimator.linear:
        # with timed edges the loop depends on the speed
        speed = timed_edge_loops.least_margin_speed(axis, *speeds)
        if speed == 0.0:
            return -math.inf, speeds[0]
        known = margins(axis, speed=speed)
    known = known or margins(axis)
    return known.phase_margin if known.stable else -math.inf, speed


LIMITS = tuple(item.name for item in fields(Requirement) if item.name not in ("speeds", "floor"))
_UNITS = {
    **dict.fromkeys(("measured", "actual", "top_speed", "floor"), "m/s or rad/s"),
    "torque": "N m or N",
    "relative": "",
    "delay": "s",
}


def load(path: Path | str, axis: Axis | None = None) -> Requirement:
    """The requirement in the ``[requirement]`` section of a file.

    Parameters
    ----------
    path : str or path-like
        An axis file, or one with this section alone.
    axis : Axis, optional
        Its scale says which units fit; without it the unit of the speeds does.

    Returns
    -------
    Requirement

    Raises
    ------
    InputError
        If the file cannot be read or has no such section; every fault with its line.

    Examples
    --------
    >>> import encsim
    >>> wanted = encsim.requirements.load("stage_x_choice.toml")
    >>> wanted.relative
    0.015
    """
    return loads(toml_text.read(path), str(path), axis)


def loads(
    text: str, name: str = "requirement file", axis: Axis | None = None, settings: Iterable[str] = ()
) -> Requirement:
    r"""The requirement in the ``[requirement]`` section of a text.

    Parameters
    ----------
    text : str
    name : str
        Name of the text in errors.
    axis : Axis, optional
        Its scale says which units fit; without it the unit of the speeds does.
    settings : iterable of str
        ``requirement.relative=0.02`` and the like replace values of the text; those of other sections are ignored.

    Returns
    -------
    Requirement

    Raises
    ------
    InputError
        If there is no such section; every fault with its line.

    Examples
    --------
    >>> import encsim
    >>> wanted = encsim.requirements.loads('[requirement]\nspeeds = ["1 mm/s", "0.1 m/s"]\nrelative = 0.02')
    >>> wanted.relative
    0.02
    """
    section = Section(text, SECTION, name, settings, scale=None if axis is None else axis.scale)
    section.need('speeds = ["1 mm/s", "100 mm/s"], relative = 0.01', filled=False)
    return _RequirementReader(section).requirement(axis)


class _RequirementReader:
    """Reads a requirement from one section."""

    def __init__(self, section: Section) -> None:
        self.section = section
        self.given = section.keys([item.name for item in fields(Requirement)])
        section.unit = section.unit or self._unit()

    def requirement(self, axis: Axis | None) -> Requirement:
        """The requirement, or every fault at once."""
        values: dict[str, Any] = {
            item.name: self._value(item) for item in fields(Requirement) if item.name in self.given
        }
        values.setdefault("speeds", NOTHING)

        def place(name: str, _: Any) -> tuple[tuple[Any, ...], Any] | None:
            recorded = name in self.given and values.get(name) is NOTHING
            return None if recorded else ((name,), self.given.get(name, NOTHING))

        with self.section.placed(place):
            requirement = Requirement(**values)
            check_speed("Requirement.speeds", axis, requirement.speeds[1])
        self.section.done()  # raises where the line above did
        return requirement

    def _unit(self) -> str | None:
        """Position unit by the first of the speeds, None where that has none."""
        texts = self.given.get("speeds")
        for unit in ("m", "rad"):
            trial = Section("", SECTION)
            trial.unit = unit
            trial.quantity((), texts[0] if isinstance(texts, list) and texts else None, "speed")
            if not trial.faults:
                return unit
        return None

    def _value(self, item: Field[Any]) -> Any:
        """One value in SI, NOTHING where it is faulty."""
        value, dimension = self.given[item.name], item.metadata.get("dimension")
        if item.name == "speeds":
            return self._speeds(value)
        if dimension is None:
            return self.section.number((item.name,), value)
        number = self.section.quantity((item.name,), value, dimension)
        if dimension != "angle" or number is NOTHING:
            return number
        # to 15 digits: "60 deg" is exactly 60
        return float(f"{math.degrees(number):.15g}")

    def _speeds(self, texts: Any) -> Any:
        if not isinstance(texts, list) or len(texts) != 2:
            rule = 'be two speeds, lowest and highest, as ["1 mm/s", "100 mm/s"]'
            self.section.fault(("speeds",), rule, texts)
            return NOTHING
        pair = tuple(self.section.quantity(("speeds", place), t, "speed") for place, t in enumerate(texts))
        return NOTHING if NOTHING in pair else pair
