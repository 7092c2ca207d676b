"""Pictures of recordings: cyclic error, owners of orders, measured beside predicted, points on the ripple curve."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

import numpy as np

from .. import checks
from ..open_loop.closed_form import lines, ripple
from ..presentation import canvas
from ..presentation.labels import NEAR, Labels
from ..presentation.stacks import StackPanel, into, labels_of, stack
from ..presentation.ticks import Span
from ..recordings import steady_pieces
from ..recordings.comparison import is_closed, predicted_ripple
from ..recordings.parameter_fit import misfit_words
from ..wording import axis_unit, digits, listed, quantity, sentence, with_unit
from .period import mainly

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..checks import Orders
    from ..open_loop.closed_form import Lines
    from ..presentation.canvas import Style
    from ..recordings.comparison import Comparison
    from ..recordings.motion_fit import MotionIdentification
    from ..recordings.parameter_fit import Fit
    from ..recordings.separation import OwnedOrder, Separation


TALL, SHORT = {"a4": 50.0, "phone": 56.0}, {"a4": 34.0, "phone": 38.0}
POINTS = 400
# A spectrum is drawn down to this share of its highest line.
DECADES = 1e-3
# Orders named in a picture.
NAMED = 6
# Bars of a histogram, and starts at which the predicted harmonics are taken.
BARS, STARTS = 48, 4000
OWNERS = {"encoder": "cyclic", "machine": "force", "unknown": "noise"}


def cyclic_error(
    result: MotionIdentification, ax: Axes | None = None, *, style: Style = canvas.PRINT
) -> Axes:
    """Error over one signal period from its harmonics, and their amplitudes with uncertainty."""
    if not result.harmonics:
        checks.refuse("plot", "have harmonics of a known signal period", "none")
    orders = np.array(list(result.harmonics))
    size, phase = np.array(list(result.harmonics.values())).T
    bars = np.array(list(cast("Orders", result.uncertainty["harmonics"]).values()))
    turns = np.linspace(0.0, 1.0, POINTS)
    error = np.sum(size[:, None] * np.sin(2.0 * np.pi * orders[:, None] * turns + phase[:, None]), axis=0)
    unit = (result.unit, 1.0)
    if result.unit in ("m", "rad"):
        unit = axis_unit(max(np.abs(error).max(), size.max()), result.unit, labels_of(ax)[1])
    panel = StackPanel(
        f"Position error ({unit[0]})",
        "Phase (signal periods)",
        TALL[style.page],
        Span(0.0, 1.0),
        _around_zero(error / unit[1]),
        lambda ax: ax.plot(turns, error / unit[1], **style.line("ink")),
    )
    if ax is not None:
        return into(ax, style, panel)
    below = StackPanel(
        f"Amplitude of its harmonics ({unit[0]})",
        "Harmonic of the signal period",
        SHORT[style.page],
        Span(0.4, orders.max() + 0.6, ticks={float(n): str(n) for n in orders}),
        Span(0.0, 1.2 * (size + 2.0 * bars).max() / unit[1] or 1.0),
        lambda ax: _bars(ax, orders, size / unit[1], bars / unit[1], style),
    )
    reach = with_unit(digits(float(np.ptp(error)) / 2.0 / unit[1], 2), unit[0])
    title = f"Cyclic error ±{reach}, {mainly(orders, size)}"
    doubt = "" if result.valid else f" Not reliable: {result.reasons[0]}."
    note = f"{result.points} samples; bars are 2 standard uncertainties.{doubt}"
    text = f"Line chart of position error over one signal period, and its harmonics as sticks. {title}."
    return stack(style, canvas.Words(title, note, text), [panel, below], gap=20.0).panels[0]


def _around_zero(values: np.ndarray) -> Span:
    """A range about zero with some room."""
    most = 1.15 * float(np.abs(values).max()) or 1.0
    return Span(-most, most)


def _bars(
    ax: Axes, x: np.ndarray, size: np.ndarray, error: np.ndarray, style: Style, *, role: str = "cyclic"
) -> None:
    """Sticks with the range of 2 standard uncertainties at their ends."""
    colour = style.colour(role)
    ax.vlines(x, 0.0, size, color=colour, linewidth=2.0, zorder=3)
    ax.errorbar(
        x,
        size,
        2.0 * error,
        fmt="o",
        color=colour,
        markersize=4.6,
        capsize=3.0,
        linewidth=1.4,
        zorder=4,
        clip_on=False,
    )


def owners(result: Separation, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """Amplitudes of the orders: the encoder's position error above, the machine's torque below."""
    groups = {
        owner: [row for row in result.rows if row.owner == owner and np.isfinite(row.order)]
        for owner in OWNERS
    }
    unit = result.axis.scale.unit
    heads = {
        "encoder": ("Error of the encoder, amplitude", unit),
        "machine": ("Disturbance by the machine, amplitude", result.unit_words()["force"]),
        "unknown": (f"Not decided: {'' if style.phone else 'measured '}position, amplitude", unit),
    }
    shown = [owner for owner, rows in groups.items() if rows] or ["unknown"]
    across = [row.order for rows in groups.values() for row in rows] or [1.4, 10.0 / 1.4]
    span = Span(min(across) / 1.4, max(across) * 1.4, True)
    panels = [_owner_panel(groups[owner], owner, heads[owner], (style, ax, span)) for owner in shown]
    if ax is not None:
        return into(ax, style, panels[0])

    title = _owners_in_words({owner: len(rows) for owner, rows in groups.items()})
    doubt = "" if result.valid else f"Not reliable: {result.reasons[0]}. "
    speeds = ", ".join(quantity(abs(speed), f"{unit}/s") for speed in result.speeds)
    note = f"{doubt}Speeds {speeds}; bars are 2 standard uncertainties. {result.advice}"
    text = f"Stick charts of amplitude against order by owner. {title}."
    return stack(style, canvas.Words(title, note, text), panels, gap=20.0).panels[0]


def _owners_in_words(counts: dict[str, int]) -> str:
    """The answer: how many orders are of the encoder, of the machine, and not decided."""
    words = {"encoder": "of the encoder", "machine": "of the machine", "unknown": "not decided"}
    found = [owner for owner, count in counts.items() if count]
    if not found:
        return "No order found"
    if len(found) > 1:
        return f"Orders: {listed(f'{counts[owner]} {words[owner]}' for owner in found)}"
    count = counts[found[0]]
    return f"{f'All {count} orders are' if count > 1 else 'The order found is'} {words[found[0]]}"


def _owner_panel(
    rows: list[OwnedOrder], owner: str, head: tuple[str, str], sheet: tuple[Style, Axes | None, Span]
) -> StackPanel:
    """Orders of one owner on logarithmic axes, with the span of all orders."""
    style, ax, across = sheet
    y, error = (np.array([getattr(row, name) for row in rows]) for name in ("amplitude", "uncertainty"))
    unit = axis_unit(y.max(initial=0.0), head[1], labels_of(ax)[1])
    per = "per metre" if head[1] in ("m", "N") else "per revolution"
    up = Span(0.1, 1.0, True)
    if len(rows):
        low = max((y - 2.0 * error).min(), 0.1 * y.min()) / unit[1]
        high = (y + 2.0 * error).max() / unit[1]
        up = Span(low / 1.6, high * 6.0, True)
    return StackPanel(
        f"{head[0]} ({unit[0]})",
        f"Order ({per})",
        SHORT[style.page],
        across,
        up,
        lambda ax: _owned(ax, rows, unit[1], style.colour(OWNERS[owner]), style),
    )


def _owned(ax: Axes, rows: list[OwnedOrder], unit: float, colour: str, style: Style) -> None:
    """Sticks, bars and the numbers of the strongest orders."""
    labels = Labels(ax, style)
    if not rows:
        labels.put("no order found", labels.size / 2.0, "muted", bold=False)
        return
    low = ax.get_ylim()[0]
    x, y = (np.array([getattr(row, name) for row in rows]) for name in ("order", "amplitude"))
    error = np.array([row.uncertainty for row in rows]) / unit
    y = y / unit
    ax.vlines(x, low, y, color=colour, linewidth=1.6, zorder=3)
    down = np.minimum(2.0 * error, 0.9 * y)
    ax.errorbar(x, y, [down, 2.0 * error], fmt="o", color=colour, markersize=4.6, capsize=3.0, zorder=4)
    labels.avoid_points(x, y)
    labels.avoid_sticks(x, y - down, y + 2.0 * error)
    for place in np.argsort(-y)[:NAMED]:
        # a number stands above its own bar
        name, top = digits(rows[place].order, 6, strip=True), y[place] + 2.0 * error[place]
        labels.at([name], x[place], top, "ink", bold=False, above=True, most=NEAR)


def comparison(result: Comparison, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """Spectrum of the measured velocity with the harmonics that the axis explains and those that it does not."""
    speed, unit_name = abs(result.speed), result.position_unit
    per_period = result.frequency[1:] * result.axis.scale.pitch / speed
    spectrum = result.spectrum[1:]
    unit = axis_unit(spectrum.max(initial=0.0), f"{unit_name}/s", labels_of(ax)[1])
    most = spectrum.max(initial=0.0) / unit[1] or 1.0
    panel = StackPanel(
        f"Velocity spectrum, amplitude ({unit[0]})",
        "Order per signal period" if style.phone else "Frequency after sampling, per signal period",
        TALL[style.page],
        Span(_first_shown(result, per_period, most * DECADES * unit[1]), per_period[-1], True),
        Span(most * DECADES, most * 6.0, True),
        lambda ax: _spectrum(ax, result, per_period, unit[1], style),
    )
    if ax is not None:
        return into(ax, style, panel)
    panels = [panel, _histogram(result, style)]
    if result.harmonics:
        panels.append(_compared(result, style))
    agree = "agrees with" if result.agrees else "differs from"
    both = (quantity(value, f"{unit_name}/s") for value in (result.measured, result.predicted))
    title = f"Measured ripple {next(both)} rms {agree} the {next(both)} predicted"
    error = quantity(result.uncertainty, f"{unit_name}/s", 2)
    doubt = "" if result.valid else f" Not reliable: {result.reasons[0]}."
    at = quantity(speed, f"{unit_name}/s")
    drawn = "Bars, dots, jagged line: measured; rings, smooth line: explained by the axis, its harmonics by number."
    note = f"At {at}; standard uncertainty {error}. {drawn}{doubt}"
    text = f"Spectrum and histogram of the measured velocity with what is predicted. {sentence(title)}."
    return stack(style, canvas.Words(title, note, text), panels, gap=20.0).panels[0]


def _first_shown(result: Comparison, order: np.ndarray, floor: float) -> float:
    """Where a spectrum begins: below the first line, or what else rises above its floor."""
    lines_of_axis, size = _predicted(result)
    known = (lines_of_axis.alias * result.axis.scale.pitch / abs(result.speed))[size > floor]
    least = max(order[0], order[-1] * DECADES)
    seen = [*order[result.spectrum[1:] > floor], *known[known > 0.0]]
    return float(max(least, min([*seen, order[-1] / 10.0]) / 1.5))


def _spectrum(ax: Axes, result: Comparison, order: np.ndarray, unit: float, style: Style) -> None:
    """The spectrum in ink, predicted harmonics as rings, unexplained ones named."""
    speed, pitch = abs(result.speed), result.axis.scale.pitch
    low = ax.get_ylim()[0]
    ax.plot(
        order, np.maximum(result.spectrum[1:] / unit, low / 10.0), color=style.colour("ink"), linewidth=0.7
    )
    labels = Labels(ax, style)
    labels.avoid(order, np.maximum(result.spectrum[1:] / unit, low))
    found, size = _predicted(result)
    size = size / unit
    kept = size > low
    x, y = found.alias[kept] * pitch / speed, size[kept]
    ax.plot(x, y, **{**style.ring(), "markeredgecolor": style.colour("cyclic")})
    labels.avoid_points(x, y)
    labels.avoid_sticks(x, low, y)
    for place in np.argsort(-y)[:NAMED]:
        labels.at([f"{found.harmonic[kept][place]:.4g}"], x[place], y[place], "cyclic", above=True)
    for line in result.unexplained[:NAMED]:
        name = f"order {line.order:.3g}" if np.isfinite(line.order) else quantity(line.frequency, "Hz")
        at = line.frequency * pitch / speed, line.amplitude / unit
        labels.at([f"not explained: {name}", name], *at, "force", above=True)


def _predicted(result: Comparison) -> tuple[Lines, np.ndarray]:
    """Harmonics of the axis at the speed, and the velocity amplitude that the closed loop leaves of each."""
    speed = abs(result.speed)
    found = lines(result.axis, speed)
    return found, found.velocity * np.abs(steady_pieces.sensitivity(result.axis, found.frequency, speed))


def _histogram(result: Comparison, style: Style) -> StackPanel:
    """Share of the samples at each velocity, measured and predicted."""
    unit = axis_unit(
        float(np.abs(result.deviation).max(initial=result.predicted)), f"{result.position_unit}/s"
    )
    most = 1.1 * max(float(np.abs(result.deviation).max(initial=0.0)), 3.0 * result.predicted) or 1.0
    edges = _bars_of(result, most)
    measured = 100.0 * np.histogram(result.deviation, edges)[0] / len(result.deviation)
    predicted = 100.0 * np.diff(_distribution(result, edges))

    def draw(ax: Axes) -> None:
        ax.stairs(measured, edges / unit[1], fill=True, color=style.colour("soft"), zorder=2)
        ax.stairs(measured, edges / unit[1], color=style.colour("ink"), linewidth=1.4, zorder=3)
        middle = 0.5 * (edges[1:] + edges[:-1]) / unit[1]
        ax.plot(middle, predicted, **style.line("cyclic"), zorder=4)
        labels = Labels(ax, style)
        labels.avoid(middle, predicted, key="predicted")
        labels.avoid(np.repeat(edges, 2)[1:-1] / unit[1], np.repeat(measured, 2), key="measured")
        labels.beside("predicted", "predicted", "cyclic")
        labels.beside("measured", "measured", "ink")

    return StackPanel(
        "Share of the samples (%)",
        f"Velocity minus its mean ({unit[0]})",
        SHORT[style.page],
        Span(float(edges[0]) / unit[1], float(edges[-1]) / unit[1]),
        Span(0.0, 1.25 * max(float(measured.max()), float(predicted.max()))),
        draw,
    )


def _bars_of(result: Comparison, most: float) -> np.ndarray:
    """Edges of the bars: whole counts a sample wide, and between two counts, where counts are seen."""
    width, step = 2.0 * most / BARS, result.axis.resolution * result.axis.sampling.rate
    if not step or step > most:
        return np.linspace(-most, most, BARS + 1)
    width = step * max(1.0, float(np.rint(width / step)))
    first = np.floor(-most / width) * width
    shift = (0.5 * step - result.speed - first) % width
    return np.asarray(np.arange(first + shift - width, most + width, width))


def _distribution(result: Comparison, edges: np.ndarray) -> np.ndarray:
    """Predicted share of samples below each velocity: harmonics of any phases, and the rest as Gaussian."""
    from scipy.special import ndtr

    size = _predicted(result)[1]
    strong = size > DECADES * size.max(initial=0.0)
    starts = np.random.default_rng(0).random((STARTS, np.count_nonzero(strong)))
    made = np.sin(2.0 * np.pi * starts) @ size[strong]
    rest = np.sqrt(max(result.predicted**2 - float(np.mean(made**2)), (edges[1] - edges[0]) ** 2 / 16.0))
    return np.asarray(np.mean(ndtr((edges[:, None] - made) / rest), axis=1))


def _compared(result: Comparison, style: Style) -> StackPanel:
    """Measured harmonics with their bars beside the predicted ones."""
    number, measured, predicted, error = (np.array(column) for column in zip(*result.harmonics, strict=True))
    unit = axis_unit(max(measured.max(), predicted.max()), result.position_unit)

    def draw(ax: Axes) -> None:
        _bars(ax, number - 0.12, measured / unit[1], error / unit[1], style, role="ink")
        ring = {**style.ring(), "markeredgecolor": style.colour("cyclic"), "clip_on": False}
        ax.plot(number + 0.12, predicted / unit[1], **ring)

    return StackPanel(
        f"Position error, amplitude ({unit[0]})",
        "Harmonic of the signal period",
        SHORT[style.page],
        Span(0.4, number.max() + 0.6, ticks={float(n): str(n) for n in number}),
        Span(0.0, 1.25 * max((measured + 2.0 * error).max(), predicted.max()) / unit[1]),
        draw,
    )


def fitted(result: Fit, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """Ripple of the fitted axis against speed with the recordings' points and their bars."""
    axis = result.axis
    unit_name = axis.scale.unit
    points = sorted(result.observed)
    speed = np.array([abs(point.speed) for point in points])
    middle = speed if len(speed) else np.array([1e3 * axis.scale.pitch])
    grid = np.unique(
        np.concatenate([np.geomspace(middle.min() / 5.0, middle.max() * 5.0, POINTS // 2), speed])
    )
    rms = _ripple(result, grid)
    shown = np.isfinite(rms) & (rms > 0.0)
    across = axis_unit(grid.max(), f"{unit_name}/s", labels_of(ax)[0])
    unit = axis_unit(rms[shown].max(initial=0.0), f"{unit_name}/s", labels_of(ax)[1])

    def draw(ax: Axes) -> None:
        labels = Labels(ax, style)
        x, y = grid[shown] / across[1], rms[shown] / unit[1]
        ax.plot(x, y, **style.line("ink"))
        labels.avoid(x, y, key="curve")
        for point in points:
            at = abs(point.speed) / across[1], point.rms / unit[1]
            ax.errorbar(*at, 2.0 * point.uncertainty / unit[1], fmt="o", color=style.colour("true"), markersize=5.0,
                        capsize=3.0, zorder=5)  # fmt: skip
            labels.avoid_points(np.array([at[0]]), np.array([at[1]]))
        labels.beside("fitted axis", "curve", "ink")

    every = np.concatenate([rms[shown], [point.rms for point in points]]) / unit[1]
    span = Span(every.min() / 1.6, every.max() * 1.8, True) if len(every) else Span(0.1, 1.0, True)
    panel = StackPanel(
        f"Velocity ripple, rms ({unit[0]})",
        f"Speed ({across[0]})",
        TALL[style.page],
        Span(grid.min() / across[1], grid.max() / across[1], True),
        span,
        draw,
    )
    if ax is not None:
        return into(ax, style, panel)
    names = ", ".join(result.values)
    many = "the recording" if len(points) == 1 else f"{len(points) or 'the'} recordings"
    title = f"The fitted axis describes {many}: misfit {misfit_words(result.misfit)}"
    if not result.valid:
        title = f"The fit to {many} is not reliable: misfit {misfit_words(result.misfit)}"
    doubt = "" if result.valid else f" Not reliable: {result.reasons[0]}."
    note = (
        f"Fitted: {names}. Dots: recordings, bars are 2 standard uncertainties; misfit 1 is perfect.{doubt}"
    )
    text = f"Log-log chart of ripple against speed with points of the recordings. {title}."
    return stack(style, canvas.Words(title, note, text), [panel]).panels[0]


def _ripple(result: Fit, speed: np.ndarray) -> np.ndarray:
    """Predicted ripple of the fitted axis."""
    if not is_closed(result.axis):
        return np.asarray(ripple(result.axis, speed).rms)
    return np.array([predicted_ripple(result.axis, float(v))[0] for v in speed])
