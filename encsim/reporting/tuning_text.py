"""Proposed gains as text: limiting criterion, gains, limits reached, changes that allow more, cautions."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

from ..closed_loop.timed_edge_loops import LEAST_MARGIN
from ..wording import aligned, force, show
from .loop_text import margins
from .text_parts import at_speed, cautions_text, notes, trimmed

if TYPE_CHECKING:
    from ..doubts import Doubt
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
    """Report of proposed gains.

    ``axis`` has the present gains, ``limits`` are those asked for, ``speed`` is that of the ripple, m/s or rad/s.
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
        f"{_allowed(result, limits)}{_doubts(result, axis)}\n{cautions_text(result.cautions)}"
    )


def _gain(axis: Axis, name: str) -> str:
    value = getattr(axis.control, name)
    return "none" if value is None else show(value, GAINS[name][1][axis.scale.unit])


def _limit_words(name: str, axis: Axis) -> str:
    return LIMITS[name].format(force=force(axis))


def _binds(result: Tuning, axis: Axis) -> str:
    """The limiting criterion, as a sentence."""
    if not result.binding:
        return "Proposed gains: nothing that was asked for binds, the loop rate alone stops the gains.\n"
    names = " and ".join(_limit_words(name, axis) for name in result.binding)
    return f"Proposed gains: {names} {'binds' if len(result.binding) == 1 else 'bind'}.\n"


def _reached(result: Tuning, axis: Axis, limits: dict[str, float | None], speed: float) -> str:
    """The limits asked for beside the values reached."""
    unit = result.units["torque_ripple"]
    write = {
        "phase_margin": lambda value: f"{value:.1f} deg",
        "sensitivity_peak": lambda value: f"{value:.3f}",
        "torque_ripple": lambda value: show(value, unit),
    }
    reached = {
        "phase_margin": abs(result.margins.phase_margin),
        "sensitivity_peak": result.margins.sensitivity_peak,
        "torque_ripple": result.torque_ripple,
    }
    words = {"phase_margin": "at least", "sensitivity_peak": "at most", "torque_ripple": "at most"}
    asked = {
        name: "no limit" if limit is None else f"{words[name]} {write[name](limit)}"
        for name, limit in ((name, limits[name]) for name in LIMITS)
    }
    table = aligned(
        {
            "limit": [_limit_words(name, axis) for name in LIMITS],
            "asked": list(asked.values()),
            "reached": [write[name](reached[name]) for name in LIMITS],
            "": ["binds" if name in result.binding else "" for name in LIMITS],
        }
    )
    where = at_speed(abs(speed), f"{axis.scale.unit}/s")
    ripple = f"The {force(axis)} ripple is that of encoder errors {where}, rms.\n"
    return trimmed(table) + ripple + _working(result, limits)


def _working(result: Tuning, limits: dict[str, float | None]) -> str:
    """The speeds at which gains for timed edges hold."""
    if result.stable_from is None or result.margin_from is None:
        return ""
    speed, margin, stable = (
        show(value, result.units["speed"]) for value in (result.speed, result.margin_from, result.stable_from)
    )
    asked = limits["phase_margin"]
    least = LEAST_MARGIN if asked is None else min(LEAST_MARGIN, asked)
    return (
        f"Edges are timed, and all this holds at {speed}: slower, they are older. At least {least:.3g} deg of phase\n"
        f"margin are left down to {margin}, and the loop is stable down to {stable}; see the cautions.\n"
    )


def _allowed(result: Tuning, limits: dict[str, float | None]) -> str:
    """Changes of the encoder, estimator, loop rate or drive that allow higher gains."""
    # With timed edges finer counts shorten the delay, so only "quieter" is true there.
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


def _doubts(result: Tuning, axis: Axis) -> str:
    """Why the values are not reliable; doubts about the ripple name the force or torque of this axis."""
    doubts = cast("tuple[Doubt, ...]", result.reasons)
    return notes(doubt.about(f"{force(axis)} ripple") if doubt.subject else doubt for doubt in doubts)
