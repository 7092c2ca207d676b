"""Distributions of a deviation (normal, uniform, triangular) and random quantiles to sample them.

Random numbers are counter-based: Philox of seed, key and sample number. A sample does not depend on the order or the
process in which samples are drawn.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from statistics import NormalDist
from typing import ClassVar

import numpy as np

from .. import checks

_UNIT_NORMAL = NormalDist()


class Distribution:
    """Base of all distributions: deviation from the value in the axis, and its change per kelvin."""

    __slots__ = ()
    kind: ClassVar[str] = ""
    per_kelvin: float

    def _check(self, name: str) -> None:
        check = checks.Check(self)
        check.not_negative(name)
        check.number("per_kelvin")
        check.done()

    @property
    def width(self) -> float:
        """The size that is halved when the tolerance is tightened."""
        raise NotImplementedError

    def at(self, place: np.ndarray) -> np.ndarray:
        """Quantiles: deviations at cumulative probabilities from 0 to 1."""
        raise NotImplementedError

    def halved_weight(self, place: np.ndarray) -> np.ndarray:
        """Density of the distribution half as wide over the density of this one, at its quantiles; at most 2."""
        raise NotImplementedError


@dataclass(frozen=True, slots=True)
class _Bounded(Distribution):
    """A symmetric distribution within plus and minus ``half``."""

    half: float
    per_kelvin: float = field(default=0.0, kw_only=True)

    def __post_init__(self) -> None:
        self._check("half")

    @property
    def width(self) -> float:
        """The size that is halved when the tolerance is tightened: half."""
        return self.half


@dataclass(frozen=True, slots=True)
class Normal(Distribution):
    """Normal distribution around the value in the axis.

    Parameters
    ----------
    sd : float
        Standard deviation, in the SI unit of its key.
    per_kelvin : float
        Change of the deviation per kelvin of the temperature deviation.

    Raises
    ------
    InputError
        If sd is negative or a number is not finite.

    Examples
    --------
    >>> import encsim
    >>> encsim.Normal(0.006).sd
    0.006
    """

    kind: ClassVar[str] = "normal"

    sd: float
    per_kelvin: float = field(default=0.0, kw_only=True)

    def __post_init__(self) -> None:
        self._check("sd")

    def at(self, place: np.ndarray) -> np.ndarray:
        """Quantiles: deviations at cumulative probabilities from 0 to 1."""
        return self.sd * np.array([_UNIT_NORMAL.inv_cdf(one) for one in place.tolist()])

    def halved_weight(self, place: np.ndarray) -> np.ndarray:
        """Density of the distribution half as wide over the density of this one, at its quantiles; at most 2."""
        return np.asarray(2.0 * np.exp(-1.5 * Normal(1.0).at(place) ** 2))

    @property
    def width(self) -> float:
        """The size that is halved when the tolerance is tightened: the standard deviation."""
        return self.sd


@dataclass(frozen=True, slots=True)
class Uniform(_Bounded):
    """Uniform distribution around the value in the axis; ``Uniform(math.pi)`` is an unknown direction or phase.

    Parameters
    ----------
    half : float
        Half of the width: a tolerance of plus and minus half, in the SI unit of its key.
    per_kelvin : float
        Change of the deviation per kelvin of the temperature deviation.

    Raises
    ------
    InputError
        If half is negative or a number is not finite.

    Examples
    --------
    >>> import encsim
    >>> encsim.Uniform(0.006, per_kelvin=2e-4).half
    0.006
    """

    kind: ClassVar[str] = "uniform"

    def at(self, place: np.ndarray) -> np.ndarray:
        """Quantiles: deviations at cumulative probabilities from 0 to 1."""
        return self.half * (2.0 * place - 1.0)

    def halved_weight(self, place: np.ndarray) -> np.ndarray:
        """Density of the distribution half as wide over the density of this one, at its quantiles; at most 2."""
        return np.where(np.abs(2.0 * place - 1.0) <= 0.5, 2.0, 0.0)


@dataclass(frozen=True, slots=True)
class Triangular(_Bounded):
    """Symmetric triangular distribution around the axis' own value.

    Parameters
    ----------
    half : float
        Half of the base: a tolerance of plus and minus half, in the SI unit of its key.
    per_kelvin : float
        Change of the deviation per kelvin of the temperature deviation.

    Raises
    ------
    InputError
        If half is negative or a number is not finite.

    Examples
    --------
    >>> import encsim
    >>> encsim.Triangular(0.2e-9).half
    2e-10
    """

    kind: ClassVar[str] = "triangular"

    def at(self, place: np.ndarray) -> np.ndarray:
        """Quantiles: deviations at cumulative probabilities from 0 to 1."""
        return self.half * self._unit(place)

    def halved_weight(self, place: np.ndarray) -> np.ndarray:
        """Density of the distribution half as wide over the density of this one, at its quantiles; at most 2."""
        distance = np.abs(self._unit(place))
        return np.asarray(np.maximum(2.0 * (1.0 - 2.0 * distance), 0.0) / (1.0 - distance))

    @staticmethod
    def _unit(place: np.ndarray) -> np.ndarray:
        """Quantiles of the distribution from -1 to 1."""
        low = np.sqrt(2.0 * np.minimum(place, 0.5)) - 1.0
        return np.where(place < 0.5, low, 1.0 - np.sqrt(2.0 * np.minimum(1.0 - place, 0.5)))


KINDS: dict[str, type[Normal | Uniform | Triangular]] = {
    one.kind: one for one in (Normal, Uniform, Triangular)
}


def places(seed: int, key: str, first: int, count: int, attempt: int = 0) -> np.ndarray:
    """Cumulative probabilities of samples number ``first`` and after it, by seed, key and attempt."""
    word = int.from_bytes(hashlib.blake2b(key.encode(), digest_size=8).digest(), "big")
    stream = np.random.Philox(
        key=np.array([seed, word], dtype=np.uint64), counter=np.array([first, attempt, 0, 0], dtype=np.uint64)
    )
    # Each counter value gives four words; a sample uses the first.
    return ((stream.random_raw(4 * count)[::4] >> np.uint64(11)) + 0.5) * 2.0**-53
