"""Measured against predicted: velocity ripple and harmonics of a recording beside those of an axis."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from .. import checks, wording
from ..calibration import angle_fit
from ..closed_loop.closed_loop_ripple import smoothness
from ..model.axis import check_axis
from ..open_loop.closed_form import lines, ripple
from ..results import Result, measured_in, picture, recorded
from . import smooth_motion, steady_pieces
from .capture import Capture

if TYPE_CHECKING:
    from ..model.axis import Axis


# Measured and predicted agree within this many standard uncertainties (95 %).
AGREES = 2.0
# Share of the ripple to which the closed form itself is taken to be right.
CLOSED_FORM = 2.5e-3
SIGNIFICANT, HARMONIC_RIGHT = 3.0, 0.02
# A frequency that harmonics do not explain stands this many times above the power beside it.
CLEAR, BESIDE = 40.0, 101
MOST = 12
# Lines below this share of the ripple are not listed.
SMALL = 0.05
FEWEST = 100
# Highest degree of the speed's slow change; it is left out where its rms exceeds this share of the rest.
SLOW, DRIFTING = 3, 0.5


class ComparedHarmonic(NamedTuple):
    """Amplitude of the position error at a harmonic of the signal period, m or rad."""

    harmonic: int
    measured: float
    predicted: float
    uncertainty: float


class Unexplained(NamedTuple):
    """A line of the measured velocity that no harmonic explains: frequency (Hz), or order per revolution."""

    frequency: float
    order: float
    amplitude: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Comparison(Result):
    """A recording beside the prediction.

    Attributes
    ----------
    speed : float
        Mean speed of the recording, m/s or rad/s.
    measured, predicted : float
        Velocity ripple, rms, as the axis' estimator gives it; position unit per second.
    uncertainty : float
        Standard uncertainty of their difference.
    agrees : bool
        Whether they differ by less than 2 standard uncertainties.
    harmonics : tuple of (harmonic, measured, predicted, uncertainty)
        Amplitudes of the position error per signal period, m or rad.
    unexplained : tuple of (frequency, order, amplitude)
        Lines of the measured velocity that the axis does not explain: aliased frequency (Hz), order per revolution (NaN
        on a linear axis) and velocity amplitude.
    verdict : str
    frequency, spectrum : ndarray, shape (m,)
        Amplitude spectrum of the measured velocity (Hann window; height of a line is its amplitude).
    deviation : ndarray, shape (n,)
        Measured velocity less its mean.
    valid : bool
    reasons : tuple of str

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> trace = encsim.simulate(axis, 0.0137, 16000, seed=1)
    >>> found = encsim.compare(axis, encsim.Capture("position", 16e3, position=trace.position))
    >>> found.agrees
    True
    """

    speed: float = field(metadata=measured_in("position/s"))
    measured: float = field(metadata=measured_in("position/s"))
    predicted: float = field(metadata=measured_in("position/s"))
    uncertainty: float = field(metadata=measured_in("position/s"))
    agrees: bool
    harmonics: tuple[ComparedHarmonic, ...] = field(metadata=measured_in("position"))
    unexplained: tuple[Unexplained, ...]
    verdict: str
    frequency: np.ndarray = field(metadata={"plain": False}, repr=False)
    spectrum: np.ndarray = field(metadata={"plain": False}, repr=False)
    deviation: np.ndarray = field(metadata={"plain": False}, repr=False)
    valid: bool
    reasons: tuple[str, ...]
    axis: Axis = field(repr=False, metadata={"plain": False})

    plot = picture(
        "figures.recorded:comparison",
        "Draw spectrum and histogram of the measured velocity with what the axis explains, and the harmonics.",
        alone="Takes the spectrum alone",
        example='axis = encsim.examples.load("stage_x")\n'
        "trace = encsim.simulate(axis, 0.0137, 8000, seed=1)\n"
        'ax = encsim.compare(axis, encsim.Capture("position", 16e3, position=trace.position)).plot()',
    )


@recorded
def compare(axis: Axis, capture: Capture) -> Comparison:
    """Compare the velocity ripple and the harmonics of a recording with those predicted for an axis.

    Parameters
    ----------
    axis : Axis
        With load and control the closed loop is predicted, else the open one. It is taken at the rate of the recording.
    capture : Capture
        Motion at nearly constant speed: counts, positions, channels or velocity.

    Returns
    -------
    Comparison
        ``valid`` is False, with ``reasons``, where the prediction is not reliable or the speed varies.

    Raises
    ------
    InputError
        If the recording is too short or does not move.

    Notes
    -----
    The axis' estimator is applied to the recorded positions; slow changes of the speed are left out. The uncertainty
    of an rms of n samples follows from the autocorrelation of what is left beside the harmonics, ``rms sqrt(sum
    rho**2/(2 n))`` over all lags, and from those of the harmonics; 0.25 % stand for the closed form. Harmonics are
    fitted in angle.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> trace = encsim.simulate(axis, 0.0137, 16000, seed=1)
    >>> found = encsim.compare(axis, encsim.Capture("position", 16e3, position=trace.position))
    >>> len(found.harmonics) > 0
    True
    """
    check_axis("compare.axis", axis)
    if not isinstance(capture, Capture):
        checks.refuse("compare.capture", "be a Capture", capture, hint="encsim.Capture.read reads a file")
    found = recorded_ripple(axis, capture)
    at_rate = found.axis
    predicted, reasons = predicted_ripple(at_rate, found.speed)
    uncertainty = float(np.hypot(found.uncertainty, CLOSED_FORM * predicted))
    harmonics = tuple(_harmonics(found))
    unexplained = tuple(_unexplained(found))
    agrees = bool(abs(found.rms - predicted) <= AGREES * uncertainty)
    reasons = (*found.reasons, *reasons)
    return Comparison(
        speed=found.speed,
        measured=found.rms,
        predicted=predicted,
        uncertainty=uncertainty,
        agrees=agrees,
        harmonics=harmonics,
        unexplained=unexplained,
        verdict=" ".join(_verdict(found, predicted, agrees, harmonics, unexplained)),
        frequency=found.frequency,
        spectrum=found.spectrum,
        deviation=found.velocity,
        valid=not reasons,
        reasons=reasons,
        axis=at_rate,
    )


@dataclass(frozen=True, slots=True, eq=False)
class RecordedRipple:
    """Velocity of a recording as the estimator gives it, without its slow change, and what follows from it."""

    axis: Axis
    speed: float
    velocity: np.ndarray
    theta: np.ndarray
    fit: angle_fit.AngleFit
    cyclic: angle_fit.AngleFit | None
    # uncertainty of a harmonic by rounding that repeats
    rounding: float
    rms: float
    uncertainty: float
    frequency: np.ndarray
    spectrum: np.ndarray
    reasons: tuple[str, ...]


def recorded_ripple(axis: Axis, capture: Capture) -> RecordedRipple:
    """Velocity ripple of a recording."""
    rate = steady_pieces.sampled_at(capture, axis)
    at_rate = axis if abs(rate / axis.sampling.rate - 1.0) < 1e-3 else axis.with_("sampling.rate", rate)
    if capture.kind == "velocity":
        steady_pieces.check_unit(capture, "velocity", f"{axis.scale.unit}/s")
        velocity, position = capture.velocity, None
    else:
        position = steady_pieces.in_position_unit(capture, axis)
        velocity = estimated(at_rate, position)
    assert velocity is not None  # its kind has one
    if len(velocity) < FEWEST:
        checks.refuse(
            "compare.capture", f"hold at least {FEWEST} samples after the estimator's", len(velocity)
        )
    time = np.arange(len(velocity)) / rate
    speed = float(np.mean(velocity))
    if not speed:
        checks.refuse("compare.capture", "move: its mean speed is zero", 0.0, f"{axis.scale.unit}/s")
    basis = angle_fit.slow_basis(time, SLOW)
    slow = basis[:, 1:] @ (basis[:, 1:].T @ velocity)
    # A speed that drifts by more than its ripple would hide it; a small drift is part of what was measured.
    steady = velocity - slow if np.std(slow) > DRIFTING * np.std(velocity - slow) else velocity
    where = time * speed if position is None else position[-len(velocity) :]
    theta = where * (angle_fit.TAU / axis.scale.pitch)
    numbers = range(1, smooth_motion.HARMONICS + 1)
    fit = angle_fit.fit_waves(steady - speed, theta, tuple(map(float, numbers)), basis[:, :1])
    rms = float(np.std(steady))
    motion = None if position is None else _motion(at_rate, position, rate)
    cyclic = None if motion is None else motion.cyclic
    rounding = 0.0
    if motion is not None and motion.record.period is not None:
        rounding = steady_pieces.repeated_rounding(motion.cyclic.slow, motion.residual, at_rate)
    drift = float(np.ptp(slow))
    reasons = () if position is None else tuple(steady_pieces.jumps(position, at_rate))
    if drift > 0.2 * abs(speed):
        reasons += (f"the speed drifts by {wording.percent(drift / abs(speed))}: take a steadier part",)
    frequency, spectrum = _spectrum(steady - speed, rate)
    return RecordedRipple(
        at_rate,
        speed,
        steady - speed,
        theta,
        fit,
        cyclic,
        rounding,
        rms,
        _uncertainty(fit, rms),
        frequency,
        spectrum,
        reasons,
    )


def estimated(axis: Axis, position: np.ndarray) -> np.ndarray:
    """Velocity that the axis' estimator gives of positions, from where it has settled."""
    from scipy.signal import lfilter

    if not axis.estimator.linear:
        checks.refuse(
            "Axis.estimator", "be one of sampled positions: record the velocity", axis.estimator.kind
        )
    estimator: Any = axis.estimator.resolved(axis.signal.jitter, axis.resolution)
    rate = axis.sampling.rate
    numerator, denominator = estimator.coefficients(rate)
    return np.asarray(
        lfilter(numerator, denominator, position - position[0])[max(estimator.memory(rate) - 1, 0) :]
    )


def _motion(axis: Axis, position: np.ndarray, rate: float) -> smooth_motion.SmoothMotion:
    """Smooth motion of the positions with the harmonics of the position error."""
    return smooth_motion.fitted_motion(Capture("position", rate, position=position), axis)


def _uncertainty(fit: angle_fit.AngleFit, rms: float) -> float:
    """Standard uncertainty of an rms: chance of the noise, and that of the harmonics."""
    noise = float(np.mean(fit.residual**2))
    chance = noise * np.sqrt(angle_fit.autocorrelation_sum(fit.residual) / (2.0 * len(fit.residual)))
    harmonics = np.sum((np.abs(fit.amplitude) * fit.uncertainty)[fit.separable] ** 2)
    return float(np.hypot(chance, np.sqrt(harmonics))) / max(rms, np.finfo(float).tiny)


def predicted_ripple(axis: Axis, speed: float) -> tuple[float, tuple[str, ...]]:
    """Predicted rms of the measured velocity, of the closed loop where there is one, and why it is not reliable."""
    if is_closed(axis):
        closed = smoothness(axis, abs(speed))
        return float(closed.measured), tuple(closed.reasons)
    curve = ripple(axis, abs(speed))
    return float(curve.rms), tuple(curve.reasons)


def is_closed(axis: Axis) -> bool:
    """Whether the axis has what a closed loop needs."""
    return bool(axis.load and axis.control and axis.control.velocity_gain > 0.0)


def _harmonics(recorded: RecordedRipple) -> Iterator[ComparedHarmonic]:
    """Measured and predicted amplitudes of the position error."""
    if recorded.cyclic is None:
        return
    found = lines(recorded.axis, abs(recorded.speed))
    predicted = {
        int(k): float(a) for k, a in zip(found.harmonic, found.position, strict=True) if k == round(k)
    }
    frequencies = recorded.speed / recorded.axis.scale.pitch * np.array(recorded.cyclic.orders)
    left = np.abs(steady_pieces.sensitivity(recorded.axis, frequencies, recorded.speed))
    for n, place in (
        (int(n), k) for k, n in enumerate(recorded.cyclic.orders) if recorded.cyclic.separable[k]
    ):
        size = abs(recorded.cyclic.amplitude[place])
        error = float(np.hypot(recorded.cyclic.uncertainty[place], recorded.rounding))
        expected = predicted.get(n, 0.0) * left[place]
        if max(size, expected) > SIGNIFICANT * error:
            yield ComparedHarmonic(n, float(size), float(expected), float(error))


def _spectrum(values: np.ndarray, rate: float) -> tuple[np.ndarray, np.ndarray]:
    window = np.hanning(len(values))
    return np.fft.rfftfreq(len(values), 1.0 / rate), 2.0 * np.abs(np.fft.rfft(values * window)) / window.sum()


def _unexplained(recorded: RecordedRipple) -> Iterator[Unexplained]:
    """Lines that stand above their neighbourhood and are no harmonic of the period."""
    from scipy.ndimage import maximum_filter1d, median_filter

    rate = recorded.axis.sampling.rate
    _, height = _spectrum(recorded.fit.residual, rate)
    beside = np.maximum(median_filter(height**2, min(BESIDE, len(height))), np.finfo(float).tiny)
    there = np.flatnonzero(
        (height**2 > CLEAR * beside) & (height == maximum_filter1d(height, 7)) & (height > 0.0)
    )
    explained = _explained_lines(recorded)
    step = float(recorded.frequency[1])
    per_turn = abs(recorded.speed) / angle_fit.TAU if recorded.axis.scale.unit == "rad" else np.nan
    for place in there[np.argsort(-height[there])][:MOST]:
        frequency = float(recorded.frequency[place])
        if (
            height[place] > SMALL * recorded.rms
            and place > 3
            and not np.any(np.abs(explained - frequency) < 3.0 * step)
        ):
            yield Unexplained(frequency, frequency / per_turn, float(height[place]))


def _explained_lines(recorded: RecordedRipple) -> np.ndarray:
    """Aliased frequencies of the harmonics, and of quantisation with its sidebands, that the axis has at this speed."""
    rate, pitch = recorded.axis.sampling.rate, recorded.axis.scale.pitch
    orders = np.arange(1.0, 2.0 * smooth_motion.HARMONICS + 1.0)
    factor = recorded.axis.interpolation.factor
    if factor is not None:
        beside = np.arange(-2.0, 3.0)
        orders = np.concatenate([orders, (factor * np.arange(1.0, 5.0)[:, None] + beside).ravel()])
    cycles = orders * abs(recorded.speed) / (pitch * rate)
    return np.asarray(rate * np.abs(cycles - np.round(cycles)))


def _room(harmonic: ComparedHarmonic) -> float:
    """Difference of a harmonic that is no disagreement."""
    return max(SIGNIFICANT * harmonic.uncertainty, HARMONIC_RIGHT * harmonic.predicted)


def _verdict(
    recorded: RecordedRipple,
    predicted: float,
    agrees: bool,
    harmonics: tuple[ComparedHarmonic, ...],
    unexplained: tuple[Unexplained, ...],
) -> Iterator[str]:
    """What agrees, and which cause does not."""
    unit = recorded.axis.scale.unit
    measured, expected = (wording.quantity(value, f"{unit}/s") for value in (recorded.rms, predicted))
    both = f"{measured} rms measured, {expected} predicted"
    yield f"Agrees: {both}." if agrees else f"Differs: {both}."
    wrong = [h for h in harmonics if abs(h.measured - h.predicted) > _room(h)]
    for h in wrong:
        sizes = (wording.quantity(value, unit) for value in (h.measured, h.predicted))
        yield f"Harmonic {h.harmonic}: {next(sizes)} measured, {next(sizes)} predicted."
    if not wrong and harmonics:
        yield "All harmonics of the signal period agree."
    if unexplained:
        many = "frequency is" if len(unexplained) == 1 else "frequencies are"
        yield f"{len(unexplained)} {many} not explained by the axis: separate tells encoder from machine."
    if not (agrees or wrong or unexplained):
        more = "more" if recorded.rms > predicted else "less"
        yield f"The noise is {more} than that of the axis: jitter, noise or resolution."
