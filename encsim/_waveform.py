"""Least squares of two channels recorded in smooth motion: every waveform harmonic, noise and jitter apart.

Extends the parameters of ``_ellipse`` to q = (o_c, o_s, a, b, phi, H_n ..., m_0 ... m_d): the phase of sample
k is a reference rate times k plus a Legendre series in k with the coefficients m.
"""

from dataclasses import dataclass

import numpy as np

from . import _ellipse

LARGEST_DEGREE = 6
SIGNIFICANT = 4.0
ROUNDING = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """Smooth phase of the samples: ``rate`` k + Legendre series of ``degree`` over the recording."""

    rate: float
    degree: int
    count: int

    def basis(self, part):
        """Legendre polynomials 0 to degree at the samples of a slice."""
        k = np.arange(self.count)[part]
        return np.polynomial.legendre.legvander(2.0 * k / (self.count - 1) - 1.0, self.degree)

    def phase(self, coefficients, part):
        """Phase of the samples of a slice, rad."""
        return self.rate * np.arange(self.count)[part] + self.basis(part) @ coefficients

    def turns(self, coefficients):
        """Signal periods between first and last sample, negative backwards."""
        odd = 2.0 * np.sum(coefficients[1::2])
        return (self.rate * (self.count - 1) + odd) / (2.0 * np.pi)


@dataclass(frozen=True, slots=True)
class Spread:
    """Variances of channel noise (square of size) and phase jitter (rad^2) with their uncertainties.

    ``radial`` is the variance across the curve, noise and what jitter bends into it; ``correlation`` that of
    successive tangential residuals.
    """

    noise: float
    noise_error: float
    jitter: float
    jitter_error: float
    radial: float
    correlation: float

    @property
    def shaky(self):
        """Say whether there is more jitter than chance makes."""
        return self.jitter > SIGNIFICANT * self.jitter_error


@dataclass(frozen=True, slots=True, eq=False)
class Steady:
    """Waveform fitted to smooth motion: parameters, harmonics found, motion, and what is left over."""

    q: np.ndarray
    covariance: np.ndarray
    orders: tuple
    turns: float
    degree: int
    spread: Spread
    limit: float


def fit_steady(q, c, s, orders):
    """Steady with those of ``orders`` that are significant, started from the ellipse ``q``."""
    motion, coefficients = _motion(np.angle(_ellipse.corrected(q, c, s)))
    start = np.concatenate([q, np.zeros(len(orders)), coefficients])
    squares = _solve(start, c, s, orders, motion, (1.0, 0.0))
    weights = _weights(_spread(squares, c, s, orders, motion))
    squares = _solve(squares.q, c, s, orders, motion, weights)
    chosen, limit = _significant(squares, orders)
    kept = [*range(5), *(5 + orders.index(n) for n in chosen), *range(5 + len(orders), len(squares.q))]
    squares = _solve(squares.q[kept], c, s, chosen, motion, weights)
    spread = _spread(squares, c, s, chosen, motion)
    q, covariance = _undamped(squares, chosen, spread.jitter if spread.shaky else 0.0)
    turns = motion.turns(q[5 + len(chosen) :])
    return Steady(q, covariance, chosen, turns, motion.degree, spread, limit)


def _solve(start, c, s, orders, motion, weights):
    def rows(q, part):
        return _rows(q, c[part], s[part], orders, motion, part, weights)

    return _ellipse.solve(start, rows, len(c))


def _motion(angle):
    """Motion through the angles and its coefficients; of the highest degree that is significant."""
    # Taking out the mean step first keeps unwrapping safe at any speed, near half a period a sample too.
    rate = float(np.angle(np.mean(np.exp(1j * np.diff(angle)))))
    k = np.arange(len(angle))
    phase = np.unwrap(np.angle(np.exp(1j * (angle - rate * k))))
    largest = min(LARGEST_DEGREE, len(angle) // 10)
    basis = Motion(rate, largest, len(angle)).basis(slice(None))
    inverse = np.linalg.inv(basis.T @ basis)
    values = inverse @ (basis.T @ phase)
    variance = np.sum((phase - basis @ values) ** 2) / (len(angle) - largest - 1)
    seen = np.abs(values) > SIGNIFICANT * np.sqrt(variance * np.diag(inverse)) + ROUNDING
    degree = max(1, int(np.max(np.nonzero(seen)[0], initial=1)))
    motion = Motion(rate, degree, len(angle))
    return motion, np.linalg.lstsq(motion.basis(slice(None)), phase, rcond=None)[0]


def _curve(q, theta, orders):
    """Points of the waveform, their derivative by theta, and the wave of each harmonic."""
    point, tangent = _ellipse.ellipse(q, theta)
    waves = []
    for n, size in zip(orders, q[5:], strict=False):
        quarter = n * (theta - 0.5 * np.pi)
        waves.append(np.cos(n * theta) + 1j * np.cos(quarter))
        point = point + size * waves[-1]
        tangent = tangent - size * n * (np.sin(n * theta) + 1j * np.sin(quarter))
    return q[0] + 1j * q[1] + point, tangent, waves


def _rows(q, c, s, orders, motion, part, weights):
    """Radial and tangential rows, each over its standard deviation."""
    theta = motion.phase(q[5 + len(orders) :], part)
    point, tangent, waves = _curve(q, theta, orders)
    speed = np.abs(tangent)
    unit = tangent / speed
    noise, jitter = weights
    columns = np.stack(_ellipse.ellipse_columns(q, theta) + waves, axis=1)
    columns = np.concatenate([columns, tangent[:, None] * motion.basis(part)], axis=1)
    sizes = np.full_like(speed, np.sqrt(noise)), np.sqrt(noise + jitter * speed**2)
    return tuple(
        (
            _ellipse.along(c + 1j * s - point, way) / size,
            _ellipse.along(columns, way[:, None]) / size[:, None],
        )
        for way, size in zip((-1j * unit, unit), sizes, strict=True)
    )


def _spread(squares, c, s, orders, motion):
    """Spread of the residuals: noise shows in both directions alike, jitter only along the curve."""
    theta = motion.phase(squares.q[5 + len(orders) :], slice(None))
    point, tangent, _ = _curve(squares.q, theta, orders)
    speed = np.abs(tangent)
    away = c + 1j * s - point
    radial, angle = _ellipse.along(away, -1j * tangent / speed), _ellipse.along(away, tangent / speed) / speed
    free = len(c) - squares.spent
    across, seen = np.sum(radial**2) / free[0], np.sum(angle**2) / free[1]
    share = across * np.mean(speed**-2)
    jitter, error = seen - share, np.sqrt(2.0 * (seen**2 / free[1] + share**2 / free[0]))
    # A phase off by d lies d^2/2 inside the tangent: jitter leaves half its square across.
    bent = 0.5 * max(jitter, 0.0) ** 2 * np.mean(speed) ** 2
    correlation = np.sum(angle[1:] * angle[:-1]) / max(np.sum(angle**2), 1e-300)
    noise_error = across * np.sqrt(2.0 / free[0])
    return Spread(max(across - bent, 0.0), noise_error, jitter, error, across, correlation)


def _weights(spread):
    """Variances for the weights: jitter where there is some, noise at least a thousandth of it."""
    if not spread.shaky:
        return 1.0, 0.0
    return max(spread.radial, 1e-6 * spread.jitter), spread.jitter


def _significant(squares, orders):
    """Orders whose harmonic passes SIGNIFICANT uncertainties and rounding, and the largest such limit."""
    sizes = np.abs(squares.q[5 : 5 + len(orders)])
    errors = np.sqrt(np.diag(squares.covariance))[5 : 5 + len(orders)]
    limits = SIGNIFICANT * errors + ROUNDING * squares.q[2]
    chosen = tuple(n for n, size, limit in zip(orders, sizes, limits, strict=True) if size > limit)
    return chosen, float(np.max(limits) / squares.q[2])


def _undamped(squares, orders, jitter):
    """Parameters and covariance without the factor exp(-n^2 jitter/2) that jitter puts on order n."""
    gain = np.ones(len(squares.q))
    gain[2:4] = np.exp(0.5 * jitter)
    gain[5 : 5 + len(orders)] = [np.exp(0.5 * n * n * jitter) for n in orders]
    return squares.q * gain, squares.covariance * np.outer(gain, gain)
