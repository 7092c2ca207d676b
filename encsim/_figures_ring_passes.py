"""Pictures of an axis against a reference: errors of both directions, reversal, accuracy by target."""

import numpy as np

from . import _plot
from ._plot_labels import Labels
from ._plot_numbers import axis_unit, quantity

GAP = 1.35


def passes(result, ax=None, *, style=_plot.PRINT):
    """Error of an encoder against a reference forward and backward, and the reversal between them.

    Parameters
    ----------
    result : PassComparison
    ax : Axes, optional
        Takes the errors alone.
    style : Style

    Returns
    -------
    Axes
    """
    rows = [(result.forward, "cyclic", "forward", {}), (result.backward, "counts", "backward", {})]
    if ax is not None:
        return _errors(_plot.axes(ax, style), result.position, rows, result.unit, style, named=True)
    title = _passes_title(result)
    note = "Shown minus reference, at the same positions in both directions."
    kind = "Line charts of error and reversal against position."
    return _sheet(result, title, note, result.position, rows, style, kind)


def positioning(result, ax=None, *, style=_plot.PRINT):
    """Mean deviation at each target in both directions with two standard deviations, and the reversal.

    Parameters
    ----------
    result : Positioning
    ax : Axes, optional
        Takes the deviations alone.
    style : Style

    Returns
    -------
    Axes
    """
    rows = [(result.forward, "cyclic", "forward", {"band": 2.0 * result.forward_deviation}),
            (result.backward, "counts", "backward", {"band": 2.0 * result.backward_deviation})]  # fmt: skip
    if ax is not None:
        return _errors(_plot.axes(ax, style), result.target, rows, result.unit, style, named=True)
    sizes = [quantity(value, result.unit, 2) for value in (result.accuracy, result.largest_reversal)]
    title = f"Accuracy of positioning {sizes[0]}, reversal up to {sizes[1]}"
    note = f"{result.edition}: mean of {result.runs} runs each way, bars two standard deviations each side."
    note += f" In doubt: {result.reasons[0]}." if result.reasons else ""
    kind = "Line charts of deviation and reversal against target position."
    return _sheet(result, title, note, result.target, rows, style, kind)


def _passes_title(result):
    unit = result.unit
    worst, turned = (float(np.abs(values).max()) for values in (result.error, result.reversal))
    if not worst and not turned:
        return "No error against the reference"
    return f"Up to {quantity(worst, unit, 2)} off the reference; reversal up to {quantity(turned, unit, 2)}"


def _sheet(result, title, note, position, rows, style, kind):
    """Errors above, the reversal below, on one axis of positions."""
    if not result.valid and result.reasons[0] not in note:
        note += f" In doubt: {result.reasons[0]}."
    sheet = _plot.Sheet(style, title, note, 98.0)
    main, low = sheet.panel(7.0, 44.0), sheet.panel(61.0, 24.0)
    _errors(main, position, rows, result.unit, style)
    _errors(low, position, [(result.reversal, "ink", "", {})], result.unit, style)
    main.tick_params(labelbottom=False)
    sheet.widen_left(main, low)
    sheet.text(4.0, 3.6, f"Shown minus true ({main.encsim_unit})", bold=True)
    sheet.text(4.0, 57.6, f"Reversal, forward minus backward ({low.encsim_unit})", bold=True)
    _plot.name_axes(low, style, below=f"Position ({low.encsim_across})")
    _plot.describe(sheet.figure, title, f"{kind} {title}. {_spread(result)}")
    return main


def _spread(result):
    mean = getattr(result, "reversal_mean", None)
    return f"Mean reversal {quantity(result.mean_reversal if mean is None else mean, result.unit, 2)}."


def _errors(ax, position, rows, unit, style, named=False):
    """Curves of one kind against position, each with its name; bars where they have a band."""
    known = ax.get_title(loc="left"), ax.get_xlabel()
    largest = max(float(np.abs(values).max() + np.max(more.get("band", 0.0))) for values, *_, more in rows)
    ax.encsim_unit, size = axis_unit(largest, unit, known[0])
    ax.encsim_across, far = axis_unit(float(np.abs(position).max()), unit, known[1])
    x, high = position / far, GAP * (largest / size or 1.0)
    edge = 0.02 * float(np.ptp(x)) or 1.0
    _plot.number_axis(ax.xaxis)
    _plot.number_axis(ax.yaxis, most=6)
    _plot.limits(ax, (x[0] - edge, x[-1] + edge), (-high, high))
    if named:
        _plot.name_axes(
            ax, style, head=f"Shown minus true ({ax.encsim_unit})", below=f"Position ({ax.encsim_across})"
        )
    ax.axhline(0.0, color=style.colour("muted"), linewidth=0.8, zorder=2)
    labels = Labels(ax, style)
    dots = {"marker": "o", "markersize": 3.6} if len(x) <= 40 else {}
    for number, (values, role, _, more) in enumerate(rows):
        y = values / size
        if "band" in more:
            ax.errorbar(
                x, y, more["band"] / size, fmt="none", ecolor=style.colour(role), elinewidth=1.0, capsize=2.5
            )
        ax.plot(x, y, **style.line(role), **dots, zorder=4)
        labels.avoid(x, y, key=number)
    for number, (_, role, name, _) in enumerate(rows):
        if name:
            labels.beside(name, number, role)
    return ax
