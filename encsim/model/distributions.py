"""Distributions of a deviation: normal, uniform, triangular; and places in them, drawn by number.

Chance is counter-based: Philox of seed, key and sample number. A sample is the same whatever is drawn before it,
beside it or in which process.
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
    """A deviation from an axis' own value, and what a kelvin adds to it."""

    __slots__ = ()
    kind = ""

    def _check(self, name: str) -> None:
        check = checks.Check(self)
        check.not_negative(name)
        check.number("per_kelvin")
        check.done()

    def at(self, place: np.ndarray) -> None:
        """Deviations at places from 0 to 1 of the cumulative distribution, an array."""
        raise NotImplementedError

    def halved_weight(self, place: np.ndarray) -> None:
        """Density of the distribution half as wide over that of this one, at the same places; at most 2."""
        raise NotImplementedError


@dataclass(frozen=True, slots=True)
class Normal(Distribution):
    """Normal distribution around the axis' own value.

    Parameters
    ----------
    sd : float
        Standard deviation, in SI of the key it is for.
    per_kelvin : float
        What each kelvin of the temperature's deviation adds.

    Raises
    ------
    InputError
        If sd is negative or a number is not finite.
    """

    kind: ClassVar[str] = "normal"

    sd: float
    per_kelvin: float = field(default=0.0, kw_only=True)

    def __post_init__(self) -> None:
        self._check("sd")

    def at(self, place: np.ndarray) -> np.ndarray:
        """Deviations at places from 0 to 1 of the cumulative distribution, an array."""
        return self.sd * np.array([_UNIT_NORMAL.inv_cdf(one) for one in place.tolist()])

    def halved_weight(self, place: np.ndarray) -> np.ndarray:
        """Density of the distribution half as wide over that of this one, at the same places; at most 2."""
        unit = Normal(1.0).at(place)
        return 2.0 * np.exp(-1.5 * unit**2)

    @property
    def width(self) -> float:
        """What is halved when the tolerance is tightened: the standard deviation."""
        return self.sd


@dataclass(frozen=True, slots=True)
class Uniform(Distribution):
    """Even distribution around the axis' own value; ``Uniform(math.pi)`` leaves a direction or phase open.

    Parameters
    ----------
    half : float
        Half of the width: a tolerance of plus and minus half, in SI of the key it is for.
    per_kelvin : float
        What each kelvin of the temperature's deviation adds.

    Raises
    ------
    InputError
        If half is negative or a number is not finite.
    """

    kind: ClassVar[str] = "uniform"

    half: float
    per_kelvin: float = field(default=0.0, kw_only=True)

    def __post_init__(self) -> None:
        self._check("half")

    def at(self, place: np.ndarray) -> np.ndarray:
        """Deviations at places from 0 to 1 of the cumulative distribution, an array."""
        return self.half * (2.0 * place - 1.0)

    def halved_weight(self, place: np.ndarray) -> np.ndarray:
        """Density of the distribution half as wide over that of this one, at the same places; at most 2."""
        return np.where(np.abs(2.0 * place - 1.0) <= 0.5, 2.0, 0.0)

    @property
    def width(self) -> float:
        """What is halved when the tolerance is tightened: half."""
        return self.half


@dataclass(frozen=True, slots=True)
class Triangular(Distribution):
    """Symmetric triangular distribution around the axis' own value.

    Parameters
    ----------
    half : float
        Half of the base: a tolerance of plus and minus half, in SI of the key it is for.
    per_kelvin : float
        What each kelvin of the temperature's deviation adds.

    Raises
    ------
    InputError
        If half is negative or a number is not finite.
    """

    kind: ClassVar[str] = "triangular"

    half: float
    per_kelvin: float = field(default=0.0, kw_only=True)

    def __post_init__(self) -> None:
        self._check("half")

    def at(self, place: np.ndarray) -> np.ndarray:
        """Deviations at places from 0 to 1 of the cumulative distribution, an array."""
        return self.half * self._unit(place)

    def halved_weight(self, place: np.ndarray) -> np.ndarray:
        """Density of the distribution half as wide over that of this one, at the same places; at most 2."""
        away = np.abs(self._unit(place))
        return np.maximum(2.0 * (1.0 - 2.0 * away), 0.0) / (1.0 - away)

    @staticmethod
    def _unit(place: np.ndarray) -> np.ndarray:
        low = np.sqrt(2.0 * np.minimum(place, 0.5)) - 1.0
        return np.where(place < 0.5, low, 1.0 - np.sqrt(2.0 * np.minimum(1.0 - place, 0.5)))

    @property
    def width(self) -> float:
        """What is halved when the tolerance is tightened: half."""
        return self.half


KINDS = {one.kind: one for one in (Normal, Uniform, Triangular)}


def places(seed: int, key: str, first: int, count: int, attempt: int = 0) -> np.ndarray:
    """Numbers between 0 and 1 for samples from ``first`` on, one a sample, by seed, key and attempt."""
    word = int.from_bytes(hashlib.blake2b(key.encode(), digest_size=8).digest(), "big")
    stream = np.random.Philox(
        key=np.array([seed, word], dtype=np.uint64), counter=np.array([first, attempt, 0, 0], dtype=np.uint64)
    )
    # A counter makes four words, of which a sample takes the first.
    return ((stream.random_raw(4 * count)[::4] >> np.uint64(11)) + 0.5) * 2.0**-53
