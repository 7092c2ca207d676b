"""Causes of velocity ripple: the one table of their names, words, groups and looks.

Tables, sentences, pictures and the page read `CAUSES`, in its order. The mean squares
stay with the models (`cause_models`, `engines`, and the closed loop); a cause that is a white position error brings
its mean square along and needs no model.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..wording import quantity, show

if TYPE_CHECKING:
    from ..model.axis import Axis


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseGroup:
    """Causes that are added up in pictures and in the regime.

    Attributes
    ----------
    key : str
    role : str
        Colour and line in pictures, as of `presentation.canvas`.
    label : str
        Beside a line of a picture.
    plain : str
        In a sentence for everybody.
    """

    key: str
    role: str
    label: str
    plain: str


GROUPS = {
    group.key: group
    for group in (
        CauseGroup(key="cyclic", role="cyclic", label="cyclic error", plain="cyclic error"),
        CauseGroup(key="resolution", role="counts", label="quantisation", plain="resolution"),
        CauseGroup(key="noise", role="noise", label="noise", plain="noise"),
        CauseGroup(
            key="asynchronous", role="muted", label="asynchronous sampling", plain="asynchronous sampling"
        ),
    )
}
BY_ROLE = {group.role: group for group in GROUPS.values()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Regime:
    """What the ripple at one speed mostly is, as `RippleCurve.regime` names it.

    Attributes
    ----------
    key : str
    note : str
        Explanation behind the key in a text report; may be empty.
    cell : str
        In a table of the page.
    labels : tuple of str
        In the ribbon of a picture: the first that fits.
    role, ink : str
        Colour of the ribbon and of its letters.
    """

    key: str
    note: str = ""
    cell: str
    labels: tuple[str, ...]
    role: str
    ink: str = "paper"


REGIMES = {
    regime.key: regime
    for regime in (
        Regime(key="noise", cell="noise", labels=("noise",), role="noise"),
        Regime(key="resolution", cell="quantisation", labels=("quantisation",), role="counts"),
        Regime(
            key="asynchronous",
            note=" (beat between the encoder's clock and the loop's)",
            cell="asynchronous sampling",
            labels=("asynchronous sampling", "asynchronous"),
            role="muted",
        ),
        Regime(
            key="direct",
            note=" (SDE at its own frequency)",
            cell="SDE, direct",
            labels=("cyclic error, direct", "direct"),
            role="soft",
            ink="ink",
        ),
        Regime(
            key="aliased",
            note=" (SDE aliased)",
            cell="SDE, aliased",
            labels=("cyclic error, aliased", "aliased"),
            role="cyclic",
        ),
    )
}


@dataclass(frozen=True, slots=True, kw_only=True)
class RippleCause:
    """One cause of velocity ripple.

    Attributes
    ----------
    key : str
        As in ``parts`` of a result and in JSON.
    term : str
        The standard term.
    note : str
        In a note for the engineer.
    plain : str
        In a sentence for everybody.
    label : str
        Above its bar in the picture of causes and remedies.
    group : str
        Key of its `CauseGroup`.
    remedy : str
        Kind of the remedy that acts on it; empty where there is none.
    faults : tuple of str
        Fields of the axis that make this cause, each of which can be told alone.
    size : callable, optional
        ``size(axis)``: its size in few words, for a picture.
    detail : callable, optional
        ``detail(axis, speed)``: its size in a sentence.
    mean_square : callable, optional
        ``mean_square(axis, speed)``: mean square of a position error that is independent of every other cause and
        from sample to sample, m2 or rad2, at speeds of shape (n,) from 0 on; None where the axis has none. The models
        add it to the open chain and to the closed loop; it does not dither the counts.
    """

    key: str
    term: str
    note: str
    plain: str
    label: str
    group: str
    remedy: str = ""
    faults: tuple[str, ...] = ()
    size: Callable[[Axis], str] | None = None
    detail: Callable[[Axis, float], str] | None = None
    mean_square: Callable[[Axis, np.ndarray], np.ndarray | None] | None = None

    @property
    def role(self) -> str:
        """Colour and line in pictures."""
        return GROUPS[self.group].role


def _moved(axis: Axis, speed: float) -> str:
    """Sampling jitter, and the distance that the axis moves in this time."""
    times = f"The moments of reading scatter by {show(axis.sampling.jitter, 's')} rms"
    return f"{times}: at this speed {show(abs(speed) * axis.sampling.jitter, axis.scale.unit)}."


def _scatter(axis: Axis, speed: float) -> str:
    """Noise of the channels as a share of their amplitude."""
    share = 100.0 * axis.signal.noise / axis.signal.amplitude
    return f"Each signal scatters by {share:.3g} % rms of its amplitude."


CAUSES = {
    cause.key: cause
    for cause in (
        RippleCause(
            key="sde",
            term="SDE",
            note="the SDE",
            plain="the subdivisional error (SDE)",
            label="SDE of the signals",
            group="cyclic",
            remedy="conditioning",
            faults=(
                "signal.offset",
                "signal.gain",
                "signal.phase",
                "signal.harmonics",
                "signal.sde",
                "signal.skew",
            ),
        ),
        RippleCause(
            key="adc",
            term="A/D conversion",
            note="the A/D conversion",
            plain="the A/D conversion",
            label="A/D conversion",
            group="resolution",
            remedy="bits",
            size=lambda axis: f"{axis.interpolation.bits} bits",
            detail=lambda axis, speed: f"Each signal is converted to {axis.interpolation.bits} bits.",
        ),
        RippleCause(
            key="resolution",
            term="quantisation",
            note="the quantisation",
            plain="quantisation",
            label="Quantisation",
            group="resolution",
            remedy="finer counts",
            size=lambda axis: f"{quantity(axis.resolution, axis.scale.unit, strip=True)} per count",
            detail=lambda axis, speed: f"One count is {show(axis.resolution, axis.scale.unit)}.",
        ),
        RippleCause(
            key="jitter",
            term="position jitter",
            note="jitter",
            plain="the position jitter",
            label="Position jitter",
            group="noise",
            remedy="noise",
            size=lambda axis: f"{quantity(axis.signal.jitter, axis.scale.unit, strip=True)} rms",
            detail=lambda axis, speed: (
                f"The position shown scatters by {show(axis.signal.jitter, axis.scale.unit)} rms."
            ),
        ),
        RippleCause(
            key="noise",
            term="signal noise",
            note="channel noise",
            plain="the signal noise",
            label="Signal noise",
            group="noise",
            remedy="noise",
            size=lambda axis: f"{quantity(axis.signal.noise, '%', strip=True)} rms",
            detail=_scatter,
        ),
        RippleCause(
            key="clock",
            term="sampling jitter",
            note="sampling jitter",
            plain="the sampling jitter",
            label="Sampling jitter",
            group="noise",
            remedy="clock",
            size=lambda axis: f"{quantity(axis.sampling.jitter, 's', strip=True)} rms",
            detail=_moved,
        ),
        RippleCause(
            key="age",
            term="asynchronous sampling",
            note="asynchronous sampling",
            plain="asynchronous sampling",
            label="Asynchronous sampling",
            group="asynchronous",
            remedy="own clock",
            detail=lambda axis, speed: (
                "The clock of the encoder is not synchronous with the loop: the delay of the readings varies."
            ),
        ),
        RippleCause(
            key="ring",
            term="ring mounting error",
            note="the ring mounting error",
            plain="the mounting of the ring",
            label="Mounting of the ring",
            group="cyclic",
            remedy="second head",
            faults=(
                "ring.eccentricity",
                "ring.swash",
                "ring.lobes",
                "ring.graduation",
                "ring.wander",
                "ring.coupling",
            ),
        ),
    )
}


def of_group(key: str) -> tuple[str, ...]:
    """Keys of the causes of a group."""
    return tuple(cause.key for cause in CAUSES.values() if cause.group == key)


def regimes(squares: dict[str, np.ndarray], frequency: np.ndarray, rate: float) -> np.ndarray:
    """Name of the largest part at each speed; cyclic error by the frequency of its strongest harmonic."""
    nothing = np.zeros_like(frequency)
    random, counting, sde, age = (
        sum((squares[cause] for cause in of_group(group) if cause in squares), nothing)
        for group in ("noise", "resolution", "cyclic", "asynchronous")
    )
    cyclic = np.where(np.nan_to_num(frequency) < rate / 2.0, "direct", "aliased")
    names = [np.full(frequency.shape, "noise"), np.full(frequency.shape, "resolution")]
    names += [np.full(frequency.shape, "asynchronous"), cyclic]
    largest = np.argmax([random, counting, age, sde], axis=0)  # the first of equals
    return np.choose(largest, names)


def gaussian() -> tuple[str, ...]:
    """Keys of the causes that are Gaussian noise: the noise group, and causes with their own mean square."""
    return tuple(key for key, cause in CAUSES.items() if cause.group == "noise" or cause.mean_square)


def added_squares(axis: Axis, speed: np.ndarray) -> dict[str, np.ndarray]:
    """Mean squares of the position errors of causes with their own mean square, periods squared, at each speed."""
    given = {cause.key: cause.mean_square(axis, speed) for cause in CAUSES.values() if cause.mean_square}
    there = {key: square for key, square in given.items() if square is not None}
    return {key: np.broadcast_to(square, speed.shape) / axis.scale.pitch**2 for key, square in there.items()}


def of_axis(axis: Axis, present: dict[str, Any]) -> list[str]:
    """Keys of the causes of an axis in their order: those that a model finds present, and those of `added_squares`."""
    added = added_squares(axis, np.zeros(1))
    return [key for key in CAUSES if present.get(key) or key in added]
