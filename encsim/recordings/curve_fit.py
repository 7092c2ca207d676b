"""The two fits of recorded channels: by the distance from the ellipse alone, and with a smooth phase.

Steps of a converter that are larger than the noise are found in the data and taken out of noise and bias.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from ..calibration import ellipse, waveform
from ..calibration.waveform import MOST_POINTS, some_of
from . import converter, identification
from .converter import ConverterSteps
from .identification import WIDE, Colour, sector_coverage

if TYPE_CHECKING:
    from ..calibration.ellipse import Squares
    from ..calibration.waveform import Steady, Wave


LARGEST_JITTER = 0.1
ORDERS = tuple(range(2, 10))
CYCLIC_ORDERS = tuple(range(3, 11))
# Fewest points with which the cyclic part of the distance can be separated from ellipse and noise.
CYCLIC_POINTS = 60
# Fewest points of a recording of which smooth motion is tried without being told.
LEAST_OF_MOTION = 100
ROUNDING = 1e-12
SIGNIFICANT = 4.0
# Correlation of successive errors of a channel, in those of chance, from which its noise is not white.
ALIKE = 6.0
SLOW_NOISE = (
    "the noise of the channels is alike from sample to sample (hum, a reference that moves, or what repeats and is no "
    "waveform harmonic): the uncertainties hold this, and the offset is the mean of the recording"
)
# With less noise than this share of a step rounding errors follow the phase.
DITHERED = 0.5
# Share of the speed by which it must change to tell what depends on it.
LEAST_CHANGE = 0.02
SPEED_PASSES = 12


@dataclass(frozen=True, slots=True, eq=False)
class SpeedTerms:
    """What the recorded speeds show, (value, uncertainty): lag of the sine, time constant of the amplitude, in samples.

    ``shift`` is what they move each point by, ``wider`` what the covariance of the curve's parameters grows by.
    """

    lag: tuple[float, float] | None = None
    pole: tuple[float, float] | None = None
    shift: np.ndarray | None = None
    wider: float | np.ndarray = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class ChannelFit:
    """A fit of scaled channels: parameters q and covariance as in `ellipse`; noise and jitter with uncertainty.

    ``bound`` is the covariance that white noise alone would leave.
    """

    q: np.ndarray
    covariance: np.ndarray
    bound: np.ndarray
    waves: tuple[Wave, ...]
    noise: tuple[float, float]
    jitter: tuple[float, float]
    reasons: tuple[str, ...]
    remarks: tuple[str, ...]
    colour: Colour | None = None
    angle: np.ndarray | None = None
    # Points used and their smooth phase.
    used: np.ndarray | None = None
    phase: np.ndarray | None = None
    speed: SpeedTerms = field(default_factory=SpeedTerms)


def fitted(
    c: np.ndarray, s: np.ndarray, size: float, steady: bool | None, k: np.ndarray | None
) -> tuple[ChannelFit, np.ndarray]:
    """The fit of both channels divided by ``size``, and the corrected circle of some or all points."""
    if size == 0.0:
        raise ellipse.NoFit("both channels are constant")
    x, y = c / size, s / size
    used = some_of(len(x))
    squares = ellipse.fit_ellipse(x[used], y[used])
    if len(used) < len(x):
        squares = ellipse.of_all(squares, x, y, len(used))
    circle = ellipse.corrected(squares.q, x[used], y[used])
    steps = ConverterSteps(converter.converter_step(x), converter.converter_step(y), float(x[0]), float(y[0]))
    orders = CYCLIC_ORDERS if len(used) >= CYCLIC_POINTS and sector_coverage(circle) >= WIDE else ()
    alone = _from_ellipse(squares, x[used], y[used], orders)
    if steady or (steady is None and len(x) >= LEAST_OF_MOTION):
        fit = _from_motion(alone, squares, x, y, steps, k)
        if not fit.reasons:
            moved = 0.0 if fit.speed.shift is None else fit.speed.shift
            return fit, ellipse.corrected(fit.q, x[used] - np.real(moved), y[used] - np.imag(moved))
        told = f"smooth motion was tried and does not fit ({fit.reasons[0]})"
        alone = fit if steady else replace(alone, remarks=(*alone.remarks, told))
    return _without_steps(alone, squares, np.angle(circle), steps, orders), circle


def _from_ellipse(squares: Squares, x: np.ndarray, y: np.ndarray, orders: tuple[int, ...]) -> ChannelFit:
    """The fit by the distance from the ellipse alone, of which the harmonics of some orders are left out."""
    free = len(x) - 5
    variance, sum_of_harmonics = np.sum(ellipse.distances(squares.q, x, y)[0] ** 2) / free, ""
    if orders:
        harmonic_sum, error, variance = ellipse.cyclic_distance(squares.q, x, y, orders)
        free -= 2 * len(orders)
        size = squares.q[2]
        sum_of_harmonics = (
            f": h3 + h5 = {harmonic_sum / size:.2g} ± {error / size:.1g} (position needs h5 - h3)"
        )
    remarks = (
        "fitted to the ellipse alone: a small residual is no proof that the angle is right",
        "noise is what the radius shows; position jitter does not show",
        f"of waveform harmonics only sums show{sum_of_harmonics}; smooth motion (steady) would tell them apart",
    )
    noise = _root(variance, variance * np.sqrt(2.0 / free))
    return ChannelFit(
        squares.q, squares.covariance, squares.covariance, (), noise, (np.nan, np.nan), (), remarks
    )


def _without_steps(
    alone: ChannelFit,
    squares: Squares,
    theta: np.ndarray,
    steps: ConverterSteps,
    orders: tuple[int, ...],
) -> ChannelFit:
    """The fit by the distance from the ellipse with the noise before the converter."""
    variance = alone.noise[0] ** 2
    if not steps.matter(variance):
        return alone
    noise = _root(variance - steps.variance, 2.0 * alone.noise[0] * alone.noise[1])
    if noise[0] < DITHERED * steps.size:
        squares, noise = converter.ellipse_in_steps(squares, theta, steps, variance, orders)
    bound = alone.bound * (min(1.0, noise[0] ** 2 / variance))
    remarks = (*alone.remarks, steps.words(squares.q[2], noise[0]))
    return replace(
        alone, q=squares.q, covariance=squares.covariance, bound=bound, noise=noise, remarks=remarks
    )


def _from_motion(
    alone: ChannelFit,
    squares: Squares,
    x: np.ndarray,
    y: np.ndarray,
    steps: ConverterSteps,
    k: np.ndarray | None,
) -> ChannelFit:
    """The fit with smooth motion, or that of the ellipse alone with a reason if smooth motion does not fit."""
    count = len(x)
    try:
        smooth, used = _smooth_fit(squares.q, x, y, steps, k), some_of(len(x))
        apart, speed = (len(x) - 1) / (len(used) - 1), _against_speed(smooth.fit, x[used], y[used])
        if speed.shift is not None:
            # What depends on the speed is taken off; the values then lie on no lattice of a converter.
            k, steps = (used if k is None else k[used]), ConverterSteps(0.0, 0.0)
            x, y, used = x[used] - speed.shift.real, y[used] - speed.shift.imag, np.arange(len(used))
            smooth = _smooth_fit(squares.q, x, y, steps, k, rate=smooth.fit.motion.rate)
    except (ellipse.NoFit, np.linalg.LinAlgError) as fault:
        return replace(alone, reasons=(f"no smooth motion fits: {fault}",))
    fit, total = smooth.fit, smooth.total
    jitter, error = _root(fit.spread.jitter, fit.spread.jitter_error)
    if jitter > LARGEST_JITTER:
        off = f"{jitter:.2g} rad rms off a slow curve, above {LARGEST_JITTER}"
        return replace(alone, reasons=(f"the motion is not smooth: {off}",))
    if np.sqrt(total) > _largest_noise(alone.noise[0], jitter, len(fit.motion.index)):
        off = f"{np.sqrt(total):.2g} rms with it, {alone.noise[0]:.2g} for the ellipse alone"
        return replace(alone, reasons=(f"the motion is not smooth: radius error {off}",))
    points = x[used] + 1j * y[used] if smooth.points is None else smooth.points
    angle = waveform.residuals(fit.q, points.real, points.imag, fit.phase, fit.waves)[1]
    white = max(np.mean(angle**2) - max(fit.spread.jitter, 0.0), 0.0)
    colour = identification.colour(angle, white if fit.spread.shaky else float(np.mean(angle**2)))
    covariance, bound = fit.covariance.copy(), fit.covariance.copy()
    if colour.name != "white":
        covariance = apart * _where_alike(fit, points.real, points.imag, colour.memory)
        jitter, error = _root(*_jitter_where_alike(fit, colour.memory))
    colour = replace(colour, memory=colour.memory * apart, memory_error=colour.memory_error * apart)
    noise, remarks = (
        _root(fit.spread.noise, fit.spread.noise_error),
        [*_motion_remarks(fit, jitter, error, colour)],
    )
    slow = None if fit.spread.shaky or smooth.points is not None else _where_channels_alike(fit, points)
    if slow is not None:
        covariance, noise = slow[0], (noise[0], noise[1] * float(np.sqrt(slow[1])))
        remarks.append(SLOW_NOISE)
    if steps.matter(total):
        remarks.append(steps.words(fit.q[2], noise[0]))
    for part in (covariance, bound):
        part[:5, :5] += speed.wider
    return ChannelFit(
        fit.q,
        covariance,
        bound,
        fit.waves,
        noise,
        (jitter if fit.spread.shaky else 0.0, error),
        (),
        tuple(remarks),
        colour=colour,
        angle=angle,
        used=some_of(count),
        phase=fit.phase,
        speed=speed,
    )


def _where_alike(fit: Steady, c: np.ndarray, s: np.ndarray, memory: float) -> np.ndarray:
    """Covariance where successive errors along the curve are alike, over about so many samples."""
    # The spectrum of these errors, smoothed, weighs the sensitivity of each parameter to each sample: a parameter
    # takes from it only what lies at the frequencies at which the curve shows it.
    weights = waveform.weights_of(fit.spread)
    across, along = waveform.rows_of(fit.q, c, s, fit.waves, fit.motion, slice(None), weights)
    inverse = ellipse.inverse_of(across[1].T @ across[1] + along[1].T @ along[1])
    free = len(c) - 0.5 * len(fit.q)
    own = np.sum(across[0] ** 2) / free * (inverse @ across[1].T @ across[1] @ inverse)
    lags = int(min(8.0 * memory + 8.0, len(c) // 8))
    found = own + _seen_through(along[0], along[1] @ inverse, lags, free)
    # The sizes follow those of the fit, which holds the steps of a converter and the damping by jitter.
    white = inverse * (np.sum(across[0] ** 2) + np.sum(along[0] ** 2)) / (2.0 * free)
    scale = np.sqrt(np.diag(fit.covariance) / np.diag(white))
    return np.asarray(found * np.outer(scale, scale))


def _seen_through(errors: np.ndarray, slopes: np.ndarray, lags: int, free: float) -> np.ndarray:
    """Covariance of what errors that are alike over so many samples do to parameters, by their smoothed spectrum."""
    from scipy.signal.windows import parzen

    count = len(errors)
    products = identification.autocorrelation(errors, lags) * parzen(2 * lags + 1)[lags:]
    spectrum = 2.0 * np.fft.rfft(products, 2 * count).real - products[0]
    seen = np.fft.rfft(slopes, 2 * count, axis=0)
    share = np.full(len(spectrum), 1.0 / free)
    share[[0, -1]] *= 0.5
    return np.asarray((seen.conj().T @ (seen * (share * spectrum)[:, None])).real)


def _where_channels_alike(fit: Steady, points: np.ndarray) -> tuple[np.ndarray, float] | None:
    """Covariance where the noise of a channel is alike from sample to sample, and the samples that count as one."""
    theta, errors = fit.phase, points - fit.curve
    alike = [identification.autocorrelation(row, len(row) // 8) for row in (errors.real, errors.imag)]
    if all(np.max(row[1:4]) < ALIKE / np.sqrt(len(errors)) * row[0] for row in alike):
        return None
    _, tangent, shapes = waveform.curve_at(fit.q, theta, fit.waves)
    columns = np.stack(ellipse.ellipse_columns(fit.q, theta) + shapes, axis=1)
    columns = np.concatenate([columns, tangent[:, None] * fit.motion.basis(slice(None))], axis=1)
    inverse = ellipse.inverse_of(columns.real.T @ columns.real + columns.imag.T @ columns.imag)
    free = len(errors) - 0.5 * len(fit.q)
    parts = [
        _seen_through(row, slopes @ inverse, len(row) // 8, free)
        for row, slopes in ((errors.real, columns.real), (errors.imag, columns.imag))
    ]
    squares = [float(2.0 * np.sum((row / row[0]) ** 2) - 1.0) for row in alike]
    return np.asarray(parts[0] + parts[1]), max(squares)


def _jitter_where_alike(fit: Steady, memory: float) -> tuple[float, float]:
    """Variance of a one-pole phase jitter and its uncertainty; the smooth phase takes a part of the slow jitter."""
    count, functions = len(fit.motion.index), len(fit.q) - 5 - len(fit.waves)
    taken = min(functions * (1.0 + 2.0 * memory) / count, 0.5)
    variance, error = fit.spread.jitter / (1.0 - taken), fit.spread.jitter_error
    squares = 1.0 / np.tanh(1.0 / memory) - 1.0
    chance = variance * np.sqrt(2.0 * squares / count)
    return variance, float(np.sqrt(error**2 + chance**2 + (0.5 * taken * variance) ** 2))


@dataclass(frozen=True, slots=True, eq=False)
class _SmoothFit:
    """A fit with smooth motion, its variance with the steps of the converter, and the points before it if it knows."""

    fit: Steady
    total: float
    points: np.ndarray | None = None


def _smooth_fit(
    q: np.ndarray,
    x: np.ndarray,
    y: np.ndarray,
    steps: ConverterSteps,
    k: np.ndarray | None,
    *,
    rate: float | None = None,
) -> _SmoothFit:
    """The fit with smooth motion, with the noise before the converter."""
    fit = waveform.fit_steady(q, x, y, ORDERS, k, rate=rate)
    total = fit.spread.noise
    below = max(total - steps.variance, 0.0)
    if not steps.matter(total) or (below > (DITHERED * steps.size) ** 2 and len(x) > MOST_POINTS):
        return _SmoothFit(replace(fit, spread=replace(fit.spread, noise=below)), total)
    # The mean of the codes at each point is known from the fit: without it the steps make a bias that repeats.
    used = some_of(len(x))
    k, points = np.arange(len(x))[used] if k is None else k[used], x[used] + 1j * y[used]
    before = points - steps.mean_error(fit.curve, float(np.sqrt(below)))
    fit = waveform.fit_steady(fit.q[:5], before.real, before.imag, ORDERS, k, rate=fit.motion.rate)
    fit, points = converter.most_likely(fit, points, steps, float(np.sqrt(below)))
    return _SmoothFit(fit, total, points)


def _against_speed(fit: Steady, c: np.ndarray, s: np.ndarray) -> SpeedTerms:
    """Lag of the sine and time constant of the amplitude, where the recorded speeds show them."""
    speed = np.gradient(fit.phase, fit.motion.index)
    if np.ptp(speed) < LEAST_CHANGE * np.max(np.abs(speed)):
        return SpeedTerms()
    point, lag, beside = _shown_beside(fit)
    away, square, wanted = c + 1j * s - fit.curve, 0.0, np.array([True, True])
    for _ in range(SPEED_PASSES):
        # Amplitude of one pole less 1, per square of its time constant.
        fall = -0.5 * speed**2 if square == 0.0 else (1.0 / np.sqrt(1.0 + square * speed**2) - 1.0) / square
        terms = np.stack([lag * speed, point * fall], axis=1)
        found = ellipse.beside(terms[:, wanted], beside, away)
        if found is None:
            return SpeedTerms()
        values, errors = np.zeros((2, 2))
        values[wanted], errors[wanted] = found[0], np.sqrt(np.diag(found[1]))
        shift, change = terms @ values, found[2][:5]
        wider, moved = change @ found[1] @ change.T, change @ found[0]
        wanted = (np.abs(values) > SIGNIFICANT * errors) & (values > [-np.inf, 0.0])
        if not np.any(wanted):
            return SpeedTerms()
        square = float(wanted[1] * values[1] / (1.0 + moved[2] / fit.q[2]))
    pole = np.sqrt(square)
    # The amplitude is taken as that of steady motion at each speed: an error of the change within a time constant.
    unsteady = (
        2.0 * pole**2 * np.max(np.abs(np.gradient(speed, fit.motion.index))) / np.max(np.abs(speed))
        if pole
        else 0.0
    )
    return SpeedTerms(
        (float(values[0]), float(errors[0])) if wanted[0] else None,
        (float(pole), float(np.hypot(0.5 * errors[1] / pole, unsteady))) if wanted[1] else None,
        shift,
        wider,
    )


def _shown_beside(fit: Steady) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Points about their centre, their change by the phase error, and all that is fitted beside what speed changes."""
    theta = fit.phase
    columns = [*ellipse.ellipse_columns(fit.q, theta), *waveform.curve_at(fit.q, theta, fit.waves)[2]]
    point = fit.curve - fit.q[0] - 1j * fit.q[1]
    slow = fit.motion.basis(slice(None)) * ellipse.ellipse(fit.q, theta)[1][:, None]
    # An amplitude that drifts evenly with time is none that falls with the speed.
    drifting = point * np.linspace(-1.0, 1.0, len(theta))
    return point, columns[4], np.concatenate([np.stack([*columns, drifting], axis=1), slow], axis=1)


def _largest_noise(alone: float, jitter: float, count: int) -> float:
    """Largest noise with smooth motion that agrees with the residual of the ellipse alone."""
    # Twice that variance, six standard deviations of chance, and twice the radial part of the jitter.
    return float(np.sqrt(alone**2 * (2.0 + 6.0 * np.sqrt(4.0 / count)) + jitter**4) + ROUNDING)


def _root(variance: float, error: float) -> tuple[float, float]:
    """Standard deviation and its uncertainty, from a variance and its uncertainty."""
    root = np.sqrt(max(variance, 0.0))
    return root, error / (2.0 * max(root, np.sqrt(0.5 * error), 1e-300))


def _motion_remarks(fit: Steady, jitter: float, error: float, colour: Colour) -> Iterator[str]:
    """What the figures with smooth motion include."""
    by = (
        f"spline of {fit.degree + 1} pieces"
        if len(fit.motion.knots)
        else f"polynomial of degree {fit.degree}"
    )
    yield (
        f"smooth motion assumed: {abs(fit.turns):.4g} periods as sampled, phase a {by}; "
        "errors that repeat every period but are no waveform harmonic are not modelled"
    )
    if fit.spread.shaky:
        yield f"phase jitter {jitter:.2g} ± {error:.1g} rad rms, unsteadiness of the true motion included"
    else:
        yield f"no phase jitter seen, less than about {jitter + 2.0 * error:.1g} rad rms"
    if colour.name != "white":
        yield (
            f"successive phase errors are alike ({colour.name}, over {colour.memory:.3g} samples): the true motion "
            f"varied, samples are held or the jitter is slow; the uncertainties hold this"
        )
    own = sorted({n for n, part in fit.waves if part})
    if own:
        listed = ", ".join(map(str, own))
        yield f"harmonics of order {listed} differ between the channels: signal holds only what they have in common"
    yield f"harmonics of orders {ORDERS[0]} to {ORDERS[-1]} smaller than {fit.limit:.1g} do not show"
