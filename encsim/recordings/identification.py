"""What was identified from two recorded channels; quality of the recording; colour of its jitter."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from ..calibration import angle_fit
from ..checks import Orders
from ..model.scale_and_signal import Signal
from ..results import Result, measured_in, picture

if TYPE_CHECKING:
    from ..calibration.error_map import ErrorMap

SECTORS = 64
LEAST_COVERAGE = 0.5
WIDE = 0.9
LARGEST_RESIDUAL = 0.1
LARGEST_HELD = 0.05
WILD = 6.0
RADIUS_ROUNDING = 1e-9
# Change between parts that counts as drift, in standard uncertainties; drift above which a fit is refused.
DRIFT = 6.0
LARGEST_DRIFT = 0.1
LAGS = 400
# A first autocorrelation above so many standard deviations of chance is no white noise.
CORRELATED = 4.0
# Correlation that lasts longer than this share of the recording is drift.
LONG = 0.02
SMALL = 0.05
# Highest order of the cyclic error of a recording.
CYCLIC = 10


@dataclass(frozen=True, kw_only=True, eq=False)
class Identification(Result):
    """Signal errors fitted to two recorded channels.

    Attributes
    ----------
    signal : Signal or None
        The signal errors, for a cosine amplitude of 1; None if nothing could be fitted.
    amplitude : float
        Amplitude of the cosine channel, in the unit of the input.
    residual : float
        Rms error of the radius after correction of offset, gain and phase, relative to the amplitude.
    coverage : float
        Share of 64 sectors of the circle that contain a point.
    points : int
        Number of samples.
    steady : bool
        Whether smooth motion was assumed.
    phase_jitter : float
        Rms jitter of the signal phase, rad, variation of the actual motion included; NaN without ``steady``.
    uncertainty : mapping of str to float, tuple or mapping
        Standard uncertainty of each fitted field, in its shape.
    bound : mapping
        Cramér-Rao bound of each fitted field, in its shape: what white noise alone would leave.
    correlation : mapping of str to mapping
        Correlation of each pair of fitted parameters, {name: {name: value}}.
    harmonics_cosine, harmonics_sine : mapping of int to (float, float)
        Waveform harmonics of each channel on its own, {order: (amplitude, phase)}: a cos(n angle + phase), for the sine
        channel with the angle a quarter of a period later; of unit amplitude and rad.
    jitter_colour : str
        "white", "one pole", "drift", or "" without smooth motion.
    jitter_bandwidth : float
        Corner frequency of a one-pole jitter, Hz; NaN for any other.
    averaging_time, allan_deviation : ndarray, shape (m,)
        Overlapping Allan deviation of the phase about the smooth motion, rad/s, over averaging times in s; where the
        rate is not known in samples and rad per sample. Channel noise is included.
    step : (float, float)
        Step of the converter in each channel, in the unit of the input; 0 where none shows.
    cyclic : (float, float)
        Rms of the phase error that repeats every signal period, rad: of the recording as it is, and after the
        correction by `error_map`; NaN without smooth motion, the second where no table takes it out.
    drift : (float, float)
        Change of offset and amplitude within the recording, of unit amplitude; 0 where chance explains it.
    valid : bool
        Whether the fit is reliable.
    reasons : tuple of str
        Why not.
    remarks : tuple of str
        What the figures include and what they do not show.
    cosine, sine : ndarray, shape (points,)
        The channels as given.

    Examples
    --------
    >>> import encsim
    >>> import numpy as np
    >>> angle = np.linspace(0.0, 20.0, 500)
    >>> found = encsim.identify(1.02 * np.cos(angle) + 0.01, 1.02 * np.sin(angle))
    >>> found.points
    500
    """

    signal: Signal | None
    amplitude: float = field(metadata=measured_in("as input"))
    residual: float = field(metadata=measured_in("1"))
    coverage: float = field(metadata=measured_in("1"))
    points: int
    steady: bool
    phase_jitter: float = field(metadata=measured_in("rad"))
    uncertainty: Orders
    bound: Orders
    correlation: Orders
    harmonics_cosine: Orders
    harmonics_sine: Orders
    jitter_colour: str
    jitter_bandwidth: float = field(metadata=measured_in("Hz"))
    averaging_time: np.ndarray = field(metadata=measured_in("s"), repr=False)
    allan_deviation: np.ndarray = field(metadata=measured_in("rad/s"), repr=False)
    step: tuple[float, float] = field(metadata=measured_in("as input"))
    cyclic: tuple[float, float] = field(metadata=measured_in("rad"))
    drift: tuple[float, float] = field(metadata=measured_in("1"))
    valid: bool
    reasons: tuple[str, ...]
    remarks: tuple[str, ...]
    cosine: np.ndarray = field(metadata={"plain": False}, repr=False)
    sine: np.ndarray = field(metadata={"plain": False}, repr=False)

    def error_map(self, points: int = 256) -> ErrorMap:
        """Correction table for a controller: phase error of the fitted signal over one signal period.

        Parameters
        ----------
        points : int
            Points of the map, over one signal period.

        Returns
        -------
        ErrorMap
            Angles are the true signal phase, a turn being one signal period; ``invert`` corrects shown phases,
            ``c_table`` and ``to_csv`` write it for a controller.

        Raises
        ------
        InputError
            If nothing was fitted.

        Examples
        --------
        >>> import encsim
        >>> import numpy as np
        >>> angle = np.linspace(0.0, 20.0, 500)
        >>> found = encsim.identify(1.02 * np.cos(angle) + 0.01, 1.02 * np.sin(angle))
        >>> bool(found.error_map().largest() < 0.011)
        True
        """
        from ..calibration.error_map import ErrorMap

        if self.signal is None:
            checks.refuse("Identification.signal", "have been fitted", self.reasons[0])
        phase = np.arange(points) * (2.0 * np.pi / points)
        error = np.angle(fitted_channels(self.signal, phase) * np.exp(-1j * phase))
        sure: Any = self.uncertainty
        orders = np.full(points // 2, 0.0 if "harmonics" in sure else np.inf)
        orders[:2] = np.hypot(*sure["offset"]), 0.5 * np.hypot(sure["gain"], sure["phase"])
        for n, wide in sure.get("harmonics", {}).items():
            # Order n = 1 mod 4 of the waveform makes order n - 1 of the phase, 3 mod 4 order n + 1, an even one both.
            for order in {1: (n - 1,), 3: (n + 1,)}.get(n % 4, (n - 1, n + 1)):
                orders[order - 1] = np.hypot(orders[order - 1], wide / (1.0 if n % 2 else np.sqrt(2.0)))
        return ErrorMap(error, order_uncertainty=orders, reasons=self.reasons)

    plot = picture(
        "figures.channels:recorded",
        "Draw the recorded channels and the fit, sine against cosine, of unit amplitude.",
        raises="If nothing was fitted.",
        options={
            "scale": (
                "Scale",
                "With it the effect of the faults is a position error, without a share of the period.",
            )
        },
        example="theta = np.linspace(0.0, 200.0, 3000)\n"
        "ax = encsim.identify(1.7 * np.cos(theta), 1.8 * np.sin(theta)).plot(scale=encsim.Scale(period=20e-6))",
    )
    plot_jitter = picture(
        "figures.channels:allan",
        "Draw the Allan deviation of the phase about the smooth motion.",
        raises="If no smooth motion was fitted.",
        example="theta = 0.07 * np.arange(3000) + 0.01 * np.random.default_rng(1).standard_normal(3000)\n"
        "ax = encsim.identify(np.cos(theta), np.sin(theta), steady=True).plot_jitter()",
    )


def fitted_channels(signal: Signal, phase: np.ndarray) -> np.ndarray:
    """Cosine + j sine of a fitted signal, of unit cosine amplitude, at signal phases in rad."""
    waves = [(size, order) for order, size in signal.harmonics.items()]
    cosine = np.cos(phase) + sum((size * np.cos(order * phase) for size, order in waves), signal.offset[0])
    late = phase - np.pi / 2.0
    sine = sum((size * np.cos(order * late) for size, order in waves), signal.offset[1])
    return cosine + 1j * ((1.0 + signal.gain) * np.sin(phase + signal.phase) + sine)


def cyclic_error(shown: np.ndarray, phase: np.ndarray) -> float:
    """Rms of what of shown phases repeats every turn of the true phase."""
    columns = np.column_stack([angle_fit.wave_columns(phase, range(1, CYCLIC + 1)), np.ones_like(phase)])
    away = np.angle(np.exp(1j * (shown - phase)))
    found = np.linalg.lstsq(columns, away, rcond=None)[0][:-1]
    return float(np.sqrt(0.5 * np.sum(found**2)))


def sector_coverage(circle: np.ndarray, sectors: int = SECTORS) -> float:
    """Share of the sectors of the circle that contain a point."""
    seen = np.floor(np.angle(circle) * (sectors / (2.0 * np.pi))).astype(int) % sectors
    return len(np.unique(seen)) / sectors


def arc_seen(circle: np.ndarray) -> float:
    """Share of the circle on which the points lie: sectors so wide that few points do not miss one by chance."""
    return sector_coverage(circle, max(8, min(SECTORS, len(circle) // 8)))


def drift(circle: np.ndarray) -> tuple[float, float]:
    """Change of offset and amplitude between parts of the recording, of unit amplitude; 0 if chance explains it."""
    number = min(8, len(circle) // 60)
    found, errors = [], []
    for part in np.array_split(circle, max(number, 1)):
        if sector_coverage(part, 16) < WIDE:
            continue
        angle, radius = np.angle(part), np.abs(part) - 1.0
        columns = np.stack([np.cos(angle), np.sin(angle), np.ones(len(part))], axis=1)
        inverse = np.linalg.inv(columns.T @ columns)
        values = inverse @ (columns.T @ radius)
        variance = np.sum((radius - columns @ values) ** 2) / max(len(part) - 3, 1)
        found.append(values)
        errors.append(np.sqrt(variance * np.diag(inverse)))
    if len(found) < 2:
        return 0.0, 0.0
    values, wide = np.array(found), np.max(errors, axis=0)
    change = values.max(axis=0) - values.min(axis=0)
    seen = np.where(change > DRIFT * wide + RADIUS_ROUNDING, change, 0.0)
    return float(np.hypot(seen[0], seen[1])), float(seen[2])


def reasons(
    c: np.ndarray, s: np.ndarray, residual: float, seen: float, moved: tuple[float, float]
) -> Iterator[str]:
    """Why the fit is not reliable."""
    if max(moved) > LARGEST_DRIFT:
        what = "offset" if moved[0] >= moved[1] else "amplitude"
        yield f"the {what} drifts by {max(moved):.2g} of the amplitude: take a shorter recording, or warm up first"
    if seen < LEAST_COVERAGE:
        yield f"only {seen:.0%} of the circle was seen, less than {LEAST_COVERAGE:.0%}"
    if residual > LARGEST_RESIDUAL:
        yield f"too far from an ellipse: radius error {residual:.2g} rms, above {LARGEST_RESIDUAL}"
    changed = _changed(c, s)
    for name, channel in (("cosine", c[changed]), ("sine", s[changed])):
        for end, values in (("upper", channel), ("lower", -channel)):
            if _clipped(values):
                yield f"the {name} channel is clipped at its {end} end"


def _changed(c: np.ndarray, s: np.ndarray) -> np.ndarray:
    """Mask of the samples that differ from the one before."""
    return np.concatenate([[True], (np.diff(c) != 0.0) | (np.diff(s) != 0.0)])


def _clipped(values: np.ndarray) -> bool:
    """Whether far more samples have the highest value than the quantised crest of a sine has."""
    # Of a sine of amplitude A, acos(1 - step/A)/pi of the samples lie within one step of the maximum. Up to twice that
    # is accepted, so that clipping by less than about four steps of the converter is not found.
    half = 0.5 * values.max() - 0.5 * values.min()
    top = values >= values.max() - 1e-9 * half
    if np.all(top):
        return False
    step = min((values.max() - values[~top].max()) / half, 1.0)
    return bool(np.count_nonzero(top) > max(5.0, 2.0 * len(values) * np.arccos(1.0 - step) / np.pi))


def remarks(
    c: np.ndarray, s: np.ndarray, circle: np.ndarray, seen: float, moved: tuple[float, float] = (0.0, 0.0)
) -> Iterator[str]:
    """Remarks on the recording itself."""
    for what, change in zip(("offset", "amplitude"), moved, strict=True):
        if 0.0 < change <= LARGEST_DRIFT:
            yield f"the {what} drifts by {change:.2g} of the amplitude: its value is the mean of the recording"
    step = np.mean(circle[1:] * circle[:-1].conj())
    if step.imag < 0.0 and abs(step) > 0.5:
        yield "the phase runs backwards: the sine channel lags"
    if seen < WIDE:
        yield f"{seen:.0%} of the circle was seen: the fit supposes that the rest is an ellipse too"
    held = 1.0 - np.mean(_changed(c, s))
    if held > LARGEST_HELD:
        yield f"{held:.0%} of the samples repeat the one before: held samples make uncertainties too small"
    error = np.abs(np.abs(circle) - 1.0)
    worst, usual = int(np.argmax(error)), np.sqrt(np.mean(error**2))
    if error[worst] > WILD * usual and usual > RADIUS_ROUNDING:
        far = error[worst] / usual
        yield f"sample {worst} is {far:.0f} times as far off as the rms: leave wild samples out"


@dataclass(frozen=True, slots=True)
class Colour:
    """Colour of a noise: "white", "one pole" or "drift".

    ``size`` is the rms of its correlated part, ``memory`` the time constant in samples with its uncertainty.
    """

    name: str
    size: float
    memory: float
    memory_error: float


def allan_deviation(phase: np.ndarray, interval: float, averages: np.ndarray) -> np.ndarray:
    """Overlapping Allan deviation of a position or phase at averaging times of so many intervals, in its unit per s.

    References
    ----------
    W. J. Riley, "Handbook of Frequency Stability Analysis", NIST Special Publication 1065 (2008), overlapping Allan
    deviation.
    """
    found = np.full(len(averages), np.nan)
    for place, m in enumerate(averages):
        if 2 * m < len(phase):
            second = phase[2 * m :] - 2.0 * phase[m:-m] + phase[: -2 * m]
            found[place] = np.sqrt(0.5 * np.mean(second**2)) / (m * interval)
    return found


def averaging(count: int) -> np.ndarray:
    """Numbers of intervals for an Allan deviation: four an octave, up to a third of the recording."""
    largest = max(1, count // 3)
    return np.unique(np.round(2.0 ** np.arange(0.0, np.log2(largest) + 0.01, 0.25)).astype(int))


def autocorrelation(values: np.ndarray, lags: int) -> np.ndarray:
    """Mean products of values a lag apart, for lags 0 to ``lags``."""
    away = values - np.mean(values)
    count = len(away)
    spectrum = np.abs(np.fft.rfft(away, 2 * count)) ** 2
    return np.asarray(np.fft.irfft(spectrum)[: lags + 1] / count)


def colour(values: np.ndarray, white: float) -> Colour:
    """Colour of values of which a variance ``white`` is known to be white (channel noise)."""
    count = len(values)
    products = autocorrelation(values, min(LAGS, count // 4))
    size = max(products[0] - white, 0.0)
    chance = products[0] / np.sqrt(count)
    if len(products) < 8 or np.max(products[1:4]) < CORRELATED * chance or size == 0.0:
        return Colour("white", float(np.sqrt(size)), 0.0, 0.0)
    memory, error, part = _pole(products, chance)
    shares = products[1:] / products[0]
    least = np.flatnonzero(shares < SMALL)
    name = "drift" if memory > LONG * count or not len(least) else "one pole"
    return Colour(name, float(np.sqrt(max(part, 0.0))), memory, error)


def _pole(products: np.ndarray, chance: float) -> tuple[float, float, float]:
    """Time constant in samples, its uncertainty, and the variance of the exponential through the products."""
    from scipy.optimize import least_squares

    small = np.flatnonzero(products[1:] < SMALL * products[1])
    last = max(4, int(small[0]) + 1 if len(small) else len(products) - 1)
    lag, seen = np.arange(1, last + 1), products[1 : last + 1]
    start = [np.log(max(0.5 * last, 1.0)), 1.0]
    scale = max(products[1], chance)
    fit = least_squares(
        lambda p: p[1] * np.exp(-lag * np.exp(-p[0])) - seen / scale, start, x_scale=[1.0, 1.0]
    )
    spread = np.linalg.pinv(fit.jac.T @ fit.jac)
    memory = float(np.exp(fit.x[0]))
    # Products of a correlated noise are correlated over its memory.
    error = memory * np.sqrt(spread[0, 0]) * (chance / scale) * np.sqrt(1.0 + 2.0 * memory)
    return memory, float(error), float(fit.x[1] * scale)
