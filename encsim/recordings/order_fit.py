"""Errors of the encoder and torques of the machine, by order, fitted to all pieces of recordings together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..calibration import angle_fit
from ..calibration.angle_fit import TAU
from . import steady_pieces

if TYPE_CHECKING:
    from ..model.axis import Axis
    from .origins import Origins
    from .steady_pieces import SteadyPiece


# Added to the scaled normal matrix: what one speed leaves open gets a large uncertainty in place of none.
RIDGE = 1e-13
# Share of an amplitude, of the other owner's motion, of the largest of its side to which the model is taken as right.
# Without torque, what motion at one order makes of torques at others is not known.
RIGHT, RIGHT_ACROSS, RIGHT_BESIDE, RIGHT_WITHOUT_TORQUE = 1e-3, 1e-4, 1e-5, 2e-3
ENCODER, MACHINE = 0, 1


class Term(NamedTuple):
    """An order as an error of the encoder (0) or as a torque of the machine (1)."""

    order: float
    side: int


@dataclass(frozen=True, slots=True, eq=False)
class JointFit:
    """Complex amplitude of every term, the covariance of their real and imaginary parts, and what is left."""

    terms: tuple[Term, ...]
    amplitude: np.ndarray
    covariance: np.ndarray
    residuals: tuple[np.ndarray, ...]
    # Variances that the pieces leave if each is fitted alone.
    variances: tuple[float, ...]
    # Mean square of what the joint fit leaves, over that of pieces fitted alone.
    misfit: float

    def weight(self, *wanted: Term) -> float:
        """Squared significance of some terms together."""
        places = [2 * self.terms.index(term) + part for term in wanted for part in (0, 1)]
        pairs = self.amplitude[[self.terms.index(term) for term in wanted]]
        values = np.stack([pairs.real, pairs.imag], axis=1).ravel()
        return float(values @ np.linalg.solve(self.covariance[np.ix_(places, places)], values))

    def size(self, term: Term) -> tuple[float, float]:
        """Amplitude of a term and its standard uncertainty."""
        place = self.terms.index(term)
        value, block = (
            self.amplitude[place],
            self.covariance[2 * place : 2 * place + 2, 2 * place : 2 * place + 2],
        )
        size = abs(value)
        along = np.array([value.real, value.imag]) / size if size else np.array([1.0, 0.0])
        return float(size), float(np.sqrt(along @ block @ along))


def fit_terms(
    pieces: Sequence[SteadyPiece], terms: Sequence[Term], axis: Axis, origin: Origins | None = None
) -> JointFit:
    """All terms fitted to all pieces together, each piece beside slow motion of its own, at origins known so well."""
    terms = tuple(terms)
    rests = [angle_fit.without(piece.z, piece.basis) for piece in pieces]
    columns = [angle_fit.without(_columns(piece, terms, axis), piece.basis) for piece in pieces]
    variances = [_own_variance(c, r) for c, r in zip(columns, rests, strict=True)]
    values, inverse = _solved(columns, rests, variances)
    residuals = tuple(rest - column @ values for column, rest in zip(columns, rests, strict=True))
    amplitude = values[0::2] + 1j * values[1::2]
    factors = {order: _noise_factor(pieces, residuals, variances, order) for order, _ in terms}
    factor = np.repeat([factors[term.order] for term in terms], 2)
    covariance = inverse * np.sqrt(np.outer(factor, factor)) + np.diag(
        _model_variance(terms, amplitude, pieces, axis)
    )
    left = residuals
    if origin is not None and origin.sources and terms:
        slopes = _slopes(pieces, columns, terms, values, origin.sources)
        change = inverse @ sum(c.T @ s / own for c, s, own in zip(columns, slopes, variances, strict=True))
        covariance = covariance + change @ origin.covariance @ change.T
        # What is left of origins that are known so well is no disagreement.
        wider = [np.hstack(pair) for pair in zip(columns, slopes, strict=True)]
        moved = _solved(wider, residuals, variances)[0]
        left = tuple(rest - column @ moved for column, rest in zip(wider, residuals, strict=True))
    misfit = np.mean([np.mean(rest**2) / own for rest, own in zip(left, variances, strict=True)])
    return JointFit(terms, amplitude, covariance, residuals, tuple(variances), float(misfit))


def _solved(
    columns: Sequence[np.ndarray], rests: Sequence[np.ndarray], variances: Sequence[float]
) -> tuple[np.ndarray, np.ndarray]:
    """Values of the columns that fit all pieces together, and the inverse of the normal matrix."""
    size = columns[0].shape[1]
    normal, right = np.zeros((size, size)), np.zeros(size)
    for column, rest, variance in zip(columns, rests, variances, strict=True):
        normal += column.T @ column / variance
        right += column.T @ rest / variance
    scale = 1.0 / np.sqrt(np.maximum(np.diag(normal), np.finfo(float).tiny))
    scaled = normal * np.outer(scale, scale) + RIDGE * np.eye(size)
    inverse = np.linalg.inv(scaled) * np.outer(scale, scale)
    return inverse @ right, inverse


def _slopes(
    pieces: Sequence[SteadyPiece],
    columns: Sequence[np.ndarray],
    terms: Sequence[Term],
    values: np.ndarray,
    sources: Sequence[int],
) -> list[np.ndarray]:
    """What the fitted waves change by with the origin of each moved source, shape (n, sources)."""
    orders, change = np.array([term.order for term in terms]), np.empty_like(values)
    change[0::2], change[1::2] = -orders * values[1::2], orders * values[0::2]
    return [
        (column @ change)[:, None] * (np.array(sources) == piece.source)
        for piece, column in zip(pieces, columns, strict=True)
    ]


def _model_variance(
    terms: tuple[Term, ...], amplitude: np.ndarray, pieces: Sequence[SteadyPiece], axis: Axis
) -> np.ndarray:
    """Variance of real and imaginary parts by what the linear model leaves out."""
    size, side = np.abs(amplitude), np.array([term.side for term in terms])
    largest = np.array([size[side == own].max() for own in side])
    variance = (RIGHT * size) ** 2 + (RIGHT_BESIDE * largest) ** 2
    across = RIGHT_ACROSS if all(piece.torque is not None for piece in pieces) else RIGHT_WITHOUT_TORQUE
    ends = [end((piece.speed for piece in pieces), key=abs) for end in (min, max)]
    for place, (order, own) in enumerate(terms):
        other = Term(order, ENCODER if own == MACHINE else MACHINE)
        if other in terms and axis.load is not None:
            # What is wrong of one owner shows as the other: a torque at slow speeds, the encoder's error at fast ones.
            frequency = order * np.array(ends) * steady_pieces.angle_scale(axis) / TAU
            slow, fast = np.abs(steady_pieces.compliance(axis.load, frequency, ends[0]))
            factor = across * fast if own == ENCODER else RIGHT / slow
            variance[place] += (factor * size[terms.index(other)]) ** 2
    return np.repeat(variance, 2)


def _own_variance(columns: np.ndarray, rest: np.ndarray) -> float:
    """Variance that a piece leaves if it is fitted alone."""
    normal = columns.T @ columns
    normal += RIDGE * np.trace(normal) * np.eye(len(normal))
    left = rest - columns @ np.linalg.solve(normal, columns.T @ rest)
    free = max(len(rest) - columns.shape[1], 1)
    return max(float(left @ left) / free, np.finfo(float).tiny)


def _columns(piece: SteadyPiece, terms: Sequence[Term], axis: Axis) -> np.ndarray:
    """What real and imaginary part of every term do to z, shape (n, 2 terms)."""
    columns = np.empty((len(piece.z), 2 * len(terms)))
    frequencies = (
        np.array([term.order for term in terms]) * piece.speed * steady_pieces.angle_scale(axis) / TAU
    )
    left = np.ones(len(terms), dtype=complex)
    if piece.torque is None and terms:
        # The loop is the same for all terms of a piece.
        left = steady_pieces.sensitivity(axis, frequencies, piece.speed)
    for place, term in enumerate(terms):
        pair = _pair(piece, term, axis, float(frequencies[place]), left=complex(left[place]))
        columns[:, 2 * place : 2 * place + 2] = pair
    return columns


def _pair(piece: SteadyPiece, term: Term, axis: Axis, frequency: float, *, left: complex) -> np.ndarray:
    """Sine and cosine of an order, through the plant for a torque; the loop leaves ``left`` of it."""
    if piece.torque is not None and term.side == MACHINE:
        theta = piece.theta
        middle = 0.5 * (theta + np.append(theta[1:], 2.0 * theta[-1] - theta[-2]))
        # A torque held for a period has the wave's amplitude times this.
        held = np.sinc(frequency / piece.rate)
        waves = angle_fit.wave_columns(middle, [term.order]) / held
        return steady_pieces.response_to_disturbance(waves, axis, piece.rate, piece.speed)
    if term.side == MACHINE and axis.load is not None:
        left *= complex(steady_pieces.compliance(axis.load, np.array([frequency]), piece.speed)[0])
    wave = left * np.exp(1j * term.order * piece.theta)
    return np.stack([wave.imag, wave.real], axis=1)


def _noise_factor(
    pieces: Sequence[SteadyPiece], residuals: Sequence[np.ndarray], variances: Sequence[float], order: float
) -> float:
    """Variance at an order over that of white noise: colour of the noise, and misfit between the pieces."""
    power, weight, misfit = 0.0, 0.0, 0.0
    for piece, residual, variance in zip(pieces, residuals, variances, strict=True):
        beside = angle_fit.noise_power(residual, piece.theta, order) + 2.0 * piece.rounding**2
        information = len(residual) / variance
        power += information * beside * information / 4.0
        weight += information
        at_order = angle_fit.demodulated(residual, piece.theta, order, 1)[0]
        misfit += abs(at_order) ** 2 / max(beside, np.finfo(float).tiny)
    free = len(pieces) - 2
    return max(power / weight, 1e-6) * (max(1.0, misfit / free) if free > 0 else 1.0)
