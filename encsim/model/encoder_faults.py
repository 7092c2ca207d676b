"""Faults of an encoder on purpose, for tests of a drive: what is wrong, and where or when."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from .. import checks
from ..checks import Check
from ..result_views import Described

FARTHEST = 1e12  # m, rad or s


@dataclass(frozen=True, kw_only=True, slots=True)
class EncoderFault(Described):
    """A fault over a stretch of positions or of time; its kinds say what happens there.

    Parameters
    ----------
    begin, end : float
        Where it begins and ends, m or rad; with ``by="time"`` when, s.
    by : str
        ``"position"`` or ``"time"``.

    Raises
    ------
    InputError
        If a number is out of range, or ``end`` is not greater than ``begin``.

    Examples
    --------
    >>> import encsim
    >>> isinstance(encsim.Dirt(begin=0.1, end=0.12, loss=0.6), encsim.EncoderFault)
    True
    """

    shape: ClassVar[str] = (
        "full"  # from begin to end; "bell": rises and falls between; "ramp": rises and stays
    )
    begin: float
    end: float
    by: str = "position"

    @property
    def effect(self) -> dict[str, float]:
        """What it does to channels and counter: losses, additions, noise, counts."""
        return {}

    def __post_init__(self) -> None:
        check = Check(self)
        self._check(check)
        check.done()

    def _check(self, check: Check) -> None:
        """Check the stretch; kinds check their own fields too."""
        for name in ("begin", "end"):
            check.number(name, low=-FARTHEST, high=FARTHEST, rule="be a finite number")
        if self.by not in ("position", "time"):
            check.fault("by", 'be "position" or "time"', self.by)
        if not check.faults and not self.begin < self.end:
            check.fault("end", f"be greater than begin, {self.begin:g}", self.end)


class AmplitudeLoss(EncoderFault):
    """A fault that takes a share of the amplitude of both channels; its kinds name the field that says which."""

    __slots__ = ()
    lost: ClassVar[str]

    def _check(self, check: Check) -> None:
        EncoderFault._check(self, check)
        check.number(self.lost, "lie from 0 to 1", low=0.0, high=1.0)

    @property
    def effect(self) -> dict[str, float]:
        """What it does to channels and counter."""
        share = getattr(self, self.lost)
        return {"cosine_loss": share, "sine_loss": share}


@dataclass(frozen=True, kw_only=True, slots=True)
class Dirt(AmplitudeLoss):
    """Dirt on the scale: both channels lose a share of their amplitude over a stretch.

    Parameters
    ----------
    begin, end, by
        As :class:`EncoderFault`.
    loss : float
        Share of the amplitude that is lost, 0 to 1.

    Raises
    ------
    InputError
        If a number is out of range.

    Examples
    --------
    >>> import encsim
    >>> encsim.Dirt(begin=0.1, end=0.12, loss=0.6).loss
    0.6
    """

    lost: ClassVar[str] = "loss"
    loss: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Scratch(AmplitudeLoss):
    """A scratch across the scale: the amplitude of both channels falls and comes back as a bell (raised cosine).

    Parameters
    ----------
    begin, end, by
        As :class:`EncoderFault`.
    depth : float
        Share of the amplitude that is lost in its middle, 0 to 1. Where less is left than ``Encoder.weakest``, the
        counter stands still: whole periods are lost.

    Raises
    ------
    InputError
        If a number is out of range.

    Examples
    --------
    >>> import encsim
    >>> encsim.Scratch(begin=0.1, end=0.1002).depth
    1.0
    """

    shape: ClassVar[str] = "bell"
    lost: ClassVar[str] = "depth"
    depth: float = 1.0


@dataclass(frozen=True, kw_only=True, slots=True)
class DeadChannel(EncoderFault):
    """A channel that shows nothing, as with a broken wire.

    Parameters
    ----------
    begin, end, by
        As :class:`EncoderFault`.
    channel : str
        ``"cosine"`` or ``"sine"``.

    Raises
    ------
    InputError
        If a field is out of range.

    Examples
    --------
    >>> import encsim
    >>> encsim.DeadChannel(channel="sine", begin=0.5, end=2.0, by="time").channel
    'sine'
    """

    channel: str

    def _check(self, check: Check) -> None:
        EncoderFault._check(self, check)
        if self.channel not in ("cosine", "sine"):
            check.fault("channel", 'be "cosine" or "sine"', self.channel)

    @property
    def effect(self) -> dict[str, float]:
        """What it does to channels and counter."""
        return {f"{self.channel}_loss": 1.0}


@dataclass(frozen=True, kw_only=True, slots=True)
class Burst(EncoderFault):
    """An electrical burst: strong white noise on both channels, usually for some time.

    Parameters
    ----------
    begin, end, by
        As :class:`EncoderFault`.
    noise : float
        Its rms on each channel, as a share of the nominal amplitude.

    Raises
    ------
    InputError
        If a number is out of range.

    Examples
    --------
    >>> import encsim
    >>> encsim.Burst(begin=0.1, end=0.101, by="time", noise=0.5).noise
    0.5
    """

    noise: float

    def _check(self, check: Check) -> None:
        EncoderFault._check(self, check)
        check.not_negative("noise", highest=1e3)

    @property
    def effect(self) -> dict[str, float]:
        """What it does to channels and counter."""
        return {"noise": self.noise}


@dataclass(frozen=True, kw_only=True, slots=True)
class LostEdge(EncoderFault):
    """Counts that are lost (or gained) each time the axis enters a stretch, or once at a time.

    Parameters
    ----------
    begin, end, by
        As :class:`EncoderFault`.
    counts : int
        Counts added to the counter: -1 for one lost in positive motion.

    Raises
    ------
    InputError
        If a number is out of range.

    Examples
    --------
    >>> import encsim
    >>> encsim.LostEdge(begin=0.1, end=0.1001).counts
    -1
    """

    counts: int = -1

    def _check(self, check: Check) -> None:
        EncoderFault._check(self, check)
        check.whole("counts", -(1 << 30), 1 << 30)

    @property
    def effect(self) -> dict[str, float]:
        """What it does to channels and counter."""
        return {"counts": self.counts}


@dataclass(frozen=True, kw_only=True, slots=True)
class OffsetDrift(EncoderFault):
    """Offsets that drift with temperature: a steady rise between two times, after which they stay.

    Parameters
    ----------
    begin, end, by
        As :class:`EncoderFault`; ``by`` is usually ``"time"``.
    rise : float
        Rise of temperature from begin to end, K.
    cosine, sine : float
        Offset of each channel for one kelvin, as a share of the nominal amplitude, 1/K.

    Raises
    ------
    InputError
        If a number is out of range.

    Examples
    --------
    >>> import encsim
    >>> drift = encsim.OffsetDrift(begin=0.0, end=600.0, by="time", rise=30.0, cosine=2e-4)
    >>> round(drift.rise * drift.cosine, 4)
    0.006
    """

    shape: ClassVar[str] = "ramp"
    rise: float
    cosine: float = 0.0
    sine: float = 0.0

    def _check(self, check: Check) -> None:
        EncoderFault._check(self, check)
        check.number("rise", "lie from -300 to 300 K", "K", low=-300.0, high=300.0)
        for name in ("cosine", "sine"):
            check.number(name, "lie from -1 to 1 a kelvin", "1/K", low=-1.0, high=1.0)

    @property
    def effect(self) -> dict[str, float]:
        """What it does to channels and counter."""
        return {"cosine": self.rise * self.cosine, "sine": self.rise * self.sine}


def checked(faults: object) -> tuple[EncoderFault, ...]:
    """The faults of an encoder as a tuple; refuses what is none."""
    found = tuple(faults) if isinstance(faults, (list, tuple)) else (faults,)
    for fault in found:
        if not isinstance(fault, EncoderFault):
            checks.refuse("Encoder.faults", "be faults such as encsim.Scratch", type(fault))
    return found
