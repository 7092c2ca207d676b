"""One signal period: what the two channels look like and what position the arctangent makes of them.

Symbols: theta = 2 pi x/p is the phase of the true position in a signal period p; the cosine channel is
``c = o_c + Re sum_n C_n exp(i n theta)``, the sine channel ``s`` likewise with S_n; the shown position is
``x + eps``, ``eps = p/(2 pi) (atan2(s, c) - theta)``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks, results
from ..model.axis import Axis
from ..results import Result

if TYPE_CHECKING:
    from matplotlib.axes import Axes


TAU = 2.0 * np.pi
SMALLEST_GRID = 64
SHOWN_GRID = 1024
LARGEST_GRID = 1 << 13
# A figure that just misses zero makes thousands of lines; the strongest tell enough.
MOST_LINES = 256
# A line counts from this share of the largest on, and from this share of a period on (rounding of doubles).
SHARE_OF_LARGEST = 1e-6
ROUNDING = 1e-13


@dataclass(frozen=True, eq=False)
class Channels:
    """Steady signals of a readhead as Fourier terms in the signal phase (see the module's symbols)."""

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
    cosine = signal.amplitude * np.array([1.0, *signal.harmonics.values()], dtype=complex)
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
    found = channels(axis, speed)
    count = axis.sampling.average
    if count == 1:
        return found
    turns = np.multiply.outer(
        np.asarray(speed, dtype=float) / (axis.scale.pitch * axis.sampling.rate), found.orders
    )
    reading = np.arange(count) / count
    mean = np.exp(-1j * TAU * turns[..., None] * reading).mean(axis=-1)
    return replace(found, cosine=found.cosine * mean, sine=found.sine * mean)


def depends_on_speed(axis: Axis) -> bool:
    """Whether the error over a period is another at another speed."""
    return axis.signal.bandwidth is not None or axis.signal.skew != 0.0 or axis.sampling.average > 1


def shifted(axis: Axis, turns: np.ndarray) -> np.ndarray:
    """Phase in periods at which the channels are read where the true phase is ``turns``: the given error."""
    turns = np.asarray(turns, dtype=float)
    shift = np.zeros_like(turns)
    for order, (amplitude, angle) in axis.signal.sde.items():
        shift += amplitude / axis.scale.pitch * np.sin(TAU * order * turns + angle)
    return turns + shift


def signals(found: Channels, turns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Both channels at phases ``turns`` (periods, shape (g,) or (..., g)), shapes (..., g)."""
    cosine = found.offset[0] + np.zeros((*found.cosine.shape[:-1], np.shape(turns)[-1]))
    sine = found.offset[1] + np.zeros_like(cosine)
    # term by term, since the threads of a matrix product cost more than these few terms
    for term, turned in enumerate(_turned(found.orders.tolist(), turns)):
        for channel, weight in ((cosine, found.cosine[..., term, None]), (sine, found.sine[..., term, None])):
            channel += weight.real * turned.real
            channel -= weight.imag * turned.imag
    return cosine, sine


def _turned(orders: list[int], turns: np.ndarray) -> Iterator[np.ndarray]:
    """exp(2 pi i n turns) of ascending orders n: each from the one before, a third of the time of sine and cosine."""
    angle = TAU * np.asarray(turns)
    first = np.empty(angle.shape, dtype=complex)
    first.real, first.imag = np.cos(angle), np.sin(angle)
    reached, found, gaps = 0, None, {1: first}
    for order in orders:
        gap = order - reached
        if gap not in gaps:
            gaps[gap] = first**gap if gap > 2 else first * first
        found = gaps[gap] if found is None else found * gaps[gap]
        reached = order
        yield found


def error_on_grid(axis: Axis, speed: float | np.ndarray, points: int) -> tuple[np.ndarray, np.ndarray]:
    """Error of the shown position on an even grid over one period, periods, with its lag removed."""
    turns = np.arange(points) / points
    moved = shifted(axis, turns)
    cosine, sine = read_signals(axis, speed, turns)
    vector = (cosine + 1j * sine) * np.exp(-1j * TAU * (moved + lead(averaged(axis, speed))[..., None]))
    return np.angle(vector) / TAU + (moved - turns), np.abs(vector)


def read_signals(axis: Axis, speed: float | np.ndarray, turns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Both channels as they are decoded at true phases ``turns`` (periods): the mean of the loop period's readings."""
    count = axis.sampling.average
    if count == 1 or not axis.signal.sde:
        return signals(averaged(axis, speed), shifted(axis, turns))
    # the given error is another at each reading: reading by reading
    found, step = (
        channels(axis, speed),
        np.asarray(speed, dtype=float) / (axis.scale.pitch * axis.sampling.rate * count),
    )
    readings = (signals(found, shifted(axis, turns - step[..., None] * i)) for i in range(count))
    return tuple(sum(channel) / count for channel in zip(*readings, strict=True))


def lead(found: Channels) -> float | np.ndarray:
    """Phase by which the fundamental of the shown position is ahead of the true one, periods."""
    return np.angle(found.cosine[..., 0] + 1j * found.sine[..., 0]) / TAU


def encloses_zero(error: np.ndarray) -> bool | np.ndarray:
    """Whether the figure of the two channels goes round zero once, per row of an error on a grid."""
    step = np.abs(np.diff(error, axis=-1, append=error[..., :1]))
    return step.max(axis=-1) < 0.5


def spectrum(axis: Axis, speed: float, points: int) -> np.ndarray:
    """Complex lines E_k of the error, k = 0 … points/2, periods: eps = sum |E_k| cos(k theta + arg E_k)."""
    error, _ = error_on_grid(axis, speed, points)
    lines = np.fft.rfft(error, axis=-1) * (2.0 / points)
    lines[..., 0] *= 0.5
    return lines


def grid_size(axis: Axis, speed: float = 0.0) -> int:
    """Points a period needed so that the lines are exact to rounding: the last eighth of them is empty."""
    highest = max([1, *axis.signal.harmonics, *axis.signal.sde])
    points = max(SMALLEST_GRID, 1 << int(np.ceil(np.log2(8 * highest))))
    while points < LARGEST_GRID:
        size = np.abs(spectrum(axis, speed, points))[..., 1:]
        tail = size[..., -(size.shape[-1] // 8) :].max()
        if tail <= max(ROUNDING, 1e-9 * size.max()):
            break
        points *= 2
    return points


def significant(lines: np.ndarray) -> np.ndarray:
    """Orders k >= 1 of the lines that count, from complex lines of shape (..., k)."""
    size = np.abs(lines[..., 1:]).reshape(-1, lines.shape[-1] - 1).max(axis=0)
    strong = (size > SHARE_OF_LARGEST * size.max()) & (size > ROUNDING)
    if strong.sum() > MOST_LINES:
        strong &= size >= np.partition(size, -MOST_LINES)[-MOST_LINES]
    return np.flatnonzero(strong) + 1


@dataclass(frozen=True, eq=False, kw_only=True)
class PeriodError(Result):
    """Error of the shown position over one signal period, from the two channels alone.

    Attributes
    ----------
    phase : ndarray, shape (n,)
        True phase, periods.
    error : ndarray, shape (n,)
        Shown minus true position less its mean, m or rad.
    harmonic, amplitude, angle : ndarray, shape (k,)
        Lines: error = sum amplitude sin(2 pi harmonic phase + angle); m or rad, rad.
    cosine, sine : ndarray, shape (n,)
        The channels, of unit amplitude.
    first_order : dict
        {cause: {order: amplitude}}, the share of each signal fault to first order, for explaining.
    speed : float
        Steady speed, m/s or rad/s.
    """

    phase: np.ndarray
    error: np.ndarray
    harmonic: np.ndarray
    amplitude: np.ndarray
    angle: np.ndarray
    cosine: np.ndarray
    sine: np.ndarray
    first_order: dict
    speed: float
    valid: bool
    reasons: tuple[str, ...]
    axis: Axis = field(metadata={"plain": False})

    @property
    def units(self) -> dict[str, str]:
        """Units of the fields, {key: unit}."""
        unit = self.axis.scale.unit
        return {
            "phase": "periods",
            "error": unit,
            "harmonic": "1",
            "amplitude": unit,
            "angle": "rad",
            "cosine": "1",
            "sine": "1",
            "first_order": unit,
            "speed": f"{unit}/s",
        }

    def to_csv(self, path: str) -> None:
        """Write phase, error and channels as a table, whole or not at all."""
        from .. import files

        files.write_whole(path, self.to_csv_text(), force=True)

    def to_csv_text(self) -> str:
        """Phase, error and channels as text, a row a point."""
        rows = zip(
            self.phase.tolist(), self.error.tolist(), self.cosine.tolist(), self.sine.tolist(), strict=True
        )
        body = "".join(f"{a!r},{b!r},{c!r},{d!r}\n" for a, b, c, d in rows)
        return f"phase_periods,error_{self.axis.scale.unit},cosine,sine\n{body}"

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the error over one period and its lines; returns the axes."""
        pictures = results.pictures()

        return pictures.period_error(self, ax)

    def plot_channels(self, ax: Axes | None = None) -> Axes:
        """Draw one channel against the other with the faults exaggerated; returns the axes."""
        pictures = results.pictures()

        return pictures.channels(self, ax)


def position_error(axis: Axis, speed: float = 0.0) -> PeriodError:
    """Error of the shown position over one signal period.

    Parameters
    ----------
    axis : Axis
    speed : float
        Steady speed, m/s or rad/s; it matters where the readhead has a bandwidth or a skew, or readings are
        averaged.

    Returns
    -------
    PeriodError

    Raises
    ------
    InputError
        If the speed is not a finite number.

    Notes
    -----
    ``eps = p/(2 pi) (atan2(s, c) - theta)`` on an even grid, and its Fourier lines. Rounding to counts, the
    converter and noise are left out. To first order (Heydemann, Appl. Opt. 20, 3382, 1981)
    ``o_s cos t - o_c sin t + g/2 sin 2t + phi/2 (1 + cos 2t) - h_3 sin 4t + h_5 sin 4t``.
    """
    if not checks.is_real(speed):
        checks.refuse("position_error.speed", "be a finite number", speed, f"{axis.scale.unit}/s")
    points = max(grid_size(axis, speed), SHOWN_GRID)
    pitch = axis.scale.pitch
    error, _ = error_on_grid(axis, speed, points)
    lines = spectrum(axis, speed, points)
    orders = significant(lines)
    turns = np.arange(points) / points
    cosine, sine = read_signals(axis, speed, turns)
    sound = bool(encloses_zero(error))
    reasons = () if sound else ("the two channels do not go round zero: there is no position to decode",)
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


def first_order(axis: Axis) -> dict[Any, dict[int, float]]:
    """Lines that each fault of the signals makes to first order, {cause: {order: amplitude}}, m or rad."""
    # Offset |o| at 1, gain g/2 and phase phi/2 at 2; harmonic n = 1 mod 4 at n - 1, n = 3 mod 4 at n + 1, both with
    # h_n; even n at n - 1 and n + 1 with h_n/sqrt(2) each. All of unit amplitude times p/(2 pi).
    signal, left = axis.signal, 1.0 - axis.interpolation.correction
    unit = axis.scale.pitch / TAU
    found = {
        "offset": {1: unit * left * float(np.hypot(*signal.offset)) / signal.amplitude},
        "gain": {2: unit * left * abs(signal.gain) / 2.0},
        "phase": {2: unit * left * abs(signal.phase) / 2.0},
    }
    for order, size in signal.harmonics.items():
        found[f"harmonic {order}"] = _harmonic_lines(order, unit * abs(size))
    found["given"] = {order: amplitude for order, (amplitude, _) in signal.sde.items()}
    kept = {
        cause: {order: size for order, size in made.items() if size > 0.0} for cause, made in found.items()
    }
    return {cause: made for cause, made in kept.items() if made}


def _harmonic_lines(order: int, size: float) -> dict[int, float]:
    """Lines that one waveform harmonic makes, {order: amplitude}."""
    if order % 2:
        return {order - 1 if order % 4 == 1 else order + 1: size}
    return {order - 1: size / np.sqrt(2.0), order + 1: size / np.sqrt(2.0)}
