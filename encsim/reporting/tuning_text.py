"""Proposed gains as text for people: what binds, gains, what is reached, what would allow more, cautions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..closed_loop.timed_edge_loops import LEAST_MARGIN
from ..wording import aligned, force, show
from .loop_text import listed, margins

if TYPE_CHECKING:
    from ..gains.tuner import Tuning
    from ..model.axis import Axis


LIMITS = {
    "phase_margin": "phase margin",
    "sensitivity_peak": "sensitivity peak",
    "torque_ripple": "{force} ripple",
}
GAINS = {
    "position_gain": ("position gain", {"m": "1/s", "rad": "1/s"}),
    "velocity_gain": ("velocity gain", {"m": "N s/m", "rad": "N m s/rad"}),
    "integral_time": ("integral time", {"m": "s", "rad": "s"}),
}


def tuning(result: Tuning, axis: Axis, limits: dict[str, float | None], speed: float) -> str:
    """Report of proposed gains: gains, what binds, margins, what would allow more, cautions.

    Parameters
    ----------
    result : Tuning
    axis : Axis
        As it was.
    limits : dict
        What was asked for, {name: value or None}.
    speed : float
        Speed of the ripple, m/s or rad/s.

    Returns
    -------
    str
    """
    gains = aligned(
        {
            "gain": [words for words, _ in GAINS.values()],
            "now": [_gain(axis, name) for name in GAINS],
            "proposed": [_gain(result.axis, name) for name in GAINS],
        }
    )
    return (
        f"{_binds(result, axis)}\n{gains}\n{_reached(result, axis, limits, speed)}\n{margins(result.margins)}\n"
        f"{_allowed(result, limits)}{_believed(result, axis)}\n{listed(result.cautions)}"
    )


def _gain(axis: Axis, name: str) -> str:
    value = getattr(axis.control, name)
    return "none" if value is None else show(value, GAINS[name][1][axis.scale.unit])


def _limit_words(name: str, axis: Axis) -> str:
    return LIMITS[name].format(force=force(axis))


def _binds(result: Tuning, axis: Axis) -> str:
    """The sentence that says what stops the gains."""
    if not result.binding:
        return "Proposed gains: nothing that was asked for binds, the loop rate alone stops the gains.\n"
    names = " and ".join(_limit_words(name, axis) for name in result.binding)
    return f"Proposed gains: {names} {'binds' if len(result.binding) == 1 else 'bind'}.\n"


def _reached(result: Tuning, axis: Axis, limits: dict[str, float | None], speed: float) -> str:
    """What was asked for beside what is reached."""
    unit = result.units["torque_ripple"]
    shown = {
        "phase_margin": lambda value: f"{value:.1f} deg",
        "sensitivity_peak": lambda value: f"{value:.3f}",
        "torque_ripple": lambda value: show(value, unit),
    }
    reached = {
        "phase_margin": abs(result.margins.phase_margin),
        "sensitivity_peak": result.margins.sensitivity_peak,
        "torque_ripple": result.torque_ripple,
    }
    words = {"phase_margin": "at least ", "sensitivity_peak": "at most ", "torque_ripple": "at most "}
    asked = {n: "no limit" if limits[n] is None else words[n] + shown[n](limits[n]) for n in LIMITS}
    where = f"at {show(abs(speed), axis.scale.unit + '/s')}" if speed else "at standstill"
    table = aligned(
        {
            "limit": [_limit_words(name, axis) for name in LIMITS],
            "asked": list(asked.values()),
            "reached": [shown[name](reached[name]) for name in LIMITS],
            "": ["binds" if name in result.binding else "" for name in LIMITS],
        }
    )
    rows = (line.rstrip() for line in table.splitlines())
    ripple = f"\nThe {force(axis)} ripple is that of encoder errors {where}, rms.\n"
    return "\n".join(rows) + ripple + _working(result, limits)


def _working(result: Tuning, limits: dict[str, float | None]) -> str:
    """At which speeds gains for timed edges hold."""
    if result.stable_from is None:
        return ""
    speed, margin, stable = (
        show(value, result.units["speed"]) for value in (result.speed, result.margin_from, result.stable_from)
    )
    least = min(LEAST_MARGIN, limits["phase_margin"])
    return (
        f"Edges are timed, and all this holds at {speed}: slower, they are older. At least {least:.3g} deg of phase\n"
        f"margin are left down to {margin}, and the loop is stable down to {stable}; see the cautions.\n"
    )


def _allowed(result: Tuning, limits: dict[str, float | None]) -> str:
    """What a better encoder, estimator, rate or drive would allow."""
    # finer counts are timed sooner
    lines, better = [], "better" if result.axis.estimator.linear else "quieter"
    if limits["torque_ripple"] is None:
        lines.append(f"A {better} encoder allows no more: no limit of ripple is set (--torque-ripple).\n")
    elif "torque_ripple" not in result.binding:
        lines.append(f"A {better} encoder allows no more: the limit of ripple does not bind.\n")
    if not result.remedies:
        return "".join(["No single change that was tried allows clearly more.\n", *lines])
    table = aligned(
        {
            "with": [each.name for each in result.remedies],
            "times as stiff": [show(each.stiffness, "1") for each in result.remedies],
            "crossover about": [show(each.crossover, "Hz") for each in result.remedies],
        }
    )
    return "".join(["What would allow more within the same limits, gains tuned anew:\n", table, *lines])


def _believed(result: Tuning, axis: Axis) -> str:
    """Why the ripple is not reliable."""
    named = f"{force(axis)} ripple"
    told = (reason.about(named) if reason.subject else reason for reason in result.reasons)
    return "".join(f"Note: {reason}\n" for reason in told)
