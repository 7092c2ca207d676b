"""Owners of the orders of several recordings: a search for orders, then one fit of both owners of each."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from . import angle_fit, joint_fit, steady_pieces
from .angle_fit import TAU

if TYPE_CHECKING:
    from ..model.axis import Axis
    from .steady_pieces import SteadyPiece


# Orders per revolution that are searched beside the harmonics of the signal period.
HIGHEST_ORDER = 240
HARMONICS = 8
# Rounds in which errors of the encoder are taken out of the angles, without its noise and then with it; slower than
# this share of a piece, noise cannot be told from motion.
ROUNDS, NOISE_ROUNDS = 3, 2
SLOW = 128
# Squared significance of an owner, of a second owner of the same order, and of an order at all.
OWNED, SHARED, THERE = 9.0, 20.0, 20.0
# An order this many times above what two stronger ones make of each other is one of its own.
COMBINED = 3.0
# So is one that is not fainter by this factor than another within so many orders.
SIDEBAND, FAINT = 3.0, 3e-3
# Speeds within this factor count as one.
ONE_SPEED = 1.15
# A tone stands this many times above the power beside it at every speed; that power is the median of so many bins.
TONE = 40.0
TONE_BESIDE = 64
# Lowest frequency, in lines of the spectrum: below it slow motion leaves its own.
TONE_LOWEST = 16
MOST_TONES = 8
TONE_SIGNIFICANT = 5.0
# Lines this near belong to one tone.
TONE_APART = 9


class OrderOwners:
    """Orders found in the pieces, and the joint fit of their owners."""

    def __init__(self, pieces: list[SteadyPiece], axis: Axis, given: tuple[float, ...]) -> None:
        self.axis = axis
        self.speeds = _distinct([piece.speed for piece in pieces])
        self.sizes = _distinct([abs(piece.speed) for piece in pieces])
        self.all_recorded = all(piece.torque is not None for piece in pieces)
        self.decidable = axis.load is not None and len(self.sizes) > 1
        self.candidates = self._candidates(given)
        self.tones = find_tones(pieces)
        self.pieces = [without_tones(piece, self.tones) for piece in pieces]
        self.orders = self._found()
        self.fit = joint_fit.fit(self.pieces, self.terms(self.orders), axis)
        # Errors of the encoder move the angles, and these what follows the angle: some rounds of the strong orders.
        for noise in (False,) * ROUNDS + (True,) * NOISE_ROUNDS if self.decidable else ():
            strong = sorted({term.order for term in self.owners()})
            self._move_angles(noise=noise)
            self.fit = joint_fit.fit(self.pieces, self.terms(strong), axis)
        if self.decidable:
            self.fit = joint_fit.fit(self.pieces, self.terms(self.orders), axis)

    def _candidates(self, given: tuple[float, ...]) -> np.ndarray:
        """Orders to search: whole ones per revolution, harmonics of the period, those of the axis and given ones."""
        lines = TAU / (self.axis.scale.pitch * steady_pieces.angle_scale(self.axis))
        found = [*(lines * k for k in range(1, HARMONICS + 1)), *given]
        if self.axis.load is not None:
            found += [float(order) for order in self.axis.load.cogging]
        if self.axis.scale.unit == "rad":
            found += [float(order) for order in range(1, HIGHEST_ORDER + 1)]
        return np.unique(np.round(found, 9))

    def _found(self) -> tuple[float, ...]:
        """Orders that are significant in positions, torques or velocities."""
        views = [(piece, piece.position) for piece in self.pieces]
        views += [(piece, piece.torque) for piece in self.pieces if piece.torque is not None]
        views += [(piece, piece.velocity) for piece in self.pieces if piece.velocity is not None]
        pieces = [angle_fit.ScannedPiece(values, piece.theta, piece.basis) for piece, values in views]
        return angle_fit.find_orders(pieces, self.candidates)

    def terms(self, orders: Iterable[float]) -> list[joint_fit.Term]:
        """Both owners of every order; the encoder alone where nothing can be decided."""
        sides = (joint_fit.ENCODER, joint_fit.MACHINE) if self.decidable else (joint_fit.ENCODER,)
        return [joint_fit.Term(order, side) for order in orders for side in sides]

    def _move_angles(self, *, noise: bool) -> None:
        """Take the encoder's errors that were found out of the angles, with or without its noise."""
        owned = [term for term in self.owners() if term.side == joint_fit.ENCODER]
        scale = steady_pieces.angle_scale(self.axis)
        moved = []
        for piece, left in zip(self.pieces, self.fit.residuals, strict=True):
            error = np.zeros(len(piece.shown))
            for term in owned:
                value = self.fit.amplitude[self.fit.terms.index(term)]
                error += np.imag(value * np.exp(1j * term.order * piece.theta))
            # With the torque recorded, what the fit leaves is noise of the encoder and the rest the true motion; its
            # slow part is left in the angle. Integrated twice by the plant, noise of the angle would drown the response
            # to high orders.
            if noise and piece.torque is not None:
                error += left - _slow_part(left)
            moved.append(replace(piece, error=scale * error))
        self.pieces = moved

    def owners(self) -> list[joint_fit.Term]:
        """Terms that are significant beside the other owner of the same order."""
        return [
            term
            for order in sorted({term.order for term in self.fit.terms})
            for term in self._owners_of(order)
        ]

    def _owners_of(self, order: float) -> list[joint_fit.Term]:
        terms = [joint_fit.Term(order, side) for side in (joint_fit.ENCODER, joint_fit.MACHINE)]
        weights = [self.fit.weight(term) for term in terms]
        if self.fit.weight(*terms) < THERE or max(weights) < OWNED:
            return []
        shared = min(weights) > SHARED
        return terms if shared else [terms[int(np.argmax(weights))]]

    def there(self, order: float) -> bool:
        """Whether an order is more than the true motion that follows from the recorded torque and from other orders."""
        if not (self.decidable and self.all_recorded):
            return True
        return self.fit.weight(*self.terms([order])) >= THERE

    def measured(self, order: float) -> tuple[float, float]:
        """Largest measured amplitude of an order over the pieces, and its uncertainty."""
        place = self.orders.index(order)
        return max(
            ((float(a[place]), float(u[place])) for a, u in self.measured_sizes), default=(0.0, np.inf)
        )

    @cached_property
    def measured_sizes(self) -> list[tuple[np.ndarray, np.ndarray]]:
        """Measured position amplitude of all orders in each piece and its uncertainty; 0 where orders do not part."""
        return [self._sizes(piece) for piece in self.pieces]

    def _sizes(self, piece: SteadyPiece) -> tuple[np.ndarray, np.ndarray]:
        """Amplitudes from the positions, or from the velocity where it shows an order better."""
        fit = angle_fit.fit_waves(piece.position, piece.theta, self.orders, piece.basis)
        size = np.where(fit.separable, np.abs(fit.amplitude), 0.0)
        error = np.hypot(fit.uncertainty, piece.rounding)
        if piece.velocity is None or not self.orders:
            return size, error
        fit = angle_fit.fit_waves(piece.velocity, piece.theta, self.orders, piece.basis)
        turning = np.array(self.orders) * abs(piece.speed) * steady_pieces.angle_scale(self.axis)
        moved, wide = np.abs(fit.amplitude) / turning, fit.uncertainty / turning
        better = fit.separable & (moved * error > size * wide)
        return np.where(better, moved, size), np.where(better, wide, error)

    def combined(self, order: float) -> bool:
        """Whether an order may be what uneven motion or an error of one stronger order makes of another."""
        # A wave of order a whose angle swings by y_b sin(b theta) has sidebands of orders a + b and a - b, smaller by
        # a y_b/2.
        size = {other: self.measured(other)[0] for other in self.orders}
        made = sum(
            0.5 * max(a, b) * size[a] * size[b] * steady_pieces.angle_scale(self.axis)
            for a in self.orders
            for b in self.orders
            if a <= b and order in (a + b, b - a) and order not in (a, b)
        )
        # What the loop follows does not show in the position and still moves the sidebands.
        near = max((size[a] for a in self.orders if 0.0 < abs(a - order) <= SIDEBAND), default=0.0)
        # With the torque the model knows what motion makes of the orders: only neighbours of strong ones are doubted.
        return size[order] < max(0.0 if self.all_recorded else COMBINED * made, FAINT * near)


def _slow_part(values: np.ndarray) -> np.ndarray:
    """Mean about each sample, twice over a share of the recording."""
    from scipy.ndimage import uniform_filter1d

    size = max(len(values) // SLOW, 2)
    return np.asarray(uniform_filter1d(uniform_filter1d(values, size), size))


def _distinct(speeds: Iterable[float]) -> list[float]:
    """Mean of each group of speeds that count as one."""
    groups: list[list[float]] = []
    for speed in sorted(speeds):
        if groups and groups[-1][-1] * speed > 0.0 and _close(groups[-1][0], speed):
            groups[-1].append(speed)
        else:
            groups.append([speed])
    return [float(np.mean(group)) for group in groups]


def _close(one: float, other: float) -> bool:
    return max(abs(one), abs(other)) < ONE_SPEED * min(abs(one), abs(other))


class Tone(NamedTuple):
    """A frequency, Hz, and the largest measured amplitude of its line."""

    frequency: float
    amplitude: float
    uncertainty: float


def find_tones(pieces: Sequence[SteadyPiece]) -> list[Tone]:
    """Tones that occur at all speeds; none where there is only one speed or rate."""
    speeds, rates = {round(piece.speed, 12) for piece in pieces}, {piece.rate for piece in pieces}
    if len(speeds) < 2 or len(rates) > 1:
        return []
    size = min(len(piece.position) for piece in pieces)
    heights = [_height(piece, size) for piece in pieces]
    common = np.min(heights, axis=0)
    found: list[Tone] = []
    for line in _peaks(common):
        frequency = line * pieces[0].rate / size
        if len(found) < MOST_TONES and not _is_order(frequency, pieces, heights, size):
            found.append(_measured_tone(frequency, pieces, size))
    return [tone for tone in found if tone.amplitude > TONE_SIGNIFICANT * tone.uncertainty]


def without_tones(piece: SteadyPiece, tones: Sequence[Tone]) -> SteadyPiece:
    """A piece with the tones among its slow motion."""
    if not tones:
        return piece
    columns = _tone_columns(piece, [tone.frequency for tone in tones])
    return replace(piece, basis=angle_fit.orthonormal(np.column_stack([piece.basis, columns])))


def _tone_columns(piece: SteadyPiece, frequencies: Sequence[float]) -> np.ndarray:
    return angle_fit.wave_columns(np.arange(len(piece.position)) / piece.rate, [TAU * f for f in frequencies])


def _height(piece: SteadyPiece, size: int) -> np.ndarray:
    """Power of each line over that beside it, the largest of a line and its neighbours, in position or torque."""
    signals = [piece.position] if piece.torque is None else [piece.position, piece.torque]
    return np.max([_one_height(values, piece, size) for values in signals], axis=0)


def _one_height(values: np.ndarray, piece: SteadyPiece, size: int) -> np.ndarray:
    from scipy.ndimage import maximum_filter1d, median_filter

    rest = (values - piece.basis @ (piece.basis.T @ values))[:size]
    power = np.abs(np.fft.rfft(rest * np.hanning(size))) ** 2
    beside = np.maximum(median_filter(power, TONE_BESIDE), np.finfo(float).tiny)
    height = maximum_filter1d(power / beside, 3)
    height[:TONE_LOWEST] = 0.0
    return np.asarray(height)


def _peaks(height: np.ndarray) -> np.ndarray:
    """Lines above all others near them, the highest first."""
    from scipy.ndimage import maximum_filter1d

    there = np.flatnonzero((height == maximum_filter1d(height, TONE_APART)) & (height > TONE))
    # A line and its neighbours share one height: the first of them stands for all.
    there = there[np.append(True, np.diff(there) > TONE_APART)] if len(there) else there
    return there[np.argsort(-height[there])]


def _is_order(
    frequency: float, pieces: Sequence[SteadyPiece], heights: Sequence[np.ndarray], size: int
) -> bool:
    """Whether orders explain the line: at two speeds it is an order that shows at the other speeds too."""
    rate, explained, speeds = pieces[0].rate, 0, {round(piece.speed, 12) for piece in pieces}
    for piece in pieces:
        turning = abs(float(piece.theta[-1] - piece.theta[0])) / TAU / (len(piece.theta) / rate)
        order = round(frequency / turning)
        elsewhere = []
        for other, height in zip(pieces, heights, strict=True):
            ratio = other.speed / piece.speed
            line = abs(order * turning * ratio) / rate
            line = abs(line - round(line))
            if abs(abs(ratio) - 1.0) > 0.01:
                elsewhere.append(float(height[min(round(line * size), len(height) - 1)]))
        explained += bool(elsewhere) and min(elsewhere) > TONE
    return explained > max(len(speeds) - 2, 0)


def _measured_tone(frequency: float, pieces: Sequence[SteadyPiece], size: int) -> Tone:
    """A tone with its exact frequency, from the phases of the longest piece, and its largest amplitude."""
    piece = max(pieces, key=lambda part: len(part.position))
    time = np.arange(len(piece.position)) / piece.rate
    rest = piece.z - piece.basis @ (piece.basis.T @ piece.z)
    tried = frequency + np.linspace(-1.0, 1.0, 81) * piece.rate / size
    power = [abs(angle_fit.demodulated(rest, TAU * f * time, 1.0, 1)[0]) for f in tried]
    exact = float(tried[int(np.argmax(power))])
    sizes = []
    for part in pieces:
        fit = angle_fit.fit_waves(
            part.position, TAU * exact * np.arange(len(part.position)) / part.rate, [1.0], part.basis
        )
        sizes.append((float(abs(fit.amplitude[0])), float(np.hypot(fit.uncertainty[0], part.rounding))))
    return Tone(exact, *max(sizes))
