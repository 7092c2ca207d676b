"""The graduation and the signals of the readhead that reads it, with their errors and noise.

Frozen descriptions in SI. The position unit is the metre on a linear scale and the radian on a rotary one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

from .. import checks, units
from ..checks import Orders
from ..result_views import Described
from .bounds import FREQUENCIES, LARGEST_LINES, LARGEST_ORDER, LENGTHS, LONGEST_TIME, MOST_ORDERS

if TYPE_CHECKING:
    from ..checks import Check


PERIOD_TOLERANCE = 1e-3


@dataclass(frozen=True, kw_only=True, slots=True)
class Scale(Described):
    """Graduation that the readhead reads; give a period, a number of lines, or a period and a diameter.

    Parameters
    ----------
    period : float, optional
        Signal period p along the scale, m.
    lines : int, optional
        Signal periods per turn of a rotary scale.
    diameter : float, optional
        Diameter of the graduation, m. With a period it makes the scale rotary, lines = round(pi D/period);
        with lines it only tells how long the rim is.

    Attributes
    ----------
    pitch : float
        Signal period in the position unit, m or rad.
    unit : str
        Position unit, ``"m"`` or ``"rad"``.

    Raises
    ------
    InputError
        If a number is out of range, the combination is impossible, or rounding to whole lines changes the
        period by more than 1e-3 of itself.

    Examples
    --------
    >>> import encsim
    >>> encsim.Scale(lines=9000).lines
    9000
    """

    period: float | None = units.quantity("length", default=None)
    lines: int | None = None
    diameter: float | None = units.quantity("length", default=None)

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.positive("period", "m", optional=True, within=LENGTHS)
        check.positive("diameter", "m", optional=True, within=LENGTHS)
        check.whole("lines", 1, LARGEST_LINES, optional=True)
        if not check.faults:
            self._check_combination(check)
        check.done()

    def _check_combination(self, check: Check) -> None:
        if self.period is None and self.lines is None:
            check.fault("period", "be given where lines is not", None)
        elif self.period is not None and self.diameter is not None:
            self._count_lines(check, self.period, self.diameter)
        elif self.period is not None and self.lines is not None:
            check.fault(
                "lines",
                "be left out where period is given (a rotary scale needs lines alone, or "
                "period and diameter)",
                self.lines,
            )

    def _count_lines(self, check: Check, period: float, diameter: float) -> None:
        exact = math.pi * diameter / period
        lines = round(exact)
        if not 1 <= lines <= LARGEST_LINES:
            check.fault("period", f"fit 1 to {LARGEST_LINES} times round pi x diameter", period, "m")
        elif abs(exact / lines - 1.0) > PERIOD_TOLERANCE:
            check.fault(
                "period",
                "fit a whole number of times round pi x diameter to 1e-3",
                period,
                "m",
                f"it fits {exact:.6g} times",
            )
        elif self.lines not in (None, lines):
            check.fault(
                "lines",
                f"be left out or {lines} where period and diameter are given",
                self.lines,
                hint="lines=None counts them anew",
            )
        else:
            check.store("lines", lines)

    @property
    def pitch(self) -> float:
        """Signal period p in the position unit, m or rad."""
        if self.lines is not None:
            return 2.0 * math.pi / self.lines
        assert self.period is not None  # refused when it was made
        return self.period

    @property
    def unit(self) -> str:
        """Position unit, ``"m"`` or ``"rad"``."""
        return "m" if self.lines is None else "rad"


@dataclass(frozen=True, kw_only=True, slots=True)
class Signal(Described):
    """Sine and cosine signals of the readhead, with their faults and noise.

    Parameters
    ----------
    amplitude : float
        Amplitude A of the cosine channel; 1 is nominal.
    offset : tuple of 2 floats
        Offsets of cosine and sine channel, of unit amplitude.
    gain : float
        Amplitude of the sine channel over that of the cosine channel, less 1.
    phase : float
        Phase by which the sine channel is ahead of a quarter period, rad.
    harmonics : mapping of int to float
        Waveform harmonics {n: h_n} of both channels, n >= 2, of unit amplitude.
    sde : mapping of int to float or (float, float)
        Error given directly, {k per period: amplitude or (amplitude, phase)}, m or rad and rad.
    jitter : float
        Position jitter, rms, m or rad; white at the loop rate (one value per sample).
    jitter_bandwidth : float, optional
        One-pole bandwidth B of the jitter, Hz; its autocorrelation is then jitter**2 exp(-2 pi B t).
    noise : float
        Noise of each channel at each reading, rms, of unit amplitude.
    bandwidth : float, optional
        One-pole bandwidth of the readhead, Hz.
    skew : float
        Time by which the sine channel is read later than the cosine channel, s. The shown position moves by half of
        speed times skew; a given ``sde`` is that of the moment of reading, taken once for both channels.

    Raises
    ------
    InputError
        If a number is out of range, or the offset is larger than the signal.

    Examples
    --------
    >>> import encsim
    >>> signal = encsim.Signal(offset=(0.01, -0.005), harmonics={3: 0.002}, jitter=0.5e-9)
    >>> signal.harmonics[3]
    0.002
    """

    amplitude: float = 1.0
    offset: tuple[float, float] = (0.0, 0.0)
    gain: float = 0.0
    phase: float = units.quantity("angle", default=0.0)
    harmonics: Mapping[int, float] = field(default_factory=dict)
    sde: Mapping[int, tuple[float, float]] = units.quantity("position", default_factory=dict)
    jitter: float = units.quantity("position", default=0.0)
    jitter_bandwidth: float | None = units.quantity("frequency", default=None)
    noise: float = 0.0
    bandwidth: float | None = units.quantity("frequency", default=None)
    skew: float = units.quantity("time", default=0.0)

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.positive("amplitude", within=(1e-3, 1e3))
        check.number("gain", "be above -1 and at most 100", low=-1.0, high=100.0, open_low=True)
        check.number("phase", "lie within a quarter period, -1.57 to 1.57", "rad", low=-1.57, high=1.57)
        check.not_negative("jitter", "m or rad")
        check.positive("jitter_bandwidth", "Hz", optional=True, within=FREQUENCIES)
        check.not_negative("noise", highest=1e3)
        check.positive("bandwidth", "Hz", optional=True, within=FREQUENCIES)
        check.number(
            "skew",
            f"lie from -{LONGEST_TIME:g} to {LONGEST_TIME:g}",
            "s",
            low=-LONGEST_TIME,
            high=LONGEST_TIME,
        )
        self._check_offset(check)
        for name in _ORDER_RULES:
            self._check_orders(check, name)
        both = len(self.harmonics) + len(self.sde) if not check.faults else 0
        if both > MOST_ORDERS:
            check.fault("sde", f"have at most {MOST_ORDERS} orders together with harmonics", both)
        check.done()

    def _check_offset(self, check: Check) -> None:
        pair = self.offset
        if not isinstance(pair, (tuple, list)) or len(pair) != 2 or not all(checks.is_real(o) for o in pair):
            check.fault("offset", "be two finite numbers, cosine and sine", pair)
            return
        check.store("offset", (float(pair[0]), float(pair[1])))
        if not check.faults and self._offset_radius() >= self.amplitude:
            check.fault(
                "offset",
                f"be smaller than the signal, amplitude {self.amplitude:g}",
                self.offset,
                hint="the arctangent needs a circle around zero",
            )

    def _offset_radius(self) -> float:
        """Amplitude of the cosine channel whose ellipse, with this gain and phase, goes through the offset."""
        cosine, sine = self.offset[0], self.offset[1] / (1.0 + self.gain)
        return math.hypot(cosine, (sine - cosine * math.sin(self.phase)) / math.cos(self.phase))

    def _check_orders(self, check: Check, name: str) -> None:
        orders, rules = getattr(self, name), _ORDER_RULES[name]
        if not isinstance(orders, Mapping):
            check.fault(name, "be a mapping of order to value", orders)
            return
        if len(orders) > MOST_ORDERS:
            check.fault(name, f"have at most {MOST_ORDERS} orders", len(orders))
            return
        converted = {}
        for order, value in orders.items():
            whole = checks.is_whole(order)
            if not whole or not rules.lowest <= order <= LARGEST_ORDER:
                short = whole and abs(order) < 1e9
                check.fault(
                    f"{name}.{order}" if short else name,
                    f"have a whole order from {rules.lowest} to {LARGEST_ORDER}",
                    order,
                )
                continue
            size = rules.convert(value)
            if size is None:
                check.fault(f"{name}.{order}", rules.value, value)
            else:
                converted[int(order)] = size
        check.store(name, Orders(converted))


def _harmonic(value: Any) -> float | None:
    """One waveform harmonic, or None where it breaks the rule."""
    return float(value) if checks.is_real(value) and abs(value) < 1.0 else None


def _sde_line(value: Any) -> tuple[float, float] | None:
    """One line of a given error as (amplitude, phase), or None where it breaks the rule."""
    pair = value if isinstance(value, (tuple, list)) else (value, 0.0)
    if len(pair) != 2 or not all(checks.is_real(part) for part in pair) or pair[0] < 0.0:
        return None
    return float(pair[0]), float(pair[1])


class _OrderRules(NamedTuple):
    """Lowest order, what makes a number of a value (None where it is faulty), and the rule for values."""

    lowest: int
    convert: Callable[[Any], float | tuple[float, float] | None]
    value: str


_ORDER_RULES = {
    "harmonics": _OrderRules(2, _harmonic, "be a finite number between -1 and 1"),
    "sde": _OrderRules(1, _sde_line, "be an amplitude of zero or more, or an amplitude and a phase, finite"),
}
