"""Gains for a phase margin, a sensitivity peak and a limit of torque ripple; limiting criterion and remedies."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, ClassVar, NamedTuple, cast

import numpy as np

from .. import checks
from ..closed_loop import loop as loops
from ..closed_loop import timed_edge_loops
from ..closed_loop.closed_loop_ripple import Smoothness, smoothness
from ..closed_loop.loop_validity import PEAKS, steady_torque
from ..closed_loop.stability import Margins
from ..doubts import named
from ..formats import estimator_text
from ..model.axis import check_axis
from ..model.load_and_control import CAUTIONS, Control
from ..open_loop.limits import default_speeds
from ..results import Result, measured_in, recorded
from ..units import speed_in_si
from ..wording import force, show
from .advice import Allowance, refuse, remedies
from .search import LIMITS, UNITS, GainSearch

if TYPE_CHECKING:
    from ..doubts import Doubt
    from ..model.axis import Axis
    from .search import Settled


# The optimum is flat: where two limits meet the search may stop 2 % from one of them.
BINDING = 0.02
# Rounds in which the limit of the ripple at one speed is fitted so that the largest over the range keeps it, and the
# room that each leaves.
ROUNDS, ROOM = 5, 1e-3


@dataclass(frozen=True, eq=False, kw_only=True)
class Tuning(Result):
    """Proposed gains.

    Attributes
    ----------
    control : Control
        The controller of the axis with gains and integral time replaced.
    margins : Margins
        Of the loop with it.
    torque_ripple : float
        Rms of the torque command by encoder errors, torque: that of `smoothness` at ``ripple_speed``.
    ripple_speed : float
        Speed of the torque ripple, m/s or rad/s: the one asked for; without one that of the largest ripple between
        the lowest and the top speed of the axis (see `Motion`).
    limits : dict of str to (float or None)
        The limits that were kept: phase margin, deg, sensitivity peak, torque ripple. Without a limit of the ripple and
        without a speed it is what the torque limit leaves beside friction and force, over 3.
    binding : tuple of str
        Limiting criteria, met within 2 %: "phase_margin", "sensitivity_peak", "torque_ripple". Empty where only the
        loop rate limits the gains.
    remedies : tuple of Allowance
        Changes that would allow higher gains, the best first.
    cautions : tuple of str
        To be read before the gains are used.
    speed : float
        Speed at which friction, filters that follow it and timed edges are taken.
    stable_from, margin_from, linear_from : float or None
        Where edges are timed, whose delay grows as the speed falls: lowest speeds, m/s or rad/s, at which the loop
        with the proposed gains is stable, keeps a phase margin of 30 deg (or the one asked for, if it is smaller), and
        has the 20 counts in 1/crossover that the linear theory needs. None where positions are sampled.
    valid : bool
        False where torque ripple is limited and its prediction is not reliable, or too few edges are timed for the
        margins.
    reasons : tuple of str
        Why margins or torque ripple, limited or not, are not reliable.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x_loop.toml")
    >>> encsim.tuning(axis).valid
    True
    """

    part_units: ClassVar[dict[str, str]] = {
        "crossover": "Hz",
        "position_gain": "1/s",
        "velocity_gain": "velocity gain",
        "integral_time": "s",
        "phase_margin": "deg",
        "sensitivity_peak": "1",
    }

    control: Control
    margins: Margins
    torque_ripple: float = field(metadata=measured_in("force"))
    ripple_speed: float = field(metadata=measured_in("position/s"))
    limits: dict[str, float | None]
    binding: tuple[str, ...]
    remedies: tuple[Allowance, ...]
    cautions: tuple[str, ...] = CAUTIONS
    speed: float = field(default=0.0, metadata=measured_in("position/s"))
    stable_from: float | None = field(default=None, metadata=measured_in("position/s"))
    margin_from: float | None = field(default=None, metadata=measured_in("position/s"))
    linear_from: float | None = field(default=None, metadata=measured_in("position/s"))
    valid: bool = True
    reasons: tuple[str, ...] = ()
    axis: Axis = field(metadata={"plain": False})

    def to_dict(self) -> dict[str, Any]:
        """As of every result, the margins with their own units, an estimator of a remedy as text."""
        whole = Result.to_dict(self) | {"margins": self.margins.plain_values()}
        for plain, remedy in zip(whole["remedies"], self.remedies, strict=True):
            if "estimator" in remedy.change:
                text = estimator_text.text(remedy.change["estimator"], self.axis.scale.unit)
                plain["change"] = {"estimator": text}
        return whole


def tune(
    axis: Axis,
    phase_margin: float = 60.0,
    sensitivity_peak: float = 1.7,
    torque_ripple: float | None = None,
    speed: float | None = None,
) -> Control:
    """Controller with proposed gains; see ``tuning``, which also names the limiting criterion.

    Parameters
    ----------
    axis : Axis
        With load and control.
    phase_margin : float
        Least phase margin, deg.
    sensitivity_peak : float
        Largest sensitivity peak.
    torque_ripple : float, optional
        Largest rms of the torque command by encoder errors, torque.
    speed : float, optional
        As of ``tuning``; an estimator that times edges needs one.

    Returns
    -------
    Control

    Raises
    ------
    InputError
        If a limit makes no sense or cannot be reached, or edges are timed and no speed is given.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x_loop.toml")
    >>> control = encsim.tune(axis, phase_margin=60.0)
    >>> round(control.velocity_gain)
    3518
    """
    check_axis("tune.axis", axis)
    limits = _limits(phase_margin, sensitivity_peak, torque_ripple)
    return _searched(axis, limits, speed).settled.control


@recorded
def tuning(
    axis: Axis,
    phase_margin: float = 60.0,
    sensitivity_peak: float = 1.7,
    torque_ripple: float | None = None,
    speed: float | None = None,
) -> Tuning:
    """Gains with the highest stiffness within limits.

    Parameters
    ----------
    axis : Axis
        With load and control. Its gains are replaced; a position gain of 0 and a missing integral time stay.
    phase_margin : float
        Least phase margin, deg.
    sensitivity_peak : float
        Largest sensitivity peak, above 1.
    torque_ripple : float, optional
        Largest rms of the torque command by encoder errors, torque. Left out, and with no speed given, three times
        that rms stays within the torque limit of the axis, beside friction and force.
    speed : float, optional
        Speed of that torque ripple, about which friction is linearised, and at which edges are timed, m/s or rad/s;
        left out, friction is that of standstill, and the torque ripple is the largest between the lowest and the top
        speed of the axis. An estimator that times edges requires it, at least one count per second: the lowest
        working speed, where the delay of the edges is longest.

    Returns
    -------
    Tuning

    Raises
    ------
    InputError
        If a limit is out of range or cannot be reached; the message names the nearest that can. If edges are timed
        and no speed is given.

    Notes
    -----
    Of all gains within the limits those with the largest ``K_p K_v/T_i``: the time integral of the position error
    after a step of load torque is its inverse (``K_v/T_i`` for a velocity loop, ``K_p K_v`` without integral part).
    Torque ripple is ``smoothness(axis, speed).torque`` of the axis with the proposed gains, or the largest of that of
    100 speeds and standstill.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x_loop.toml")
    >>> tuning = encsim.tuning(axis, phase_margin=60.0)
    >>> round(tuning.control.velocity_gain)
    3518
    """
    check_axis("tuning.axis", axis)
    return _result(_searched(axis, _limits(phase_margin, sensitivity_peak, torque_ripple), speed))


class Found(NamedTuple):
    """A settled search, the limits that it keeps, and the ripple that it is judged by."""

    search: GainSearch
    settled: Settled
    limits: dict[str, Any]
    curve: Smoothness

    @property
    def worst(self) -> int:
        """Place of the speed with the largest torque ripple."""
        return int(np.argmax(self.curve.torque))

    @property
    def ripple(self) -> float:
        """The largest torque ripple."""
        return float(self.curve.torque[self.worst])


def _searched(axis: Axis, limits: dict[str, Any], speed: float | None) -> Found:
    """The search with its settled controller; refused if there is none."""
    speed = speed_in_si("tuning.speed", speed, axis.scale.unit)
    if speed is not None and not checks.is_real(speed):
        checks.refuse("tuning.speed", "be a finite number", speed, f"{axis.scale.unit}/s")
    if speed is not None or not axis.estimator.linear:
        at = float(speed or 0.0)
        return _settled(axis, limits, limits, at, None, [at])
    speeds = [0.0, *default_speeds(axis)]
    if limits["torque_ripple"] is None:
        limits = limits | {"torque_ripple": _torque_left(axis, np.array(speeds))}
    found = _settled(axis, limits | {"torque_ripple": None}, limits, 0.0, None, speeds)
    most, at = limits["torque_ripple"], float(found.curve.speed[found.worst])
    if most is None:
        return found
    asked = most
    for _ in range(ROUNDS):
        found = _settled(axis, limits | {"torque_ripple": asked}, limits, 0.0, at, speeds)
        if found.ripple <= most:
            break
        # the largest ripple has moved to another speed: less is left at this one
        asked *= (1.0 - ROOM) * most / found.ripple
    return found


def _settled(
    axis: Axis,
    wanted: dict[str, Any],
    limits: dict[str, Any],
    speed: float,
    ripple_speed: float | None,
    speeds: list[float],
) -> Found:
    """One search within the wanted limits, and the ripple at some speeds with what it proposes."""
    search = GainSearch(axis, wanted, speed, ripple_speed=ripple_speed)
    settled = search.proposed()
    if settled is None:
        refuse(search)
    return Found(search, settled, limits, smoothness(replace(axis, control=settled.control), speeds))


def _torque_left(axis: Axis, speeds: np.ndarray) -> float | None:
    """Rms that peaks of PEAKS times as much leave within the torque limit; None without a limit, or with none left."""
    load, control = loops.closed(axis)
    if control.torque_limit is None:
        return None
    left = (control.torque_limit - np.abs(steady_torque(load, speeds))).min() / PEAKS
    return float(left) if left > 0.0 else None


def _result(found: Found) -> Tuning:
    search, settled, limits, curve = found.search, found.settled, found.limits, found.curve
    proposed = replace(search.axis, control=settled.control)
    reached = settled.reached() | {"torque_ripple": found.ripple}
    range_ = {} if search.linear else _working_range(proposed, search, settled.margins)
    few = settled.margins.reasons
    at = smoothness(proposed, curve.speed[found.worst])
    doubts = cast("Iterable[Doubt]", at.reasons)
    cautions = [] if search.linear else [_aging(proposed, search, **range_)]
    return Tuning(
        control=settled.control,
        margins=settled.margins,
        torque_ripple=found.ripple,
        ripple_speed=float(curve.speed[found.worst]),
        limits=limits,
        binding=tuple(n for n in LIMITS if limits[n] and abs(reached[n] / limits[n] - 1.0) < BINDING),
        remedies=remedies(search, settled.control),
        cautions=(*CAUTIONS, *cautions, *_single_counts(proposed, curve)),
        speed=search.speed,
        **range_,
        valid=settled.margins.valid and (at.valid or limits["torque_ripple"] is None),
        reasons=few + tuple(doubt.about("torque ripple") for doubt in doubts if doubt not in few),
        axis=proposed,
    )


def _single_counts(axis: Axis, curve: Smoothness) -> list[str]:
    """Caution where the loop reacts to single counts: what one count does to the torque."""
    if not axis.estimator.linear or not axis.resolution or not named(curve.reasons, "limit_cycle"):
        return []
    limit = loops.closed(axis).control.torque_limit
    step = loops.build(axis).torque_at_once * axis.resolution
    clear = curve.speed[~curve.doubtful]
    below = f"Below {show(clear.min(), curve.units['speed'])}" if clear.size else "At all speeds"
    unit, what = curve.units["torque"], force(axis)
    share = "" if limit is None else f" ({100.0 * step / limit:.2g} % of its limit)"
    return [
        f"{below} the loop reacts to single counts, {show(step, unit)} of {what} each{share}: check the ripple there "
        "by encsim run."
    ]


def _working_range(axis: Axis, search: GainSearch, margins: Margins) -> dict[str, float]:
    """Lowest speeds at which a loop of timed edges works, {field: speed}."""
    crossover = margins.crossover if math.isfinite(margins.crossover) else 0.0
    # the margins of many speeds are good to less than a tenth of a degree
    return {
        "stable_from": timed_edge_loops.lowest_speed(axis, search.speed),
        "margin_from": timed_edge_loops.lowest_speed(axis, search.speed, _kept(search) - 0.1),
        "linear_from": timed_edge_loops.linear_from(axis, crossover),
    }


def _kept(search: GainSearch) -> float:
    """Phase margin that the loop should keep at lower speeds, deg."""
    return min(timed_edge_loops.LEAST_MARGIN, search.limits["phase_margin"])


def _aging(axis: Axis, search: GainSearch, stable_from: float, margin_from: float, linear_from: float) -> str:
    """Caution for timed edges: the loop at lower speeds."""
    unit = f"{axis.scale.unit}/s"
    return (
        f"Period measurement has a longer delay at lower speed, and the loop loses phase margin: these gains are for "
        f"{show(search.speed, unit)}. At lower speed the linear loop keeps {_kept(search):.3g} deg down to "
        f"{show(margin_from, unit)} and is stable down to {show(stable_from, unit)}. Below {show(linear_from, unit)} "
        "there are fewer than 20 counts in 1/crossover, and these values are approximate: a run (encsim run) shows "
        "what the axis does. At standstill the measured velocity is 0, and only the position control acts."
    )


def _limits(phase_margin: float, sensitivity_peak: float, torque_ripple: float | None) -> dict[str, Any]:
    """The limits as floats, checked."""
    rules = (
        ("phase_margin", phase_margin, 0.0, 90.0, "lie between 0 and 90"),
        ("sensitivity_peak", sensitivity_peak, 1.0, 1e6, "be above 1 and below 1e6"),
        ("torque_ripple", torque_ripple, 0.0, math.inf, "be positive and finite"),
    )
    faults = [
        checks.Fault(f"tuning.{name}", rule, value, UNITS[name])
        for name, value, low, high, rule in rules
        if not (name == "torque_ripple" and value is None)
        and not (checks.is_real(value) and low < value < high)
    ]
    if faults:
        raise checks.InputError(*faults)
    return {name: None if value is None else float(value) for name, value, *_ in rules}
