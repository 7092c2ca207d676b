"""What recordings with torque show of load and controller: friction, resonance, cogging, gains."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from ..calibration import angle_fit
from ..calibration.angle_fit import TAU
from ..closed_loop import loop as loops
from . import order_owners, steady_pieces
from .order_fit import MACHINE, Term

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..model.load_and_control import Load
    from .capture import Capture
    from .steady_pieces import SteadyPiece


# Torque is averaged over this many windows of a recording; slower than this share of the fastest is standstill.
WINDOWS, STANDSTILL = 60, 1e-3
FEWEST_IN_WINDOW = 8
# Speeds that vary by less than this share are one; scatter of the mean torque is read from so many blocks.
STEADY, STEADY_BLOCKS = 0.05, 8
# Share of the torque to which inertia and friction describe it, and median deviations beyond which they do not.
TORQUE_RIGHT, OUTLYING = 1e-3, 6.0
# Mean sign of the speed from which on a recording counts as one in one direction.
ONE_WAY = 0.7
# Samples in a window of the response to torque and fewest, most windows, and degree of the slow motion in each.
WINDOW, FEWEST_OF_WINDOW, MOST_WINDOWS, SLOW = 1024, 256, 24, 8
# Samples over which motion is told from rest, and share of the fastest below which it rests.
SHORT, RESTING = 16, 0.1
# Harmonics of the signal period that are no motion.
HARMONICS = (1.0, 2.0, 3.0, 4.0)
# Differences of this order show the noise of a position beside its motion, and their rms for noise of 1.
DIFFERENCES, DIFFERENCES_RMS = 4, 70.0**0.5
# Share of a recorded torque to which a controller is taken to be exact, and share of a piece in which it settles.
CONTROL_RIGHT, SETTLING, CONTROL_SLOW = 1e-9, 0.1, 8


@dataclass(frozen=True, slots=True, eq=False)
class ObservedTorques:
    """Mean torque, speed and acceleration in windows of a recording."""

    torque: np.ndarray
    speed: np.ndarray
    acceleration: np.ndarray
    uncertainty: float

    def differences(self, axis: Axis) -> np.ndarray:
        """Of the torque that inertia and friction need."""
        assert axis.load is not None
        return (self.torque - needed(axis.load, self.speed, self.acceleration)) / self.uncertainty


def needed(load: Load, speed: np.ndarray, acceleration: np.ndarray) -> np.ndarray:
    """Torque for a motion: inertia, friction, less the constant force in its direction."""
    dry = np.full_like(speed, load.coulomb)
    if load.stribeck and load.stribeck_speed is not None:
        dry += load.stribeck * np.exp(-np.minimum((speed / load.stribeck_speed) ** 2, 700.0))
    return load.total_inertia * acceleration + load.viscous * speed + np.sign(speed) * dry - load.force


@dataclass(frozen=True, slots=True, eq=False)
class ObservedResponse:
    """Positions in windows less those that the recorded torque makes: all but slow and free motion is noise."""

    rate: float
    # position, torque, basis of the harmonics of the signal period, speed
    windows: tuple[tuple[np.ndarray, np.ndarray, np.ndarray, float], ...]
    uncertainty: float

    def differences(self, axis: Axis) -> np.ndarray:
        """Of the positions in all windows."""
        return np.concatenate([self._one(axis, *window) for window in self.windows]) / self.uncertainty

    def _one(
        self, axis: Axis, position: np.ndarray, torque: np.ndarray, cyclic: np.ndarray, speed: float
    ) -> np.ndarray:
        rest = position - steady_pieces.response_to_torque(torque - torque[0], axis, self.rate, speed)
        if axis.load is not None and axis.load.cogging:
            middle = steady_pieces.angle_scale(axis) * (position + 0.5 * np.gradient(position))
            waves = sum(size * np.sin(n * middle + phase) for n, (size, phase) in axis.load.cogging.items())
            rest -= steady_pieces.response_to_disturbance(waves, axis, self.rate, speed)
        slow = angle_fit.slow_basis(np.arange(len(rest)) / self.rate, SLOW)
        free = steady_pieces.free_motion(axis, self.rate, speed, len(rest))
        basis = angle_fit.orthonormal(np.column_stack([slow, free, cyclic]))
        return angle_fit.without(rest, basis)

    def settled(self, axis: Axis) -> ObservedResponse:
        """The same with the uncertainty that the differences from an axis have."""
        left = self.differences(axis) * self.uncertainty
        return replace(self, uncertainty=float(np.std(left) * np.sqrt(angle_fit.autocorrelation_sum(left))))


@dataclass(frozen=True, slots=True, eq=False)
class ObservedControl:
    """Torque commands of a piece at even speed, which a controller makes of the positions."""

    piece: SteadyPiece
    uncertainty: float

    def differences(self, axis: Axis) -> np.ndarray:
        """Of the torque commands."""
        assert self.piece.torque is not None
        assert axis.control is not None
        position, speed = _feedback(self.piece, axis)
        error = -(axis.control.position_gain * position + speed)
        time = axis.control.integral_time
        error = error if time is None else error + np.cumsum(error) / (self.piece.rate * time)
        return _even(self.piece.torque - axis.control.velocity_gain * error) / self.uncertainty


@dataclass(frozen=True, slots=True, eq=False)
class ObservedCogging:
    """Torque of the machine at one order, complex, and the uncertainty of its real and imaginary part."""

    order: float
    torque: complex
    uncertainty: np.ndarray

    def differences(self, axis: Axis) -> np.ndarray:
        """Of both parts."""
        assert axis.load is not None
        size, phase = axis.load.cogging.get(self.order, (0.0, 0.0))
        off = self.torque - size * np.exp(1j * phase)
        return np.array([off.real, off.imag]) / self.uncertainty


def moves(axis: Axis, capture: Capture) -> bool:
    """Whether a recording has a torque and moves, for long enough to tell of a load."""
    torque = steady_pieces.in_torque_unit(capture, axis)
    long = capture.samples >= FEWEST_IN_WINDOW * STEADY_BLOCKS
    return torque is not None and long and bool(np.ptp(steady_pieces.in_position_unit(capture, axis)))


def response(axis: Axis, capture: Capture) -> ObservedResponse | None:
    """Windows of a recording with torque in which the motion does not turn round, those with most torque ripple."""
    torque = steady_pieces.in_torque_unit(capture, axis)
    if torque is None:
        return None
    position, rate = steady_pieces.in_position_unit(capture, axis), steady_pieces.sampled_at(capture, axis)
    parts = list(_windows_in_motion(position))
    parts.sort(key=lambda part: -float(np.std(torque[part])))
    if not parts:
        return None
    windows, noise = [], []
    for part in parts[:MOST_WINDOWS]:
        y = position[part]
        speed = float(y[-1] - y[0]) * rate / (len(y) - 1)
        turned = y * (TAU / axis.scale.pitch)
        cyclic = angle_fit.wave_columns(turned, HARMONICS if np.ptp(turned) > 4.0 * TAU else ())
        windows.append((y, torque[part], cyclic, speed))
        noise.append(float(np.std(np.diff(y, DIFFERENCES))) / DIFFERENCES_RMS)
    return ObservedResponse(rate, tuple(windows), float(np.median(noise)))


def _windows_in_motion(position: np.ndarray) -> Iterator[slice]:
    """Windows in which a motion does not turn round or come to rest, where dry friction jumps."""
    steps = np.diff(position[::SHORT])
    state = np.sign(steps) * (np.abs(steps) > RESTING * np.abs(steps).max(initial=0.0))
    edges = [0, *(np.flatnonzero(np.diff(state)) + 1), len(state)]
    for first, last in pairwise(edges):
        count = (last - first) * SHORT
        if state[first] and count >= FEWEST_OF_WINDOW:
            size = count // max(1, round(count / WINDOW))
            yield from (slice(k, k + size) for k in range(first * SHORT, last * SHORT - size + 1, size))


def control(axis: Axis, capture: Capture) -> Iterator[ObservedControl]:
    """Pieces of a recording with the torque commands of its controller."""
    for piece in steady_pieces.cut([capture], axis):
        if piece.torque is None:
            continue
        # Any gains of position and speed and of their sums: what these leave is what no controller of this form makes.
        rows = _feedback(piece, axis)
        columns = np.stack([_even(part) for row in rows for part in (row, np.cumsum(row))], axis=1)
        columns /= np.maximum(np.abs(columns).max(axis=0), np.finfo(float).tiny)
        torque = _even(piece.torque)
        left = torque - columns @ np.linalg.lstsq(columns, torque, rcond=1e-12)[0]
        wide = float(np.std(left)) * np.sqrt(angle_fit.autocorrelation_sum(left))
        yield ObservedControl(piece, float(np.hypot(wide, CONTROL_RIGHT * np.std(torque))))


def _feedback(piece: SteadyPiece, axis: Axis) -> tuple[np.ndarray, np.ndarray]:
    """Position and estimated speed of a piece as the filters of the torque command pass them, less the even motion."""
    from scipy.signal import lfilter

    loop = loops.build(axis, piece.speed)
    slow = angle_fit.slow_basis(np.arange(len(piece.position)) / piece.rate, 1)
    position = angle_fit.without(piece.position, slow)
    for section in loop.filters:
        position = lfilter(*section.coefficients(), position)
    return position, lfilter(*loop.estimator.coefficients(piece.rate), position)


def _even(values: np.ndarray) -> np.ndarray:
    """Values once a controller has settled, without their slow part."""
    kept = values[int(SETTLING * len(values)) :]
    return angle_fit.without(kept, angle_fit.slow_basis(np.arange(len(kept), dtype=float), CONTROL_SLOW))


def cogging(
    axis: Axis, captures: Sequence[Capture], orders: Sequence[float], *, common: bool
) -> tuple[list[ObservedCogging], str]:
    """Torque of the machine at some orders, found beside errors of the encoder, or why it is not known."""
    pieces = steady_pieces.cut(list(captures), axis)
    if not pieces:
        return [], "the recordings hold no motion at even speed"
    found = order_owners.OrderOwners(pieces, axis, tuple(orders), common=common)
    if not found.decidable:
        return [], " and ".join(order_owners.why_undecided(found))
    terms = found.terms(sorted({*found.orders, *orders}))
    fit = found.fitted(terms)
    parts = []
    for order in orders:
        place = fit.terms.index(Term(order, MACHINE))
        wide = np.sqrt(np.diag(fit.covariance)[2 * place : 2 * place + 2])
        parts.append(ObservedCogging(order, complex(fit.amplitude[place]), wide))
    return parts, ""


def torques(axis: Axis, capture: Capture) -> ObservedTorques | None:
    """Mean torques of a recording; None without torque or motion."""
    torque = steady_pieces.in_torque_unit(capture, axis)
    if torque is None:
        return None
    position, rate = steady_pieces.in_position_unit(capture, axis), steady_pieces.sampled_at(capture, axis)
    mean, speed, acceleration = _windows(torque, position, rate, WINDOWS)
    if np.ptp(speed) < STEADY * np.abs(speed).mean():
        # At one speed the whole recording counts as one: within a window cyclic errors look like acceleration.
        blocks, speeds, _ = _windows(torque, position, rate, STEADY_BLOCKS)
        error = float(np.std(blocks)) / np.sqrt(STEADY_BLOCKS) + TORQUE_RIGHT * abs(float(np.mean(torque)))
        mean, speed, _ = _windows(torque, position, rate, 1)
        slope = float(np.polyfit(np.arange(len(speeds)), speeds, 1)[0]) * rate * len(speeds) / len(position)
        return ObservedTorques(mean, speed, np.array([slope]), error)
    moving = np.abs(speed) > STANDSTILL * np.abs(speed).max(initial=0.0)
    rows = np.stack([mean, speed, acceleration])[:, moving]
    columns = np.stack([np.ones_like(rows[0]), rows[1], rows[2], np.sign(rows[1])], axis=1)
    if abs(np.mean(np.sign(rows[1]))) > ONE_WAY:
        columns = columns[:, :3]
    columns = columns / np.maximum(np.abs(columns).max(axis=0), np.finfo(float).tiny)
    kept = np.ones(len(columns), dtype=bool)
    # Windows in which the acceleration jumps say nothing of it: two rounds leave them out.
    for _ in range(3):
        values, *_ = np.linalg.lstsq(columns[kept], rows[0][kept], rcond=1e-9)
        left = rows[0] - columns @ values
        kept = np.abs(left) <= OUTLYING * np.median(np.abs(left[kept]))
    if np.count_nonzero(kept) < 8:
        return None
    error = float(np.std(left[kept])) + TORQUE_RIGHT * float(np.abs(rows[0]).max())
    return ObservedTorques(rows[0][kept], rows[1][kept], rows[2][kept], error)


def _windows(torque: np.ndarray, position: np.ndarray, rate: float, count: int) -> tuple[np.ndarray, ...]:
    """Mean torque, speed and acceleration in windows of equal length."""
    size = max(FEWEST_IN_WINDOW, len(position) // count)
    count = len(position) // size
    time = (np.arange(size) - 0.5 * (size - 1)) / rate
    pieces = position[: count * size].reshape(count, size)
    curve = np.polynomial.polynomial.polyfit(time, (pieces - pieces[:, :1]).T, 2)
    mean = torque[: count * size].reshape(count, size).mean(axis=1)
    return mean, curve[1], 2.0 * curve[2]
