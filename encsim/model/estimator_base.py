"""What every velocity estimator declares about itself.

A new linear estimator is one frozen dataclass on `FiniteResponse` or `Recursive` and one entry in
``estimators.KINDS``: files, options, results, pictures, closed form, simulation, closed loop and the searches read
everything else from the class.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar, NamedTuple, Self

import numpy as np
from numpy.typing import ArrayLike

from .. import checks
from ..result_views import Described
from ..wording import quantity as written
from .bounds import FREQUENCIES

HIGHEST = 1e18

# What does not fit a loop rate: field, rule, value, unit.
Misfit = tuple[str, str, Any, str]


class Look(NamedTuple):
    """Look of an estimator in pictures: role of its colour, marker, dashes, whether marks show their samples."""

    role: str = "muted"
    marker: str = "h"
    dashes: str | tuple[float, tuple[float, ...]] = (0, (1, 1.4))
    numbered: bool = False


class Estimator(Described):
    """What all estimators have in common; a class declares what is its own.

    Attributes
    ----------
    kind : str
        Name in axis files, options and results.
    phrase : str
        Name in sentences; the kind without hyphens if empty.
    legend : str
        Name in pictures; the phrase if empty.
    look : Look
        Colour, marker and dashes in pictures.
    example : tuple of str
        Keys with their values, and what the estimator does: a line of the axis file that a new user starts from.
    tuning : str or None
        Field that sets how much the estimator filters: what `tune`, `explain` and `frontier` vary.
    exponent : float
        That field is proportional to this power of the bandwidth: -1 for a length, 1 for a frequency.
    least : int
        Smallest number of samples, if the field is one.
    compared : bool
        Whether `frontier` and `explain` compare it on axes that have another estimator.
    linear : bool
        Whether the velocity is a fixed linear combination of sampled positions.
    """

    __slots__ = ()
    kind: ClassVar[str] = ""
    phrase: ClassVar[str] = ""
    legend: ClassVar[str] = ""
    look: ClassVar[Look] = Look()
    example: ClassVar[tuple[str, str]] = ("", "")
    tuning: ClassVar[str | None] = None
    exponent: ClassVar[float] = 1.0
    least: ClassVar[int] = 1
    compared: ClassVar[bool] = True
    linear: ClassVar[bool] = False
    __dataclass_fields__: ClassVar[dict[str, Any]]

    @classmethod
    def name(cls) -> str:
        """Name in sentences."""
        return cls.phrase or cls.kind.replace("-", " ")

    def words(self, unit: str = "") -> str:
        """The estimator in words, with the setting that matters most; ``unit`` m or rad where details are wanted."""
        if self.cutoff is not None:
            return f"{written(self.cutoff, 'Hz', strip=True)} {self.name()}"
        size = self._size()
        return f"{self.name()} over {size} samples" if isinstance(size, int) else self.name()

    @property
    def cutoff(self) -> float | None:
        """The tuning field where it is a frequency, Hz."""
        return self._size() if self._dimension() == "frequency" else None

    def scaled(self, factor: float) -> Self | None:
        """The same estimator with its bandwidth times a factor; None where no field sets it."""
        size = self._size()
        if self.tuning is None or size is None:
            return None
        wanted = size * factor**self.exponent
        value = max(self.least, int(wanted)) if isinstance(size, int) else wanted
        return dataclasses.replace(self, **{self.tuning: value})

    def over_same_time(self, times: int) -> dict[str, Any]:
        """Fields that keep its time span in a loop of ``times`` the rate; none where it is no window of samples."""
        return {}

    @classmethod
    def candidates(
        cls, sizes: Sequence[int], corners: Sequence[float], *, jitter: float, resolution: float
    ) -> list[Any]:
        """Settings to compare: windows of these samples or filters of these corners, Hz; of noise m or rad."""
        if cls._dimension() == "frequency":
            return [cls(corner) for corner in corners]  # type: ignore[call-arg]
        if cls.tuning is None or cls._dimension() is not None:
            return []
        return [cls(size) for size in sizes if size >= cls.least]  # type: ignore[call-arg]

    @classmethod
    def _dimension(cls) -> str | None:
        """Dimension of the tuning field; None of a number of samples, or where there is none."""
        every = dataclasses.fields(cls) if cls.tuning else ()
        dimensions = [item.metadata.get("dimension") for item in every if item.name == cls.tuning]
        return dimensions[0] if dimensions else None

    def _size(self) -> Any:
        """Value of the tuning field; None where there is none."""
        return getattr(self, self.tuning) if self.tuning else None

    def resolved(self, jitter: float, resolution: float) -> Estimator:
        """The same estimator with all that it takes from the axis filled in."""
        return self

    def misfit(self, rate: float) -> Misfit | None:
        """What does not fit this loop rate: (field, rule, value, unit), or None."""
        return None

    def kernel_form(self, rate: float) -> KernelForm:
        """How the compiled loops compute the estimator at a loop rate."""
        raise NotImplementedError

    def _rate(self, rate: float) -> float:
        """A loop rate as a float, checked against the estimator."""
        name = type(self).__name__
        low, high = FREQUENCIES
        if not checks.is_real(rate) or not low <= rate <= high:
            checks.refuse(f"{name} rate", f"lie from {low:g} to {high:g}", rate, "Hz")
        wrong = self.misfit(float(rate))
        if wrong:
            checks.refuse(f"{name}.{wrong[0]}", *wrong[1:])
        return float(rate)

    def _frequency(self, frequency: ArrayLike) -> np.ndarray:
        """Frequencies as a float array, checked."""
        try:
            values = np.asarray(frequency)
        except ValueError:
            values = np.asarray(None)
        if values.dtype.kind not in "fiu" or not (np.abs(values) <= HIGHEST).all():
            rule = f"be finite numbers, at most {HIGHEST:g}"
            checks.refuse(f"{type(self).__name__} frequency", rule, frequency, "Hz")
        return values.astype(float)


@dataclass(frozen=True, slots=True, eq=False)
class KernelForm:
    """How the compiled loops compute an estimator: its shape, its numbers and what they must remember.

    Attributes
    ----------
    shape : str
        difference, taps or parabola (finite impulse responses), sections (second order), edges (timed).
    span : int
        Loop periods of a difference, largest lag of taps, number of taps of a parabola.
    numbers : ndarray
        Taps as lag, weight, lag, weight ...; parabola as c0 c1 c2 of the weight c0 + c1 j + c2 j**2 at lag j;
        sections as b0 b1 b2 a1 a2 each. For positions in samples, not in seconds.
    states : int
        Numbers to remember from sample to sample.
    past : int
        Samples before the first wanted one that have to be computed.
    settling : int
        Samples after which a recursive estimator has forgotten its start to 1e-16; 0 for all others.
    """

    shape: str
    span: int = 1
    numbers: np.ndarray = field(default_factory=lambda: np.zeros(0))
    states: int = 3
    past: int = 0
    settling: int = 0
