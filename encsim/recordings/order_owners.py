"""Owners of the orders of several recordings: a search for orders, then one fit over all pieces.

For each order it finds an encoder error E and a disturbing torque D, ``z = E + P d``.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..calibration import angle_fit
from ..calibration.angle_fit import TAU
from . import origins, steady_pieces
from .order_fit import ENCODER, MACHINE, JointFit, Term, fit_terms

if TYPE_CHECKING:
    from ..model.axis import Axis
    from .origins import Origins
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
# Recordings disagree where they leave this many times the variance together that they leave alone, or where taking the
# errors found out of the angles leaves more than before. With torque simulated machines leave 1.0 times; with other
# origins, or where two slow speeds do not settle, 2.7 or more. Without torque the linear loop is less exact: 7 times,
# with other origins 5000.
DISAGREE, DISAGREE_WITHOUT_TORQUE = 2.0, 50.0
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

    def __init__(
        self,
        pieces: list[SteadyPiece],
        axis: Axis,
        given: tuple[float, ...],
        *,
        common: bool,
        jumps: tuple[str, ...] = (),
    ) -> None:
        self.axis, self.jumps = axis, jumps
        self.speeds = _distinct([piece.speed for piece in pieces])
        self.sizes = _distinct([abs(piece.speed) for piece in pieces])
        self.all_recorded = all(piece.torque is not None for piece in pieces)
        self.decidable = axis.load is not None and len(self.sizes) > 1 and not jumps
        self.candidates = self._candidates(given)
        self.pieces = pieces
        self.orders = self._found()
        self.tones = _tones(pieces, self.orders)
        if self.tones:
            self.pieces = [_without_tones(piece, self.tones) for piece in pieces]
            self.orders = self._found()
        self.origin = origins.Origins({})
        if self.decidable and not common:
            self._move_origins(origins.found(self.pieces, self.orders, axis))
        self.unplaced = self.origin.reason
        self.decidable = self.decidable and not self.unplaced
        self.fit = self.fitted(self.terms(self.orders))
        first = self.fit.variances
        # Errors of the encoder move the angles, and these what follows the angle: some rounds of the strong orders.
        for noise in (False,) * ROUNDS + (True,) * NOISE_ROUNDS if self.decidable else ():
            strong = sorted({term.order for term in self.owners()})
            self._move_angles(noise=noise)
            if self.origin.sources:
                self._move_origins(origins.settled(self.pieces, self.orders, axis, self.origin.sources))
            self.fit = self.fitted(self.terms(strong))
        if self.decidable:
            self.fit = self.fitted(self.terms(self.orders))
        grown = max(now / then for now, then in zip(self.fit.variances, first, strict=True))
        most = DISAGREE if self.all_recorded else DISAGREE_WITHOUT_TORQUE
        self.disagree = self.decidable and max(self.fit.misfit, grown) > most
        self.decidable = self.decidable and not self.disagree

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

    def _move_origins(self, origin: Origins) -> None:
        """Turn the angles of some sources."""
        self.origin = origin
        self.pieces = [
            replace(piece, origin=piece.origin + origin.angles.get(piece.source, 0.0))
            for piece in self.pieces
        ]

    def fitted(self, terms: Sequence[Term]) -> JointFit:
        """Terms fitted to all pieces."""
        return fit_terms(self.pieces, terms, self.axis, self.origin)

    def terms(self, orders: Iterable[float]) -> list[Term]:
        """Both owners of every order; the encoder alone where nothing can be decided."""
        sides = (ENCODER, MACHINE) if self.decidable else (ENCODER,)
        return [Term(order, side) for order in orders for side in sides]

    def _move_angles(self, *, noise: bool) -> None:
        """Take the encoder's errors that were found out of the angles, with or without its noise."""
        owned = [term for term in self.owners() if term.side == ENCODER]
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

    def owners(self) -> list[Term]:
        """Terms that are significant beside the other owner of the same order."""
        return [
            term
            for order in sorted({term.order for term in self.fit.terms})
            for term in self._owners_of(order)
        ]

    def _owners_of(self, order: float) -> list[Term]:
        terms = [Term(order, side) for side in (ENCODER, MACHINE)]
        weights = [self.fit.weight(term) for term in terms]
        if self.fit.weight(*terms) < THERE or max(weights) < OWNED:
            return []
        shared = min(weights) > SHARED
        return terms if shared else [terms[int(np.argmax(weights))]]

    def checked(self) -> list[Term]:
        """Owners that more than two speeds confirm, or one at two speeds that leaves nothing to the other."""
        owned = self.owners()
        if len(self.sizes) > 2:
            return owned
        # Two owners would fit any two amplitudes.
        return [term for term in owned if self.fit.weight(Term(term.order, 1 - term.side)) < OWNED]

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
            if a <= b and order in (a + b, b - a) and order not in (a, b) and not self._explained >= {a, b}
        )
        if not self.all_recorded:
            made += self._torque_made(order, size)
        # What the loop follows does not show in the position and still moves the sidebands.
        near = max((size[a] for a in self.orders if 0.0 < abs(a - order) <= SIDEBAND), default=0.0)
        return size[order] < max(COMBINED * made, FAINT * near)

    @cached_property
    def _explained(self) -> set[float]:
        """Orders of which the model knows what motion makes: with the torque, those it gives an owner or none."""
        if not (self.decidable and self.all_recorded):
            return set()
        owned = {term.order for term in self.checked()}
        return {order for order in self.orders if order in owned or not self.there(order)}

    def _torque_made(self, order: float, size: dict[float, float]) -> float:
        """Position amplitude at an order of what motion of others makes of the torques on the motor."""
        scale = 0.5 * steady_pieces.angle_scale(self.axis)
        torque = sum(
            scale * b * size[a] * self.fit.size(Term(b, MACHINE))[0]
            for b in {term.order for term in self.owners() if term.side == MACHINE}
            for a in self.orders
            if order in (a + b, abs(b - a)) and order not in (a, b)
        )
        slowest = min(self.pieces, key=lambda piece: abs(piece.speed))
        return torque * float(abs(steady_pieces.owner_gains(slowest, np.array([order]), self.axis)[1, 0]))


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
    """A frequency, Hz, and the measured amplitude of its line where that is known best."""

    frequency: float
    amplitude: float
    uncertainty: float


def _tones(pieces: Sequence[SteadyPiece], orders: Sequence[float]) -> list[Tone]:
    """Tones that occur at all speeds, measured beside some orders; none where there is only one speed or rate."""
    speeds, rates = {round(piece.speed, 12) for piece in pieces}, {piece.rate for piece in pieces}
    if len(speeds) < 2 or len(rates) > 1:
        return []
    size = min(len(piece.position) for piece in pieces)
    heights = [_height(piece, size) for piece in pieces]
    common = np.min(heights, axis=0)
    # Strong orders near a tone would count as its noise.
    clean = [_beside(piece, angle_fit.wave_columns(piece.theta, orders)) for piece in pieces]
    found: list[Tone] = []
    for line in _peaks(common):
        frequency = line * pieces[0].rate / size
        if len(found) < MOST_TONES and not _is_order(frequency, pieces, heights, size):
            found.append(_measured_tone(frequency, clean, size))
    return [tone for tone in found if tone.amplitude > TONE_SIGNIFICANT * tone.uncertainty]


def _without_tones(piece: SteadyPiece, tones: Sequence[Tone]) -> SteadyPiece:
    """A piece with the tones among its slow motion."""
    time = np.arange(len(piece.position)) / piece.rate
    return _beside(piece, angle_fit.wave_columns(time, [TAU * tone.frequency for tone in tones]))


def _beside(piece: SteadyPiece, columns: np.ndarray) -> SteadyPiece:
    """A piece with some columns among its slow motion."""
    return replace(piece, basis=angle_fit.orthonormal(np.column_stack([piece.basis, columns])))


def _height(piece: SteadyPiece, size: int) -> np.ndarray:
    """Power of each line over that beside it, the largest of a line and its neighbours, in position or torque."""
    signals = [piece.position] if piece.torque is None else [piece.position, piece.torque]
    return np.max([_one_height(values, piece, size) for values in signals], axis=0)


def _one_height(values: np.ndarray, piece: SteadyPiece, size: int) -> np.ndarray:
    from scipy.ndimage import maximum_filter1d, median_filter

    rest = angle_fit.without(values, piece.basis)[:size]
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
    """A tone with its exact frequency and its amplitude, each from the piece where it is known best."""
    tried = frequency + np.linspace(-1.0, 1.0, 81) * pieces[0].rate / size
    exact = max((_line(piece, tried) for piece in pieces), key=lambda pair: pair[1])[0]
    sizes = []
    for part in pieces:
        turned = TAU * exact * np.arange(len(part.position)) / part.rate
        fit = angle_fit.fit_waves(part.position, turned, [1.0], part.basis)
        sizes.append((float(abs(fit.amplitude[0])), float(np.hypot(fit.uncertainty[0], part.rounding))))
    return Tone(exact, *max(sizes, key=lambda pair: pair[0] / max(pair[1], np.finfo(float).tiny)))


def _line(piece: SteadyPiece, frequencies: np.ndarray) -> tuple[float, float]:
    """The strongest of some frequencies, and its share in what is not slow."""
    time, rest = np.arange(len(piece.position)) / piece.rate, angle_fit.without(piece.z, piece.basis)
    power = [abs(angle_fit.demodulated(rest, TAU * f * time, 1.0, 1)[0]) ** 2 for f in frequencies]
    place = int(np.argmax(power))
    return float(frequencies[place]), power[place] / max(float(np.mean(rest**2)), np.finfo(float).tiny)


def why_undecided(found: OrderOwners) -> Iterator[str]:
    """Why nothing can be decided."""
    yield from found.jumps
    if found.axis.load is None:
        yield "the axis has no load: what a torque makes of the position is not known"
    if len(found.sizes) < 2:
        yield "one speed: an error of the encoder and true motion of the machine look the same"
    if found.unplaced:
        yield f"the recordings may count the position from different places: {found.unplaced}"
    if found.disagree:
        yield (
            "the recordings do not agree within their noise: load or friction of the axis are wrong, or the counter "
            "lost or gained counts"
        )
