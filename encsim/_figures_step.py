"""Picture of what a closed loop answers to a step or a ramp."""

import math

import numpy as np

from . import _plot
from ._plot_numbers import axis_words, percent, quantity, sentence
from ._plot_traces import Panel, Trace, force_panel, into, length, sheet

# Less overshoot than this, as share of the step, is none.
NONE = 5e-4
# A following error below this share of the largest one is none.
NOTHING = 1e-9
ENDED = "within 2\u202f% after {}"


def step(result, ax=None, *, style=_plot.PRINT):
    """Answer of a closed loop to a step or a ramp: what it asks for, what the axis does, what that takes.

    Parameters
    ----------
    result : StepResponse or RampResponse
    ax : Axes, optional
        Takes the first panel alone: position, velocity or following error.
    style : Style

    Returns
    -------
    Axes
        Of that panel.
    """
    panels = _panels(result)
    if ax is not None:
        return into(ax, result.time, panels[0], style)
    title = _title(result)
    note = f"{sentence(axis_words(result.axis))}; {_about(result)}without counts, dry friction, cogging and limits."
    main = sheet(result.time, panels, style, title, note)[0]
    heads = " and ".join(panel.head.lower() for panel in panels)
    words = f"Line charts of {heads} against time"
    _plot.describe(
        main.figure, title, f"{words} over {quantity(length(result.time), 's', strip=True)}. {title}."
    )
    return main


def _about(result):
    """From where the values are taken."""
    if result.axis.estimator.linear:
        return "computed "
    return f"beside a steady {quantity(abs(result.speed), result.units['velocity'], strip=True)}, computed "


def _of(result):
    return getattr(result, "of", "ramp")


def _panels(result):
    """What is asked first, the torque last."""
    unit, of = result.axis.scale.unit, _of(result)
    demand = Trace(result.demand, "ideal", "demand", 1.4)
    if of == "velocity":
        moved = Trace(result.velocity, "true", "axis", 2.0)
        first = [Panel("Velocity", f"{unit}/s", [demand, moved])]
    elif of == "ramp":
        asked = Trace(np.full_like(result.time, result.rate), "ideal", "demand", 1.4)
        first = [
            Panel("Following error", unit, [Trace(result.error, "true", "", 2.0)]),
            Panel("Velocity", f"{unit}/s", [asked, Trace(result.velocity, "true", "axis", 2.0)]),
        ]
    else:
        named = [demand] if of == "position" else []
        moved = Trace(result.position, "true", "axis" if named else "", 2.0)
        first = [
            Panel("Position", unit, [*named, moved]),
            Panel("Velocity", f"{unit}/s", [Trace(result.velocity, "true", "", 2.0)]),
        ]
    return [*first, force_panel(unit, result.torque, 2.0)]


def _title(result):
    """The answer: overshoot and settling, or how far the axis is pushed or trails."""
    if not result.valid:
        return f"In doubt: {result.reasons[0]}"
    return {"load": _pushed, "ramp": _trailing}.get(_of(result), _risen)(result)


def _risen(result):
    size = quantity(abs(result.size), result.units["size"], 2)
    passed = f"{percent(result.overshoot)} overshoot" if result.overshoot > NONE else "no overshoot"
    what = "Step" if result.of == "position" else "Velocity step"
    return f"{what} of {size}: {passed}, {_ended(result)}"


def _ended(result):
    if math.isnan(result.settling_time):
        return f"not within 2\u202f% after {quantity(length(result.time), 's', 2)}"
    return ENDED.format(quantity(result.settling_time, "s", 2))


def _pushed(result):
    unit = result.axis.scale.unit
    force = quantity(abs(result.size), result.units["size"], 2)
    by = f"{force} on the load push it by {quantity(abs(result.largest), unit, 2)}"
    if math.isnan(result.final):
        return f"{by}, and on: nothing holds the position"
    stays = abs(result.final) > NOTHING * abs(result.largest)
    rest = f"at {quantity(abs(result.final), unit, 2)}" if stays else "back"
    return f"{by}, {rest} {_ended(result)}"


def _trailing(result):
    unit = result.axis.scale.unit
    rate, most = quantity(abs(result.rate), f"{unit}/s", 2), abs(result.largest_error)
    rest = abs(result.following_error)
    stays = f"stays {quantity(rest, unit, 2)} behind" if rest > NOTHING * most else "is back on it"
    return f"Ramp of {rate}: the axis trails by up to {quantity(most, unit, 2)} and {stays} {_ended(result)}"
