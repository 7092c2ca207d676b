"""The two fits of recorded channels: by the distance from the ellipse alone, and with a smooth phase.

ConverterSteps of a converter that are larger than the noise are found in the data and taken out of noise and bias.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from . import ellipse, identification, waveform
from .identification import WIDE, Colour, sector_coverage
from .waveform import MOST_POINTS

if TYPE_CHECKING:
    from .ellipse import Squares
    from .waveform import Steady, Wave


LARGEST_JITTER = 0.1
ORDERS = tuple(range(2, 10))
CYCLIC_ORDERS = tuple(range(3, 11))
# Fewest points with which the cyclic part of the distance can be separated from ellipse and noise.
CYCLIC_POINTS = 60
# Fewest points of a recording of which smooth motion is tried without being told.
LEAST_OF_MOTION = 100
ROUNDING = 1e-12
SIGNIFICANT = 4.0
# ConverterSteps matter from this share of the rms residual on.
STEPS_MATTER = 0.5
STEP_PASSES = 2
# Share of the speed by which it must change to tell what depends on it.
LEAST_CHANGE = 0.02
SPEED_PASSES = 4
# Noise of less than this share of a step is not measured better than to LEAST_KNOWN of it.
LOW, LEAST_KNOWN = 0.25, 0.06
FEW_SIMULATED = 20_000


@dataclass(frozen=True, slots=True)
class ConverterSteps:
    """ConverterSteps of the converter in each channel, 0 where none show, and a value on each lattice."""

    cosine: float
    sine: float
    cosine_origin: float = 0.0
    sine_origin: float = 0.0

    @property
    def size(self) -> float:
        """Rms of the two steps."""
        return float(np.sqrt(0.5 * (self.cosine**2 + self.sine**2)))

    @property
    def variance(self) -> float:
        """Mean square of the rounding error."""
        return self.size**2 / 12.0

    def matter(self, variance: float) -> bool:
        """Whether both channels have steps and these are not small beside residuals of this variance."""
        return min(self.cosine, self.sine) > STEPS_MATTER * float(np.sqrt(variance))

    def converted(self, c: np.ndarray, s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Values as the converter shows them."""
        lattices = ((c, self.cosine, self.cosine_origin), (s, self.sine, self.sine_origin))
        c, s = (np.rint((row - origin) / step) * step + origin for row, step, origin in lattices)
        return c, s

    def mean_error(self, points: np.ndarray, noise: float) -> np.ndarray:
        """Mean of what the converter shows minus the true points, complex."""
        c = identification.mean_of_codes(points.real, self.cosine, self.cosine_origin, noise)
        return c + 1j * identification.mean_of_codes(points.imag, self.sine, self.sine_origin, noise)

    def words(self, amplitude: float, noise: float) -> str:
        """Remark on the steps."""
        steps = 2.0 * amplitude / self.size
        return (
            f"the channels are in steps, {steps:.0f} over their range, about {np.log2(steps):.1f} bits: noise is "
            f"without them, {noise / self.size:.2g} of a step"
        )


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
    speed: SpeedTerms = field(default_factory=SpeedTerms)


def fitted(
    c: np.ndarray, s: np.ndarray, size: float, steady: bool | None, k: np.ndarray | None
) -> tuple[ChannelFit, np.ndarray]:
    """The fit of both channels divided by ``size``, and the corrected circle of some or all points."""
    if size == 0.0:
        raise ellipse.NoFit("both channels are constant")
    x, y = c / size, s / size
    used = _some(len(x))
    squares = ellipse.fit_ellipse(x[used], y[used])
    if len(used) < len(x):
        squares = ellipse.of_all(squares, x, y, len(used))
    circle = ellipse.corrected(squares.q, x[used], y[used])
    found = identification.converter_step(x), identification.converter_step(y)
    steps = ConverterSteps(found[0], found[1], float(x[0]), float(y[0]))
    alone = _from_ellipse(squares, x[used], y[used], sector_coverage(circle), steps)
    if steady is False or (steady is None and len(x) < LEAST_OF_MOTION):
        return alone, circle
    fit = _from_motion(alone, squares, x, y, steps, k)
    if steady is None and fit.reasons:
        told = f"smooth motion was tried and does not fit ({fit.reasons[0]})"
        return replace(alone, remarks=(*alone.remarks, told)), circle
    moved = 0.0 if fit.speed.shift is None else fit.speed.shift
    return fit, ellipse.corrected(fit.q, x[used] - np.real(moved), y[used] - np.imag(moved))


def _some(count: int) -> np.ndarray:
    """Numbers of the points that the solver works with."""
    few = min(count, MOST_POINTS)
    return np.arange(count) if few == count else np.linspace(0, count - 1, few).astype(np.int64)


def _from_ellipse(
    squares: Squares, x: np.ndarray, y: np.ndarray, coverage: float, steps: ConverterSteps
) -> ChannelFit:
    """The fit by the distance from the ellipse alone."""
    free = len(x) - 5
    distance, theta = ellipse.distances(squares.q, x, y)
    variance, sum_of_harmonics = np.sum(distance**2) / free, ""
    if coverage >= WIDE and len(x) >= CYCLIC_POINTS:
        harmonic_sum, error, variance = ellipse.cyclic_distance(squares.q, x, y, CYCLIC_ORDERS)
        free -= 2 * len(CYCLIC_ORDERS)
        size = squares.q[2]
        sum_of_harmonics = (
            f": h3 + h5 = {harmonic_sum / size:.2g} ± {error / size:.1g} (position needs h5 - h3)"
        )
    remarks = [
        "fitted to the ellipse alone: a small residual is no proof that the angle is right",
        "noise is what the radius shows; position jitter does not show",
        f"of waveform harmonics only sums show{sum_of_harmonics}; smooth motion (steady) would tell them apart",
    ]
    below = max(variance - steps.variance, 0.0) if steps.matter(variance) else variance
    error = np.sqrt(0.5 / free) * variance / max(np.sqrt(below), np.sqrt(variance / np.sqrt(free)))
    if steps.matter(variance):
        squares = _without_bias(squares, theta, steps, np.sqrt(below))
        remarks.append(steps.words(squares.q[2], np.sqrt(below)))
    covariance, bound = squares.covariance, squares.covariance * (below / variance if variance else 1.0)
    return ChannelFit(
        squares.q, covariance, bound, (), (np.sqrt(below), error), (np.nan, np.nan), (), tuple(remarks)
    )


def _without_bias(squares: Squares, theta: np.ndarray, steps: ConverterSteps, noise: float) -> Squares:
    """The ellipse without the bias that the steps of the converter give it, found by converting a simulated one."""
    rng = np.random.default_rng(0)
    theta = np.tile(theta, max(1, FEW_SIMULATED // len(theta)))
    width = max(steps.cosine, steps.sine) / min(squares.q[2], squares.q[3])
    theta = theta + width * (rng.random(len(theta)) - 0.5)
    q = squares.q
    for _ in range(2):
        ideal = ellipse.ellipse(q, theta)[0] + q[0] + 1j * q[1]
        grain = noise * rng.standard_normal((2, len(theta)))
        try:
            shown = ellipse.fit_ellipse(*steps.converted(ideal.real + grain[0], ideal.imag + grain[1]))
        except ellipse.NoFit:
            return squares
        q = q + squares.q - shown.q
    return replace(squares, q=q)


def _from_motion(
    alone: ChannelFit,
    squares: Squares,
    x: np.ndarray,
    y: np.ndarray,
    steps: ConverterSteps,
    k: np.ndarray | None,
) -> ChannelFit:
    """The fit with smooth motion, or that of the ellipse alone with a reason if smooth motion does not fit."""
    try:
        fit, noise, total = _smooth_fit(squares.q, x, y, steps, k)
        used = _some(len(x))
        apart, speed = (len(x) - 1) / (len(used) - 1), _against_speed(fit, x[used], y[used])
        if speed.shift is not None:
            # What depends on the speed is taken off; the values then lie on no lattice of a converter.
            k, steps = (used if k is None else k[used]), ConverterSteps(0.0, 0.0)
            x, y, used = x[used] - speed.shift.real, y[used] - speed.shift.imag, np.arange(len(used))
            fit, noise, total = _smooth_fit(squares.q, x, y, steps, k)
    except (ellipse.NoFit, np.linalg.LinAlgError) as fault:
        return replace(alone, reasons=(f"no smooth motion fits: {fault}",))
    jitter, error = _root(fit.spread.jitter, fit.spread.jitter_error)
    if jitter > LARGEST_JITTER:
        off = f"{jitter:.2g} rad rms off a slow curve, above {LARGEST_JITTER}"
        return replace(alone, reasons=(f"the motion is not smooth: {off}",))
    seen = np.sqrt(alone.noise[0] ** 2 + steps.variance)
    if np.sqrt(total) > _largest_noise(seen, jitter, len(fit.motion.index)):
        off = f"{np.sqrt(total):.2g} rms with it, {seen:.2g} for the ellipse alone"
        return replace(alone, reasons=(f"the motion is not smooth: radius error {off}",))
    angle = waveform.residuals(fit.q, x[used], y[used], fit.phase, fit.waves)[1]
    white = max(np.mean(angle**2) - max(fit.spread.jitter, 0.0), 0.0)
    colour = identification.colour(angle, white if fit.spread.shaky else float(np.mean(angle**2)))
    covariance = fit.covariance.copy()
    if colour.name != "white":
        covariance = apart * _where_alike(fit, x[used], y[used], colour.memory)
        jitter, error = _root(*_jitter_where_alike(fit, colour.memory))
    colour = replace(colour, memory=colour.memory * apart, memory_error=colour.memory_error * apart)
    remarks = [*_motion_remarks(fit, jitter, error, colour)]
    if steps.matter(total):
        remarks.append(steps.words(fit.q[2], noise[0]))
    white = fit.covariance * (min(1.0, noise[0] ** 2 / total) if total else 1.0)
    for part in (covariance, white):
        part[:5, :5] += speed.wider
    return ChannelFit(
        fit.q,
        covariance,
        white,
        fit.waves,
        noise,
        (jitter if fit.spread.shaky else 0.0, error),
        (),
        tuple(remarks),
        colour=colour,
        angle=angle,
        speed=speed,
    )


def _where_alike(fit: Steady, c: np.ndarray, s: np.ndarray, memory: float) -> np.ndarray:
    """Covariance where successive errors along the curve are alike, over about so many samples."""
    from scipy.signal.windows import parzen

    # The spectrum of these errors, smoothed, weighs the sensitivity of each parameter to each sample: a parameter
    # takes from it only what lies at the frequencies at which the curve shows it.
    weights = waveform.weights_of(fit.spread)
    across, along = waveform.rows_of(fit.q, c, s, fit.waves, fit.motion, slice(None), weights)
    inverse = ellipse.inverse_of(across[1].T @ across[1] + along[1].T @ along[1])
    count, free = len(c), len(c) - 0.5 * len(fit.q)
    lags = int(min(8.0 * memory + 8.0, count // 8))
    products = identification.autocorrelation(along[0], lags) * parzen(2 * lags + 1)[lags:]
    spectrum = 2.0 * np.fft.rfft(products, 2 * count).real - products[0]
    seen = np.fft.rfft(along[1] @ inverse, 2 * count, axis=0)
    own = np.sum(across[0] ** 2) / free * (inverse @ across[1].T @ across[1] @ inverse)
    share = np.full(len(spectrum), 1.0 / free)
    share[[0, -1]] *= 0.5
    found = own + (seen.conj().T @ (seen * (share * spectrum)[:, None])).real
    # The sizes follow those of the fit, which holds the steps of a converter and the damping by jitter.
    white = inverse * (np.sum(across[0] ** 2) + np.sum(along[0] ** 2)) / (2.0 * free)
    scale = np.sqrt(np.diag(fit.covariance) / np.diag(white))
    return np.asarray(found * np.outer(scale, scale))


def _jitter_where_alike(fit: Steady, memory: float) -> tuple[float, float]:
    """Variance of a one-pole phase jitter and its uncertainty; the smooth phase takes a part of the slow jitter."""
    count, functions = len(fit.motion.index), len(fit.q) - 5 - len(fit.waves)
    taken = min(functions * (1.0 + 2.0 * memory) / count, 0.5)
    variance, error = fit.spread.jitter / (1.0 - taken), fit.spread.jitter_error
    squares = 1.0 / np.tanh(1.0 / memory) - 1.0
    chance = variance * np.sqrt(2.0 * squares / count)
    return variance, float(np.sqrt(error**2 + chance**2 + (0.5 * taken * variance) ** 2))


def _smooth_fit(
    q: np.ndarray, x: np.ndarray, y: np.ndarray, steps: ConverterSteps, k: np.ndarray | None
) -> tuple[Steady, tuple[float, float], float]:
    """The fit with smooth motion, the noise before the converter with its uncertainty, the variance with its steps."""
    fit = waveform.fit_steady(q, x, y, ORDERS, k)
    total = fit.spread.noise
    if not steps.matter(total):
        return fit, _root(total, fit.spread.noise_error), total
    # The mean of the codes at each point is known from the fit: without it the steps make a bias that repeats.
    used = _some(len(x))
    k = np.arange(len(x))[used] if k is None else k[used]
    noise = float(np.sqrt(max(total - steps.variance, 0.0)))
    for _ in range(STEP_PASSES):
        bias = steps.mean_error(fit.curve, noise)
        fit = waveform.fit_steady(fit.q[:5], x[used] - bias.real, y[used] - bias.imag, ORDERS, k)
        noise = identification.noise_below_steps(fit.spread.noise, steps.size)
    above = identification.noise_below_steps(fit.spread.noise + fit.spread.noise_error, steps.size)
    least: float = LEAST_KNOWN * steps.size if noise < LOW * steps.size else 0.0
    error = float(np.maximum(above - noise, least))
    # Steps are taken out only as well as the fit knows their edges: the uncertainties keep all of them.
    wide = max(total / max(fit.spread.noise, 1e-300), 1.0)
    return replace(fit, covariance=fit.covariance * wide), (noise, error), total


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
