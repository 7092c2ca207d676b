"""One signal period: the two channels, the position decoded from them, and its error.

Symbols: theta = 2 pi x/p is the phase of the true position in a signal period p; the cosine channel is
``c = o_c + Re sum_n C_n exp(i n theta)``, the sine channel ``s`` likewise with S_n; the decoded position is
``x + eps``, ``eps = p/(2 pi) (atan2(s, c) - theta)``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from .. import checks, files
from ..doubts import Doubt
from ..model.axis import Axis, check_axis
from ..model.scale_and_signal import Signal
from ..results import AXIS_EXAMPLE, Result, measured_in, picture, recorded
from ..units import speed_in_si

if TYPE_CHECKING:
    from os import PathLike

TAU = 2.0 * np.pi
SMALLEST_GRID = 64
SHOWN_GRID = 1024
LARGEST_GRID = 1 << 13
# Channels whose circle passes close to zero make thousands of harmonics; the strongest are enough.
MOST_LINES = 256
# Harmonics smaller than this share of the largest, or than this share of a period (rounding), are left out.
SHARE_OF_LARGEST = 1e-6
ROUNDING = 1e-13


@dataclass(frozen=True, eq=False)
class Channels:
    """Signals of a readhead in steady motion as Fourier terms in the signal phase (symbols: module docstring)."""

    offset: tuple[float, float]
    orders: np.ndarray
    cosine: np.ndarray
    sine: np.ndarray


def channels(axis: Axis, speed: float | np.ndarray = 0.0) -> Channels:
    """Fourier terms of both channels in steady motion."""
    # In steady motion the bandwidth f_b multiplies term n by 1/(1 + i n v/(p f_b)); the skew t_s reads the sine
    # channel at theta + 2 pi v t_s/p. Conditioning leaves 1 - correction of offset, gain and phase.
    signal, left = axis.signal, 1.0 - axis.interpolation.correction
    orders = np.array([1, *signal.harmonics], dtype=np.int64)
    cosine: np.ndarray = signal.amplitude * np.array([1.0, *signal.harmonics.values()], dtype=complex)
    sine = cosine * (-1j) ** (orders % 4)
    sine[0] *= (1.0 + left * signal.gain) * np.exp(1j * left * signal.phase)
    frequency = np.multiply.outer(np.asarray(speed, dtype=float) / axis.scale.pitch, orders)
    if signal.bandwidth is not None:
        low_pass = 1.0 / (1.0 + 1j * frequency / signal.bandwidth)
        cosine, sine = cosine * low_pass, sine * low_pass
    sine = sine * np.exp(1j * TAU * frequency * signal.skew)
    cosine = np.broadcast_to(cosine, sine.shape)
    return Channels((left * signal.offset[0], left * signal.offset[1]), orders, cosine, sine)


def averaged(axis: Axis, speed: float | np.ndarray = 0.0) -> Channels:
    """Channels as :func:`channels` gives them, after averaging the readings of one loop period."""
    steady = channels(axis, speed)
    count = axis.sampling.average
    if count == 1:
        return steady
    turns = np.multiply.outer(
        np.asarray(speed, dtype=float) / (axis.scale.pitch * axis.sampling.rate), steady.orders
    )
    reading = np.arange(count) / count
    mean = np.exp(-1j * TAU * turns[..., None] * reading).mean(axis=-1)
    return replace(steady, cosine=steady.cosine * mean, sine=steady.sine * mean)


def depends_on_speed(axis: Axis) -> bool:
    """Whether the error over a period changes with the speed."""
    return axis.signal.bandwidth is not None or axis.signal.skew != 0.0 or axis.sampling.average > 1


def shifted(axis: Axis, turns: np.ndarray) -> np.ndarray:
    """Phase, periods, that the channels show at the true phase ``turns``: moved by the direct SDE."""
    turns = np.asarray(turns, dtype=float)
    shift = np.zeros_like(turns)
    for order, (amplitude, angle) in axis.signal.sde.items():
        shift += amplitude / axis.scale.pitch * np.sin(TAU * order * turns + angle)
    return turns + shift


def signals(
    steady: Channels, turns: np.ndarray, first: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Both channels at phases ``turns`` (periods, shape (g,) or (..., g)), shapes (..., g); ``first`` as `_turned`."""
    cosine = steady.offset[0] + np.zeros((*steady.cosine.shape[:-1], np.shape(turns)[-1]))
    sine = steady.offset[1] + np.zeros_like(cosine)
    # Term by term: for these few terms a matrix product would take longer to start its threads.
    for term, turned in enumerate(_turned(steady.orders.tolist(), turns, first)):
        for channel, weight in (
            (cosine, steady.cosine[..., term, None]),
            (sine, steady.sine[..., term, None]),
        ):
            channel += weight.real * turned.real
            channel -= weight.imag * turned.imag
    return cosine, sine


def _turned(orders: list[int], turns: np.ndarray, first: np.ndarray | None) -> Iterator[np.ndarray]:
    """exp(2 pi i n turns) of ascending orders n, each from the one before; ``first`` is that of n = 1."""
    # Products take a third of the time of sine and cosine.
    if first is None:
        first = unit_vector(turns)
    reached, power, gaps = 0, None, {1: first}
    for order in orders:
        gap = order - reached
        if gap not in gaps:
            gaps[gap] = first**gap if gap > 2 else first * first
        power = gaps[gap] if power is None else power * gaps[gap]
        reached = order
        yield power


def unit_vector(turns: np.ndarray) -> np.ndarray:
    """exp(2 pi i turns)."""
    angle = TAU * np.asarray(turns)
    vector = np.empty(angle.shape, dtype=complex)
    vector.real, vector.imag = np.cos(angle), np.sin(angle)
    return vector


def error_on_grid(axis: Axis, speed: float | np.ndarray, points: int) -> tuple[np.ndarray, np.ndarray]:
    """Error of the decoded position on an even grid over one period without its lag, periods, and the radius."""
    turns = np.arange(points) / points
    moved = shifted(axis, turns)
    cosine, sine = read_signals(axis, speed, turns)
    vector = (cosine + 1j * sine) * unit_vector(-moved)
    vector *= unit_vector(-lead(averaged(axis, speed))[..., None])
    return np.angle(vector) / TAU + (moved - turns), np.abs(vector)


def read_signals(axis: Axis, speed: float | np.ndarray, turns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Both channels at true phases ``turns`` (periods): the mean of the readings of one loop period."""
    count = axis.sampling.average
    if count == 1 or not axis.signal.sde:
        return signals(averaged(axis, speed), shifted(axis, turns))
    # The direct SDE differs from reading to reading.
    steady = channels(axis, speed)
    step = np.asarray(speed, dtype=float) / (axis.scale.pitch * axis.sampling.rate * count)
    readings = [signals(steady, shifted(axis, turns - step[..., None] * i)) for i in range(count)]
    cosine, sine = (np.sum(channel, axis=0) / count for channel in zip(*readings, strict=True))
    return cosine, sine


def lead(steady: Channels) -> np.ndarray:
    """Phase by which the fundamental of the decoded position leads the true one, periods."""
    return np.angle(steady.cosine[..., 0] + 1j * steady.sine[..., 0]) / TAU


def encloses_zero(error: np.ndarray) -> np.ndarray:
    """Whether the circle of the two channels encloses zero, per row of an error on a grid."""
    step = np.abs(np.diff(error, axis=-1, append=error[..., :1]))
    return step.max(axis=-1) < 0.5


def spectrum(axis: Axis, speed: float, points: int) -> np.ndarray:
    """Complex harmonics E_k of the error, k = 0 … points/2, periods: eps = sum |E_k| cos(k theta + arg E_k)."""
    return _harmonics(error_on_grid(axis, speed, points)[0])


def _harmonics(error: np.ndarray) -> np.ndarray:
    """Complex harmonics of an error on a grid."""
    lines = np.fft.rfft(error, axis=-1) * (2.0 / error.shape[-1])
    lines[..., 0] *= 0.5
    return lines


def resolved_error(axis: Axis, speed: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """As `error_on_grid`, on a grid that gives the harmonics exact to rounding: the last eighth of them is empty."""
    highest = max([1, *axis.signal.harmonics, *axis.signal.sde])
    points = max(SMALLEST_GRID, 1 << int(np.ceil(np.log2(8 * highest))))
    while True:
        error, radius = error_on_grid(axis, speed, points)
        size = np.abs(_harmonics(error))[..., 1:]
        tail = size[..., -(size.shape[-1] // 8) :].max()
        if points >= LARGEST_GRID or tail <= max(ROUNDING, 1e-9 * size.max()):
            return error, radius
        points *= 2


def grid_size(axis: Axis, speed: float = 0.0) -> int:
    """Points per period of `resolved_error`."""
    return resolved_error(axis, speed)[0].shape[-1]


def significant(lines: np.ndarray) -> np.ndarray:
    """Orders k >= 1 of the harmonics that matter, from complex harmonics of shape (..., k)."""
    size = np.abs(lines[..., 1:]).reshape(-1, lines.shape[-1] - 1).max(axis=0)
    strong = (size > SHARE_OF_LARGEST * size.max()) & (size > ROUNDING)
    if strong.sum() > MOST_LINES:
        strong &= size >= np.partition(size, -MOST_LINES)[-MOST_LINES]
    return np.flatnonzero(strong) + 1


@dataclass(frozen=True, eq=False, kw_only=True)
class PeriodError(Result):
    """Error of the decoded position over one signal period, without counts, converter and noise.

    Attributes
    ----------
    phase : ndarray, shape (n,)
        True phase, periods.
    error : ndarray, shape (n,)
        Decoded minus true position, mean removed, m or rad.
    harmonic, amplitude, angle : ndarray, shape (k,)
        Harmonics per signal period: error = sum amplitude sin(2 pi harmonic phase + angle); m or rad, rad.
    cosine, sine : ndarray, shape (n,)
        The channels, of unit amplitude.
    first_order : dict
        {fault: {harmonic: amplitude}}: what each signal fault makes to first order, m or rad.
    speed : float
        Steady speed, m/s or rad/s.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> round(1e9 * float(abs(encsim.position_error(axis).amplitude[0])), 1)
    35.2
    """

    phase: np.ndarray = field(metadata=measured_in("periods"))
    error: np.ndarray = field(metadata=measured_in("position"))
    harmonic: np.ndarray = field(metadata=measured_in("1"))
    amplitude: np.ndarray = field(metadata=measured_in("position"))
    angle: np.ndarray = field(metadata=measured_in("rad"))
    cosine: np.ndarray = field(metadata=measured_in("1"))
    sine: np.ndarray = field(metadata=measured_in("1"))
    first_order: dict[str, dict[int, float]] = field(metadata=measured_in("position"))
    speed: float = field(metadata=measured_in("position/s"))
    valid: bool
    reasons: tuple[str, ...]
    axis: Axis = field(metadata={"plain": False})

    def to_csv(self, path: str | PathLike[str], *, force: bool = False) -> None:
        """Write phase, error and channels as a table; a file that is there is replaced only with ``force``."""
        files.write_whole(path, self.to_csv_text(), force=force)

    def to_csv_text(self) -> str:
        """Phase, error and channels as text, a row a point."""
        rows = zip(
            self.phase.tolist(), self.error.tolist(), self.cosine.tolist(), self.sine.tolist(), strict=True
        )
        body = "".join(f"{a!r},{b!r},{c!r},{d!r}\n" for a, b, c, d in rows)
        return f"phase_periods,error_{self.axis.scale.unit},cosine,sine\n{body}"

    plot = picture(
        "figures.period:period_error",
        "Draw the error (position unit) over one signal period, and the amplitudes of its lines.",
        alone="Takes the error alone",
        example=AXIS_EXAMPLE + "ax = encsim.position_error(axis).plot()",
    )

    plot_channels = picture(
        "figures.channels:channels",
        "Draw the sine channel against the cosine channel with the faults exaggerated.",
        example=AXIS_EXAMPLE + "ax = encsim.position_error(axis).plot_channels()",
    )


@recorded
def position_error(axis: Axis, speed: float = 0.0) -> PeriodError:
    """Error of the decoded position over one signal period.

    Parameters
    ----------
    axis : Axis
    speed : float
        Steady speed, m/s or rad/s. The error depends on it where the readhead has a bandwidth or a skew, or
        where readings are averaged.

    Returns
    -------
    PeriodError

    Raises
    ------
    InputError
        If the speed is not a finite number.

    Notes
    -----
    ``eps = p/(2 pi) (atan2(s, c) - theta)`` on an even grid, and its harmonics. Rounding to counts, the
    converter and noise are left out. To first order (Heydemann, Appl. Opt. 20, 3382, 1981)
    ``o_s cos t - o_c sin t + g/2 sin 2t + phi/2 (1 + cos 2t) - h_3 sin 4t + h_5 sin 4t``.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> error = encsim.position_error(axis)
    >>> error.harmonic[:3]
    array([1, 2, 3])
    """
    check_axis("position_error.axis", axis)
    speed = speed_in_si("position_error.speed", speed, axis.scale.unit)
    if not checks.is_real(speed):
        checks.refuse("position_error.speed", "be a finite number", speed, f"{axis.scale.unit}/s")
    points = max(grid_size(axis, speed), SHOWN_GRID)
    pitch = axis.scale.pitch
    error, _ = error_on_grid(axis, speed, points)
    lines = _harmonics(error)
    orders = significant(lines)
    turns = np.arange(points) / points
    cosine, sine = read_signals(axis, speed, turns)
    sound = bool(encloses_zero(error))
    reasons = () if sound else (Doubt("no_position"),)
    return PeriodError(
        phase=turns,
        error=pitch * (error - error.mean()),
        harmonic=orders,
        amplitude=pitch * np.abs(lines[orders]),
        angle=np.angle(lines[orders]) + np.pi / 2.0,
        cosine=cosine,
        sine=sine,
        first_order=first_order(axis),
        speed=float(speed),
        valid=sound,
        reasons=reasons,
        axis=axis,
    )


def first_order(axis: Axis) -> dict[str, dict[int, float]]:
    """Harmonics that each signal fault makes to first order, {fault: {order: amplitude}}, m or rad."""
    left, unit = 1.0 - axis.interpolation.correction, axis.scale.pitch / TAU
    faults = signal_faults(axis.signal, unit, left)
    given = {order: amplitude for order, (amplitude, _) in axis.signal.sde.items() if amplitude > 0.0}
    return {**faults, "given": given} if given else faults


def signal_faults(signal: Signal, unit: float = 1.0, left: float = 1.0) -> dict[str, dict[int, float]]:
    """Harmonics that each fault of the channels makes to first order, {fault: {order: amplitude}}.

    Parameters
    ----------
    signal : Signal
    unit : float
        Position unit of the result, as a length or angle for 1 rad of signal phase.
    left : float
        Share of offset, gain and phase error that automatic signal correction leaves.
    """
    # Offset |o| at 1, gain g/2 and phase phi/2 at 2; harmonic n = 1 mod 4 at n - 1, n = 3 mod 4 at n + 1, both with
    # h_n; even n at n - 1 and n + 1 with h_n/sqrt(2) each. All of unit amplitude times p/(2 pi).
    faults = {
        "offset": {1: unit * left * float(np.hypot(*signal.offset)) / signal.amplitude},
        "gain": {2: unit * left * abs(signal.gain) / 2.0},
        "phase": {2: unit * left * abs(signal.phase) / 2.0},
    }
    for order, size in signal.harmonics.items():
        faults[f"harmonic {order}"] = _harmonic_lines(order, unit * abs(size))
    kept = {
        fault: {order: size for order, size in made.items() if size > 0.0} for fault, made in faults.items()
    }
    return {fault: made for fault, made in kept.items() if made}


def ideal_channels(error: PeriodError) -> tuple[np.ndarray, float]:
    """Channels without the faults that make an ellipse or distort it, and the size of the channels to compare with.

    Parameters
    ----------
    error : PeriodError

    Returns
    -------
    ideal : ndarray, shape (n,), complex
        Cosine + j sine at the phases of the result, of unit amplitude. It has the lag of the readhead and the error
        that is given directly: both move points along the circle.
    radius : float
        Amplitude of ``error.cosine`` without faults: that of the signal, less the attenuation of the readhead.
    """
    signal, pitch = error.axis.signal, error.axis.scale.pitch
    response = 1.0 + 0.0j
    if signal.bandwidth is not None:
        response = 1.0 / (1.0 + 1j * error.speed / (pitch * signal.bandwidth))
    phase = TAU * np.asarray(error.phase)
    given = sum(
        (size / pitch * np.sin(order * phase + f) for order, (size, f) in signal.sde.items()), 0.0 * phase
    )
    return np.exp(1j * (phase + TAU * given + np.angle(response))), signal.amplitude * abs(response)


def _harmonic_lines(order: int, size: float) -> dict[int, float]:
    """Harmonics of the error that one waveform harmonic makes, {order: amplitude}."""
    if order % 2:
        return {order - 1 if order % 4 == 1 else order + 1: size}
    return {order - 1: size / np.sqrt(2.0), order + 1: size / np.sqrt(2.0)}
