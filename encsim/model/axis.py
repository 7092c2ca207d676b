"""An axis as a whole, and how its controller reads it: interpolation and sampling.

Frozen descriptions. All numbers are SI in the position unit of the scale: metres for a linear scale,
radians for a rotary one. Defaults mean "ideal"; only the scale and the loop rate are required.
"""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, cast

from .. import checks, units
from ..checks import Orders
from ..result_views import Described
from . import bounds
from .bounds import FREQUENCIES, LARGEST_FACTOR, LONGEST_REACH, LONGEST_TIME, SPEEDS
from .edge_timing import CountAndTime
from .estimator_base import Estimator
from .estimators import Difference
from .load_and_control import Control, Load
from .ring_geometry import Head, Ring, arranged
from .scale_and_signal import PERIOD_TOLERANCE, Scale, Signal

if TYPE_CHECKING:
    from ..checks import Check


OUTPUTS = ("position", "ab")
ONE_HEAD = (0.0,)


@dataclass(frozen=True, kw_only=True, slots=True)
class Interpolation(Described):
    """Conversion of the two signals to a position: converter, arctangent, quantisation, output.

    Parameters
    ----------
    factor : int, optional
        Counts a signal period; without it the position is not rounded.
    bits : int, optional
        Resolution of the converter of each channel, 2 to 32 bits; without it there is none.
    span : float
        Converter range, -span to span, of unit amplitude.
    hysteresis : float
        Total width of the hysteresis, counts.
    correction : float
        Share of offset, gain and phase that signal conditioning removes, 0 to 1.
    output : {"position", "ab"}
        A rounded position, or A/B edges counted by the controller (factor edges per period).
    edge_separation : float
        Shortest time between two edges, s.
    edge_clock : float, optional
        Clock on whose ticks edges come, Hz.

    Raises
    ------
    InputError
        If a number is out of range or the combination is impossible.

    Examples
    --------
    >>> import encsim
    >>> encsim.Interpolation(factor=4000, bits=12).bits
    12
    """

    factor: int | None = None
    bits: int | None = None
    span: float = 1.25
    hysteresis: float = 0.0
    correction: float = 0.0
    output: str = "position"
    edge_separation: float = units.quantity("time", default=0.0)
    edge_clock: float | None = units.quantity("frequency", default=None)

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.whole("factor", 1, LARGEST_FACTOR, optional=True)
        check.whole("bits", 2, 32, optional=True)
        check.positive("span", within=(1e-3, 1e6))
        check.not_negative("hysteresis", "counts", highest=LARGEST_FACTOR)
        check.number("correction", "lie from 0 to 1", low=0.0, high=1.0)
        check.not_negative("edge_separation", "s", highest=LONGEST_TIME)
        check.positive("edge_clock", "Hz", optional=True, within=FREQUENCIES)
        if not isinstance(self.output, str) or self.output not in OUTPUTS:
            check.fault("output", 'be "position" or "ab"', self.output)
        if not check.faults:
            self._check_combination(check)
        check.done()

    def _check_combination(self, check: Check) -> None:
        if self.hysteresis > 0.0 and self.factor is None:
            check.fault("hysteresis", "be zero without a factor: it is measured in counts", self.hysteresis)
        if self.output == "ab" and (self.factor is None or self.factor % 4):
            check.fault("factor", 'be a multiple of 4 with output "ab"', self.factor)
        if self.output != "ab" and self.edge_separation > 0.0:
            check.fault("edge_separation", 'be zero unless output is "ab"', self.edge_separation, "s")
        if self.output != "ab" and self.edge_clock is not None:
            check.fault("edge_clock", 'be left out unless output is "ab"', self.edge_clock, "Hz")


@dataclass(frozen=True, slots=True)
class Sampling(Described):
    """When and how the controller reads the position.

    Parameters
    ----------
    rate : float
        Loop rate fs, Hz.
    jitter : float
        Jitter of the sampling clock, rms, s.
    latency : float
        Time by which the position is old when it is used, s.
    average : int
        Readings (1 to 128), evenly over a loop period and the newest at the sample, whose channels are averaged first.
    encoder_rate : float, optional
        Rate of an encoder that samples on its own clock and is read asynchronously, Hz.
    encoder_phase : float
        Phase of that clock, periods: the encoder samples at (n - encoder_phase)/encoder_rate.

    Raises
    ------
    InputError
        If a number is out of range.

    Examples
    --------
    >>> import encsim
    >>> encsim.Sampling(16e3, jitter=20e-9).rate
    16000.0
    """

    rate: float = units.quantity("frequency")
    jitter: float = units.quantity("time", default=0.0, kw_only=True)
    latency: float = units.quantity("time", default=0.0, kw_only=True)
    average: int = field(default=1, kw_only=True)
    encoder_rate: float | None = units.quantity("frequency", default=None, kw_only=True)
    encoder_phase: float = field(default=0.0, kw_only=True)

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.positive("rate", "Hz", within=FREQUENCIES)
        check.not_negative("jitter", "s", highest=LONGEST_TIME)
        check.not_negative("latency", "s", highest=LONGEST_TIME)
        check.whole("average", 1, bounds.MOST_READINGS)
        check.positive("encoder_rate", "Hz", optional=True, within=FREQUENCIES)
        check.number("encoder_phase", "lie from 0 to 1, 1 left out", "periods", low=0.0, high=1.0 - 2.0**-53)
        check.done()


@dataclass(frozen=True, kw_only=True, slots=True)
class Motion(Described):
    """Speeds of the axis that matter: the default range of every command, picture and page.

    Parameters
    ----------
    lowest, top : float, optional
        Lowest and highest working speed, m/s or rad/s; without one `encsim.open_loop.limits.speed_range` says
        which speed stands in its place.

    Raises
    ------
    InputError
        If a speed is not positive or the lowest is not below the top speed.

    Examples
    --------
    >>> import encsim
    >>> encsim.Motion(lowest=1e-4, top=1.0).top
    1.0
    """

    lowest: float | None = units.quantity("speed", default=None)
    top: float | None = units.quantity("speed", default=None)

    def __post_init__(self) -> None:
        check = checks.Check(self)
        for name in ("lowest", "top"):
            check.positive(name, "m/s or rad/s", optional=True, within=SPEEDS)
        if not check.faults and self.lowest is not None and self.top is not None and self.lowest >= self.top:
            check.fault("lowest", f"be below top, {self.top:.6g} m/s or rad/s", self.lowest, "m/s or rad/s")
        check.done()


@dataclass(frozen=True, slots=True)
class Axis:
    """A whole axis on one page: everything from the graduation to the velocity the controller uses.

    Parameters
    ----------
    scale : Scale
    signal : Signal
    interpolation : Interpolation
    sampling : Sampling
        Required.
    motion : Motion
        Speeds that matter.
    estimator : Estimator
        How the controller makes a velocity of positions: one of `encsim.model.estimators.KINDS`.
    load : Load, optional
        What the motor moves; with a control it makes a closed loop.
    control : Control, optional
        How the controller moves it.
    ring : Ring, optional
        The ring of a rotary scale and how it is mounted: its errors of a few cycles per revolution.
    heads : tuple of float or Head
        Where the heads stand that read the ring, rad; the controller takes their mean. The signal is that of
        the mean: noise and errors within the signal period are not averaged again.
    shown : mapping of str to str
        Units in which texts and pictures show results, {SI unit: unit}, as in ``{"rad/s": "rpm"}``: those that its
        file is written in. Axes that differ in nothing else are equal.

    Raises
    ------
    InputError
        If parts do not fit each other.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.Axis(encsim.Scale(period=20e-6), sampling=encsim.Sampling(16e3))
    >>> axis.interpolation.factor is None
    True
    """

    scale: Scale
    signal: Signal = field(default_factory=Signal, kw_only=True)
    interpolation: Interpolation = field(default_factory=Interpolation, kw_only=True)
    sampling: Sampling = field(kw_only=True)
    motion: Motion = field(default_factory=Motion, kw_only=True)
    estimator: Estimator = field(default_factory=Difference, kw_only=True)
    load: Load | None = field(default=None, kw_only=True)
    control: Control | None = field(default=None, kw_only=True)
    ring: Ring | None = field(default=None, kw_only=True)
    heads: tuple[float | Head, ...] = units.quantity("angle", default=ONE_HEAD, kw_only=True)
    shown: Mapping[str, str] = field(default=Orders(()), kw_only=True, compare=False, repr=False)

    def __post_init__(self) -> None:
        check = checks.Check(self)
        self._check_heads(check)
        check.store("shown", Orders(dict(self.shown)))
        for name, kind in PARTS.items():
            part = getattr(self, name)
            if not (isinstance(part, kind) or (part is None and name in OPTIONAL_PARTS)):
                check.fault(name, _PART_RULES.get(name, f"be a {kind.__name__}"), part)
        if not check.faults:
            self._check_fit(check)
            self._check_ring(check)
            self._check_estimator(check)
        check.done()

    def _check_heads(self, check: Check) -> None:
        """Store the heads as a tuple: a head with more than its angle as a Head, any other as its angle."""
        try:
            heads, _ = arranged(self.heads)
        except checks.InputError as error:
            check.faults += [replace(fault, field=_head_field(fault.field)) for fault in error.faults]
            return
        if any(head.sde or head.lines for head in heads):
            check.fault("heads", "have no lines or sde of their own: signal.sde holds what is shown", None)
        check.store("heads", tuple(head.angle if head == Head(head.angle) else head for head in heads))

    def _check_ring(self, check: Check) -> None:
        """Check the ring against the scale on it."""
        ring, scale = self.ring, self.scale
        if ring is None:
            if self.heads != ONE_HEAD:
                check.fault(
                    "heads", "be left out without a ring: they average the errors of its mounting", None
                )
            return
        if scale.lines is None:
            check.fault("ring", "be left out with a linear scale", f"scale.period {scale.period:g} m")
        elif scale.diameter is not None and abs(ring.diameter / scale.diameter - 1.0) > PERIOD_TOLERANCE:
            rule = f"be that of the scale, {scale.diameter:g} m"
            check.fault("ring.diameter", rule, ring.diameter, "m")
        elif ring.highest_order > scale.lines // 2:
            rule = f"have orders below half the lines of the scale, {scale.lines}"
            check.fault("ring", rule, ring.highest_order)

    def _check_estimator(self, check: Check) -> None:
        """Check the estimator against loop rate, noise and counts; a Kalman filter takes its noise from the axis."""
        estimator, sampling = self.estimator, self.sampling
        if estimator.linear:
            noisy = self.signal.jitter > 0.0 or self.resolution > 0.0
            estimator = estimator.resolved(self.signal.jitter, self.resolution) if noisy else estimator
            wrong = estimator.misfit(sampling.rate)
            if wrong:
                check.fault(f"estimator.{wrong[0]}", *wrong[1:])
            return
        rule = f"be {{}} with a {estimator.kind} estimator, which times the edges of the counts"
        if self.interpolation.factor is None:
            check.fault("interpolation.factor", rule.format("given"), None)
        if (
            self.control
            and isinstance(estimator, CountAndTime)
            and estimator.reach * sampling.rate > LONGEST_REACH
        ):
            longest = LONGEST_REACH / sampling.rate
            within = f"reach back at most {LONGEST_REACH} samples in a closed loop, {longest:.4g} s"
            check.fault("estimator.window", within, estimator.reach, "s")
        if sampling.encoder_rate is not None:
            check.fault("sampling.encoder_rate", rule.format("left out"), sampling.encoder_rate, "Hz")

    def _check_fit(self, check: Check) -> None:
        check.faults += bounds.faults(self)
        pitch, signal, unit = self.scale.pitch, self.signal, self.scale.unit
        given, half = sum(amplitude for amplitude, _ in signal.sde.values()), f"{pitch / 2.0:.4g} {unit}"
        if given >= pitch / 2.0:
            check.fault("signal.sde", f"stay below half a signal period in all, {half}", given, unit)
        if signal.jitter >= pitch / 2.0:
            check.fault("signal.jitter", f"stay below half a signal period, {half}", signal.jitter, unit)
        if self.sampling.encoder_rate is not None and self.interpolation.output == "ab":
            rule = 'be left out with output "ab": edges are counted as they come'
            check.fault("sampling.encoder_rate", rule, self.sampling.encoder_rate, "Hz")

    @property
    def resolution(self) -> float:
        """One count q in the position unit, 0.0 where the position is not rounded."""
        factor = self.interpolation.factor
        return 0.0 if factor is None else self.scale.pitch / factor

    def with_(self, changes: str | Mapping[str, Any], value: Any = None) -> Axis:
        """A changed axis; keys and values as ``--set`` takes them.

        Parameters
        ----------
        changes : str or mapping of str to value
            One key, ``"sampling.rate"``, or several with their values.
        value : object
            Text as in an axis file, or a number in SI; None or "none" leaves the key out.

        Returns
        -------
        Axis

        Raises
        ------
        InputError
            If there is no such key, or the changed axis is impossible.

        Examples
        --------
        >>> import encsim
        >>> encsim.load("stage_x.toml").with_("sampling.rate", "8 kHz").sampling.rate
        8000.0
        """
        # What reads keys stands in formats, right of the model: it is loaded when a change is asked for.
        axis_file = importlib.import_module("encsim.formats.axis_file")
        return cast(Axis, axis_file.changed(self, {changes: value} if isinstance(changes, str) else changes))

    def __repr__(self) -> str:
        from . import axis_text

        return axis_text.described(self)

    def to_toml(self) -> str:
        """Text of an axis file that loads to an equal Axis."""
        from . import axis_text

        return axis_text.write(self)


PARTS = {
    "scale": Scale,
    "signal": Signal,
    "interpolation": Interpolation,
    "sampling": Sampling,
    "motion": Motion,
    "estimator": Estimator,
    "load": Load,
    "control": Control,
    "ring": Ring,
}
OPTIONAL_PARTS = ("load", "control", "ring")
_PART_RULES = {"estimator": "be a velocity estimator, such as Difference()"}


def axis_fault(label: str, value: object) -> checks.Fault:
    """Fault of an argument that should be an axis and is none; the name of a file is the usual slip."""
    return checks.Fault(label, "be an Axis", value, hint="encsim.load(path) makes one from an axis file")


def check_axis(label: str, value: object) -> None:
    """Refuse what is no axis."""
    if not isinstance(value, Axis):
        raise checks.InputError(axis_fault(label, value))


def _head_field(name: str) -> str:
    """Name of a fault of one head as that of the heads."""
    return f"Axis.heads: {name}" if name.startswith("Head") else "Axis.heads"
