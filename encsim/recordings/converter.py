"""Channels in steps of a converter: where the steps are, and the fit that knows them.

Where noise is below about half a step, rounding errors follow the phase: least squares that takes them for noise is
neither the best fit nor are its uncertainties right. The fit is then finished by maximum likelihood: the chance that
noise and jitter bring a point of the curve into the cell of its two codes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from ..calibration import angle_fit, ellipse, waveform

if TYPE_CHECKING:
    from ..calibration.ellipse import Squares
    from ..calibration.waveform import Steady


# Rms distance of values from a lattice, in steps; least noise with which the steps of a converter are smoothed.
LATTICE = 0.03
LEAST_DITHER = 0.08
# Steps matter from this share of the rms residual on.
STEPS_MATTER = 0.5
# Below this share of a step noise is not told from none.
LEAST_NOISE = 0.02
# Scoring ends where no parameter moves by this share of its uncertainty; steps of it at most, and halvings of one.
SETTLED, SCORINGS, HALVINGS = 0.02, 40, 12
# Points with which the information is averaged over what the converter could have shown.
INFORMED = 20_000
# Below this share of the noise along the curve no recording shows jitter.
LEAST_JITTER = 0.05
# Change of log noise or log jitter over which information is compared, and recordings simulated for it.
APART, TAKEN = 0.4, 2
# Nodes of the jitter lie this many deviations of the noise apart, at most so many each side.
NODE_APART, NODES, NODE_RANGE = 1.0, 24, 4.0
# Gain of the log likelihood from which jitter is taken as seen: three standard deviations.
GAIN = 4.5
# Recordings simulated to find the spread of the ellipse, and points of each.
SIMULATED, FEW_POINTS = 64, 4000
# Their phases are spread over this many steps.
SPREAD = 8.0
ROOT = 1.0 / np.sqrt(2.0 * np.pi)


def converter_step(channel: np.ndarray) -> float:
    """Step of the lattice on which the values of a channel lie; 0 where they lie on none."""
    values = np.unique(channel[: 1 << 16])
    width = 0.5 * values[-1] - 0.5 * values[0]
    if len(values) < 3 or not width:
        return 0.0
    places = values / width - values[0] / width
    gaps = np.diff(places)
    near = np.sort(gaps[gaps > 2e-9])
    near = near[: max(1, len(near) // 2)]
    step = float(np.mean(near[near < 1.5 * near[0]]))
    for _ in range(2):
        numbers = np.rint(places / step)
        step = float(np.sum(numbers * places) / np.sum(numbers**2))
    away = places / step - np.rint(places / step)
    return step * width if np.sqrt(np.mean(away**2)) < LATTICE else 0.0


def mean_of_codes(values: np.ndarray, step: float, origin: float, noise: float) -> np.ndarray:
    """Mean of what a converter shows of values with this noise, minus the values."""
    # Fourier series of the rounding error; the noise smooths it.
    turns = 2.0 * np.pi * (values - origin) / step
    smooth = max(noise / step, LEAST_DITHER)
    error = np.zeros_like(values)
    for m in range(1, 13):
        weight = np.exp(-2.0 * (np.pi * m * smooth) ** 2)
        if weight > 1e-6:
            error += (-1.0) ** m * weight / (np.pi * m) * np.sin(m * turns)
    return np.asarray(error * step)


@dataclass(frozen=True, slots=True)
class ConverterSteps:
    """Steps of the converter in each channel, 0 where none show, and a value on each lattice."""

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

    def channels(self, points: np.ndarray) -> Iterator[tuple[np.ndarray, float, float]]:
        """Values, step and origin of each channel."""
        yield points.real, self.cosine, self.cosine_origin
        yield points.imag, self.sine, self.sine_origin

    def converted(self, points: np.ndarray) -> np.ndarray:
        """Complex points as the converter shows them."""
        c, s = (_rounded(row, step, zero) for row, step, zero in self.channels(points))
        return np.asarray(c + 1j * s)

    def mean_error(self, points: np.ndarray, noise: float) -> np.ndarray:
        """Mean of what the converter shows minus the true points, complex."""
        c, s = (mean_of_codes(row, step, zero, noise) for row, step, zero in self.channels(points))
        return np.asarray(c + 1j * s)

    def words(self, amplitude: float, noise: float) -> str:
        """Remark on the steps."""
        steps, share = 2.0 * amplitude / self.size, noise / self.size
        text = (
            f"the channels are in steps, {steps:.0f} over their range, about {np.log2(steps):.1f} bits: noise is "
            f"without them, {share:.2g} of a step"
        )
        return text if share > 1.5 * LEAST_NOISE else f"{text}, the least that can be told from none"


@dataclass(frozen=True, slots=True, eq=False)
class MostLikely:
    """Parameters of the likelihood of codes: those of the curve and motion, noise, jitter (0: none in the model)."""

    q: np.ndarray
    noise: float
    jitter: float = 0.0
    # Log likelihood, its derivative by each parameter at each sample, and the mean of each point before the converter.
    value: float = -np.inf
    scores: np.ndarray = field(default_factory=lambda: np.empty((0, 0)))
    points: np.ndarray = field(default_factory=lambda: np.empty(0))

    def moved(self, step: np.ndarray) -> MostLikely:
        """Parameters changed by a step; noise and jitter by their logarithms."""
        count = len(self.q)
        jitter = self.jitter * float(np.exp(np.clip(step[count + 1], -1.0, 1.0))) if self.jitter else 0.0
        noise = self.noise * float(np.exp(np.clip(step[count], -1.0, 1.0)))
        return MostLikely(self.q + step[:count], noise, jitter)


@dataclass(frozen=True, slots=True, eq=False)
class CodeLikelihood:
    """Likelihood of the codes of a recording in smooth motion, around a fit of its waves and motion."""

    fit: Steady
    steps: ConverterSteps

    @property
    def least(self) -> float:
        """Least noise that is told from none."""
        return LEAST_NOISE * self.steps.size

    def theta(self, q: np.ndarray) -> np.ndarray:
        """Phase of the samples."""
        return self.fit.motion.phase(q[5 + len(self.fit.waves) :], slice(None))

    def at(self, guess: MostLikely, points: np.ndarray) -> MostLikely:
        """The guess with the likelihood of these points and its derivatives."""
        theta, basis = self.theta(guess.q), self.fit.motion.basis(slice(None))
        best, total = np.full(len(points), -np.inf), np.zeros(len(points))
        sums = np.zeros((len(points), len(guess.q) + 1 + bool(guess.jitter)))
        before = np.zeros(len(points), dtype=complex)
        for node, weight in _nodes(guess.jitter, guess.noise):
            point, tangent, shapes = waveform.curve_at(guess.q, theta + guess.jitter * node, self.fit.waves)
            columns = np.stack(ellipse.ellipse_columns(guess.q, theta + guess.jitter * node) + shapes, axis=1)
            columns = np.concatenate([columns, tangent[:, None] * basis], axis=1)
            chance, slope, wider = self._cells(point, points, guess.noise)
            scores = slope.real[:, None] * columns.real + slope.imag[:, None] * columns.imag
            scores = np.column_stack(
                [scores, wider, *([np.full(len(points), node**2 - 1.0)] if guess.jitter else [])]
            )
            chance = chance + weight
            higher = np.maximum(best, chance)
            old, new = np.exp(best - higher), np.exp(chance - higher)
            best, total = higher, total * old + new
            sums = sums * old[:, None] + scores * new[:, None]
            before = before * old + (point + guess.noise**2 * slope) * new
        value = float(np.sum(best + np.log(total)))
        return replace(guess, value=value, scores=sums / total[:, None], points=before / total)

    def _cells(
        self, mean: np.ndarray, points: np.ndarray, noise: float
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Log chance of the codes, its derivative by the mean (complex: of each channel) and by the log noise."""
        chance, wider, slopes = np.zeros(len(points)), np.zeros(len(points)), []
        pairs = zip((mean.real, mean.imag), self.steps.channels(points), strict=True)
        for middle, (shown, step, _) in pairs:
            low, high = (shown - 0.5 * step - middle) / noise, (shown + 0.5 * step - middle) / noise
            log = _log_between(low, high)
            at_low, at_high = (ROOT * np.exp(-0.5 * np.minimum(x * x, 1e300) - log) for x in (low, high))
            chance = chance + log
            slopes.append((at_low - at_high) / noise)
            wider = wider + low * at_low - high * at_high
        return chance, slopes[0] + 1j * slopes[1], wider

    def shown(self, guess: MostLikely, rng: np.random.Generator) -> np.ndarray:
        """Points that the converter could have shown."""
        theta = self.theta(guess.q)
        theta = theta + guess.jitter * rng.standard_normal(len(theta))
        grain = rng.standard_normal((2, len(theta)))
        point = waveform.curve_at(guess.q, theta, self.fit.waves)[0]
        return self.steps.converted(point + guess.noise * (grain[0] + 1j * grain[1]))

    def information(self, guess: MostLikely, rounds: int = 1) -> np.ndarray:
        """Information of the parameters in such a recording, mean over what the converter could have shown."""
        rng = np.random.default_rng(0)
        found = [self.at(guess, self.shown(guess, rng)).scores for _ in range(rounds)]
        return np.asarray(sum(scores.T @ scores for scores in found) / rounds)

    def taken(self, guess: MostLikely) -> np.ndarray:
        """Slope of the log likelihood by the logarithms of noise and jitter that the other parameters have taken."""
        # Cox and Reid, J. R. Stat. Soc. B 49, 1 (1987): the likelihood with all other parameters at their best,
        # adjusted by half of the log determinant of their information. In least squares: lost degrees of freedom.
        count, slopes = len(guess.q), []
        for move in np.eye(count + 1 + bool(guess.jitter))[count:]:
            sizes = [
                np.linalg.slogdet(self.information(guess.moved(part * move), TAKEN)[:count, :count])[1]
                for part in (-0.5 * APART, 0.5 * APART)
            ]
            slopes.append(0.5 * (sizes[0] - sizes[1]) / APART)
        return np.array(slopes)

    def maximum(self, guess: MostLikely, points: np.ndarray) -> MostLikely:
        """The most likely parameters from a guess on, by scoring with halved steps."""
        best = self.at(guess, points)
        for _ in range(SCORINGS):
            information = self.information(best)
            step = ellipse.inverse_of(information) @ np.sum(best.scores, axis=0)
            trial = self._better(best, step, points)
            moved = np.max(np.abs(step) * np.sqrt(np.diag(information)))
            if trial is None or (best := trial).noise <= self.least or moved < SETTLED:
                break
            if 0.0 < best.jitter < LEAST_JITTER * best.noise:
                break
        return best

    def _better(self, best: MostLikely, step: np.ndarray, points: np.ndarray) -> MostLikely | None:
        """A more likely guess along a step; None if there is none."""
        for halving in range(HALVINGS):
            guess = best.moved(step * 0.5**halving)
            trial = self.at(replace(guess, noise=max(guess.noise, self.least)), points)
            if trial.value > best.value:
                return trial
        return None


def _log_between(low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Logarithm of the normal probability between two limits."""
    from scipy.special import log_ndtr

    mirrored = low > 0.0
    low, high = np.where(mirrored, -high, low), np.where(mirrored, -low, high)
    above, below = log_ndtr(high), log_ndtr(low)
    return np.asarray(above + np.log(-np.expm1(np.minimum(below - above, -1e-300))))


def _nodes(jitter: float, noise: float) -> list[tuple[float, float]]:
    """Phase errors over the jitter, and the logarithms of their weights."""
    if not jitter:
        return [(0.0, 0.0)]
    each = int(np.clip(np.ceil(NODE_RANGE * jitter / (NODE_APART * noise)), 6, NODES))
    nodes = np.linspace(-NODE_RANGE, NODE_RANGE, 2 * each + 1)
    weights = np.exp(-0.5 * nodes**2)
    return list(zip(nodes.tolist(), np.log(weights / np.sum(weights)).tolist(), strict=True))


def most_likely(
    fit: Steady, points: np.ndarray, steps: ConverterSteps, noise: float
) -> tuple[Steady, np.ndarray]:
    """The fit finished by maximum likelihood of its codes, and the mean of each point before the converter."""
    model = CodeLikelihood(fit, steps)
    found = model.maximum(MostLikely(fit.q, max(noise, 0.1 * steps.size)), points)
    shaken = found
    if fit.spread.jitter > 0.0:
        # Without jitter in the model the noise has grown by it: of the same spread a part is tried as jitter.
        shaken = model.maximum(replace(found, noise=0.75 * found.noise, jitter=0.9 * found.noise), points)
    found = shaken if shaken.value > found.value + GAIN else found
    # Jitter that is likely but not certain stays in the uncertainties.
    hidden = shaken if shaken.value > found.value else found
    covariance = ellipse.inverse_of(model.information(found, max(1, INFORMED // len(points))))
    errors, count = np.sqrt(np.diag(covariance)), len(fit.q)
    grown = np.exp(covariance[count:, count:] @ model.taken(found))
    noise, jitter = found.noise * float(grown[0]), found.jitter * float(grown[-1])
    spread = replace(
        fit.spread,
        noise=noise**2,
        noise_error=2.0 * noise**2 * float(np.hypot(errors[count], 1.0 - hidden.noise / found.noise)),
        jitter=jitter**2,
        jitter_error=2.0 * jitter**2 * errors[-1]
        if jitter
        else max(fit.spread.jitter_error, 2.0 * hidden.jitter**2),
        told=bool(jitter),
    )
    return replace(fit, q=found.q, covariance=covariance[:count, :count], spread=spread), found.points


def ellipse_in_steps(
    squares: Squares, theta: np.ndarray, steps: ConverterSteps, variance: float, orders: tuple[int, ...]
) -> tuple[Squares, tuple[float, float]]:
    """The ellipse and the noise, without the bias by the steps and with uncertainties of simulated recordings."""
    rng, q = np.random.default_rng(0), squares.q
    theta = theta[:: -(-len(theta) // FEW_POINTS)]
    # Spread over some steps: phases of what was shown lie where rounding errors are small.
    theta = theta + SPREAD * max(steps.cosine, steps.sine) / min(q[2], q[3]) * (rng.random(len(theta)) - 0.5)
    point, tangent = ellipse.ellipse(q, theta)
    normal = -1j * tangent / np.abs(tangent)
    columns = np.stack([ellipse.along(part, normal) for part in ellipse.ellipse_columns(q, theta)], axis=1)
    cyclic = np.linalg.qr(np.column_stack([columns, angle_fit.wave_columns(theta, orders)]))[0]
    grain = rng.standard_normal((2, SIMULATED, len(theta)))
    # Where the steps lie on the curve is chance: small harmonics move it. So origin and size of the steps vary.
    sizes = [
        step * (1.0 + step / q[2] * (rng.random((SIMULATED, 1)) - 0.5)) for step in (steps.cosine, steps.sine)
    ]
    origins = rng.random((2, SIMULATED, 1)) * sizes
    least = (LEAST_NOISE * steps.size) ** 2
    noise = float(np.sqrt(max(variance - steps.variance, 4.0 * least)))
    for _ in range(3):
        c, s = (
            _rounded(row + noise * part, step, origin) - row
            for row, part, step, origin in zip((point.real, point.imag), grain, sizes, origins, strict=True)
        )
        away = ellipse.along(c + 1j * s, normal)
        seen = (np.sum(away**2, axis=1) - np.sum((away @ cyclic) ** 2, axis=1)) / (
            len(theta) - cyclic.shape[1]
        )
        used, noise = noise, float(np.sqrt(max(noise**2 + variance - np.mean(seen), least)))
    shown = away @ np.linalg.pinv(columns).T
    covariance = np.cov(shown.T)
    return replace(squares, q=q - np.mean(shown, axis=0), covariance=covariance), (
        noise,
        0.5 * float(np.std(seen, ddof=1)) / used,
    )


def _rounded(values: np.ndarray, step: float | np.ndarray, origin: float | np.ndarray) -> np.ndarray:
    """Values as a converter with this step shows them."""
    return np.asarray(np.rint((values - origin) / step) * step + origin)
