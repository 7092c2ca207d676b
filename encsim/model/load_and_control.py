"""What a closed loop needs beside the encoder: the load, the controller, torque notches.

Frozen descriptions in SI. "Torque" and "inertia" stand for force and mass on a linear axis: N m and kg m2
on a rotary one, N and kg on a linear one; the position unit is m or rad as the scale has it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from .. import checks, units
from ..checks import Orders
from ..result_views import Described
from .bounds import FREQUENCIES, INERTIAS, LONGEST_DELAY, MOST_NOTCHES

if TYPE_CHECKING:
    from ..checks import Check


CAUTIONS = (
    "Computed gains are starting points: start lower, raise them step by step and watch torque and temperature.",
    "A real axis may be stiffer, looser, heavier or less balanced than its description, and may resonate where "
    "none is described.",
    "Rotating and moving machinery: keep people out of its reach, use its guards, and have an emergency stop "
    "at hand and tested before the loop is closed.",
    "Set limits of speed, torque and travel first; an unstable loop or a lost encoder signal can run an axis "
    "up to overspeed or into its end stop.",
    "A vertical or unbalanced axis falls when the torque goes: secure it before gains are changed.",
    "Nothing here replaces the documentation of the machine and its drive, local codes and rules, and the "
    "judgement of qualified staff on site.",
)

# Wider than any machine, narrow enough that nothing overflows further on.
LARGE = 1e15
LARGEST_ORDER = 1e6
SIDES = ("motor", "load")


@dataclass(frozen=True, slots=True)
class Load(Described):
    """Moving mass and what acts on it: one mass, or two joined by a shaft, belt or screw.

    Parameters
    ----------
    inertia : float
        Inertia J of the load, kg m2 or kg.
    viscous : float
        Viscous friction of the load, torque per speed.
    coulomb : float
        Coulomb friction of the load, torque.
    stribeck : float
        Torque by which breaking away takes more than Coulomb friction.
    stribeck_speed : float, optional
        Speed v_s at which that excess has fallen to 1/e, rad/s or m/s.
    force : float
        Constant torque that acts on the load in the direction of positive motion (gravity, a process).
    motor_inertia : float, optional
        Inertia of the motor. Without a stiffness it adds to the load, with one it stands before the spring.
    stiffness : float, optional
        Stiffness k between motor and load, torque per position unit; with it the axis has two masses.
    damping : float
        Viscous damping of that spring, torque per speed.
    encoder : {"motor", "load"}
        The mass whose position the encoder reads.
    cogging : mapping of float to float or (float, float)
        Torque ripple of the motor, {n per turn or per metre: amplitude or (amplitude, phase)}, torque and rad:
        amplitude sin(a + phase), a = n x on a rotary axis and 2 pi n x on a linear one, x motor position.
    torque_constant : float, optional
        Torque per ampere.

    Raises
    ------
    InputError
        If a number is out of range or the combination is impossible.

    Notes
    -----
    Friction at speed v: ``sign(v) (coulomb + stribeck exp(-(v/v_s)**2)) + viscous v``.

    Examples
    --------
    >>> import encsim
    >>> encsim.Load(4.0, motor_inertia=1.0, stiffness=12e6, damping=300.0).total_inertia
    5.0
    """

    inertia: float = units.quantity("inertia")
    viscous: float = units.quantity("torque per speed", default=0.0, kw_only=True)
    coulomb: float = units.quantity("torque", default=0.0, kw_only=True)
    stribeck: float = units.quantity("torque", default=0.0, kw_only=True)
    stribeck_speed: float | None = units.quantity("speed", default=None, kw_only=True)
    force: float = units.quantity("torque", default=0.0, kw_only=True)
    motor_inertia: float | None = units.quantity("inertia", default=None, kw_only=True)
    stiffness: float | None = units.quantity("stiffness", default=None, kw_only=True)
    damping: float = units.quantity("torque per speed", default=0.0, kw_only=True)
    encoder: str = field(default="motor", kw_only=True)
    cogging: Mapping[float, tuple[float, float]] = units.quantity(
        "torque", default_factory=dict, kw_only=True
    )
    torque_constant: float | None = units.quantity("torque per current", default=None, kw_only=True)

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.positive("inertia", "kg m2 or kg", within=INERTIAS)
        check.positive("motor_inertia", "kg m2 or kg", optional=True, within=INERTIAS)
        check.positive("stiffness", "N m/rad or N/m", optional=True, within=(1e-9, LARGE))
        for name in ("viscous", "damping"):
            check.not_negative(name, "N m s/rad or N s/m", highest=LARGE)
        for name in ("coulomb", "stribeck"):
            check.not_negative(name, "N m or N", highest=LARGE)
        check.positive("stribeck_speed", "rad/s or m/s", optional=True, within=(1e-12, LARGE))
        check.number("force", f"lie from {-LARGE:g} to {LARGE:g}", "N m or N", low=-LARGE, high=LARGE)
        check.positive("torque_constant", "N m/A or N/A", optional=True, within=(1e-12, LARGE))
        if not isinstance(self.encoder, str) or self.encoder not in SIDES:
            check.fault("encoder", 'be "motor" or "load"', self.encoder)
        _check_cogging(check)
        if not check.faults:
            self._check_combination(check)
        check.done()

    def _check_combination(self, check: Check) -> None:
        if self.stiffness is not None and self.motor_inertia is None:
            check.fault("motor_inertia", "be given with a stiffness: the spring joins motor and load", None)
        if self.stiffness is None and self.damping > 0.0:
            check.fault("damping", "be zero without a stiffness", self.damping, "N m s/rad or N s/m")
        if self.stribeck > 0.0 and self.stribeck_speed is None:
            check.fault("stribeck_speed", "be given with stribeck", None)

    @property
    def flexible(self) -> bool:
        """Whether motor and load are two masses."""
        return self.stiffness is not None

    @property
    def total_inertia(self) -> float:
        """Inertia of motor and load together, kg m2 or kg."""
        return self.inertia + (self.motor_inertia or 0.0)

    @property
    def antiresonance(self) -> float:
        """Frequency at which a clamped motor lets the load swing, Hz: sqrt(k/J)/(2 pi); NaN if rigid."""
        if self.stiffness is None:
            return math.nan
        return math.sqrt(self.stiffness / self.inertia) / (2.0 * math.pi)

    @property
    def resonance(self) -> float:
        """Frequency at which motor and load swing freely, Hz: antiresonance sqrt(1 + J/J_motor); NaN if rigid."""
        if self.motor_inertia is None:
            return math.nan
        return self.antiresonance * math.sqrt(1.0 + self.inertia / self.motor_inertia)

    def friction_slope(self, speed: float) -> float:
        """Change of the friction with the speed, in steady motion at that speed; viscous alone at 0."""
        if self.stribeck_speed is None or not self.stribeck or not speed:
            return self.viscous
        ratio = abs(speed) / self.stribeck_speed
        # Above 26 the exponential is below 1e-293, and a larger square could overflow.
        falling = ratio * math.exp(-ratio * ratio) if ratio < 26.0 else 0.0
        return self.viscous - 2.0 * self.stribeck * falling / self.stribeck_speed


def _check_cogging(check: Check) -> None:
    """Store the cogging orders as {order: (amplitude, phase)}, ascending."""
    given = check.owner.cogging
    if not isinstance(given, Mapping):
        check.fault("cogging", "be a mapping of order to amplitude", given)
        return
    converted: dict[float, tuple[float, float]] = {}
    for order, value in given.items():
        pair = value if isinstance(value, (tuple, list)) else (value, 0.0)
        if not checks.is_real(order) or not 0.0 < order <= LARGEST_ORDER:
            check.fault("cogging", f"have orders above 0 and at most {LARGEST_ORDER:g}", order)
        elif len(pair) != 2 or not all(checks.is_real(part) for part in pair) or not 0.0 <= pair[0] <= LARGE:
            rule = "be an amplitude of zero or more, or an amplitude and a phase, finite"
            check.fault(f"cogging.{order:.12g}", rule, value)
        else:
            # A linear motor with a pitch of 32 mm has 31.25 cycles per metre; whole orders stay integers.
            converted[int(order) if order == int(order) else float(order)] = (float(pair[0]), float(pair[1]))
    check.store("cogging", Orders(converted))


@dataclass(frozen=True, slots=True)
class Notch(Described):
    """Notch in the torque command, at a fixed frequency or following the speed.

    Parameters
    ----------
    frequency : float, optional
        Centre f_0, Hz.
    order : float, optional
        Cycles per signal period; the centre then follows the speed v at ``order |v|/pitch``, aliased at the
        loop rate as the line it is meant for. Give this or a frequency.
    damping : float
        Damping ratio z of the denominator; a full notch is 2 z f_0 wide where it is down by 3 dB.
    depth : float
        Gain that is left at the centre, 0 to 1.

    Raises
    ------
    InputError
        If a number is out of range, or frequency and order are both given or both left out.

    Notes
    -----
    ``(s**2 + 2 depth z w_0 s + w_0**2)/(s**2 + 2 z w_0 s + w_0**2)``, w_0 = 2 pi f_0, made discrete by the
    bilinear transform pre-warped at f_0.

    Examples
    --------
    >>> import encsim
    >>> encsim.Notch(600.0, depth=0.1).damping
    0.5
    """

    frequency: float | None = units.quantity("frequency", default=None)
    order: float | None = field(default=None, kw_only=True)
    damping: float = field(default=0.5, kw_only=True)
    depth: float = field(default=0.0, kw_only=True)

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.positive("frequency", "Hz", optional=True, within=FREQUENCIES)
        check.positive("order", optional=True, within=(1e-9, 1e6))
        check.positive("damping", within=(1e-6, 10.0))
        check.number("depth", "lie from 0 to 1", low=0.0, high=1.0)
        if (self.frequency is None) == (self.order is None):
            check.fault("frequency", "be given, or else order", self.frequency, "Hz")
        check.done()


@dataclass(frozen=True, slots=True)
class Control(Described):
    """Position and velocity cascade: P on the position, PI on the velocity, filters, torque.

    Parameters
    ----------
    position_gain : float
        Gain K_p from position error to velocity, 1/s; 0 leaves a velocity loop.
    velocity_gain : float
        Gain K_v from velocity error to torque, torque per speed; 0 opens the loop.
    integral_time : float, optional
        Integral time T_i of the velocity loop, s; without it there is no integral part.
    current_bandwidth : float, optional
        Bandwidth of the current loop, a first-order lag, Hz.
    delay : float
        Time after which a command acts, s; at most 1 s, any fraction of a loop period.
    velocity_feedforward : float
        Share of the demanded velocity that is added to the velocity command.
    acceleration_feedforward : float
        Torque per demanded acceleration (the inertia, for full feed-forward).
    torque_limit : float, optional
        Largest torque command; while it limits, the integral part is not wound up further.
    notch : Notch or sequence of Notch
        Notches in the torque command, in this order.
    lowpass : float, optional
        Corner of a first-order low-pass in the torque command after the notches, Hz, bilinear, pre-warped.

    Raises
    ------
    InputError
        If a number is out of range.

    Notes
    -----
    At sample k, with measured position y, velocity estimate w and demand r::

        v_cmd = K_p (r - y) + velocity_feedforward r'
        i = i_before + (T/T_i)(v_cmd - w)
        u = K_v ((v_cmd - w) + i) + acceleration_feedforward r''

    u passes notches and low-pass, acts ``delay`` later and is held for T, through the current loop.

    Examples
    --------
    >>> import encsim
    >>> encsim.Control(60.0, 2000.0, integral_time=12e-3, delay=60e-6).velocity_feedforward
    1.0
    """

    position_gain: float = units.quantity("rate")
    velocity_gain: float = units.quantity("torque per speed")
    integral_time: float | None = units.quantity("time", default=None, kw_only=True)
    current_bandwidth: float | None = units.quantity("frequency", default=None, kw_only=True)
    delay: float = units.quantity("time", default=0.0, kw_only=True)
    velocity_feedforward: float = field(default=1.0, kw_only=True)
    acceleration_feedforward: float = units.quantity("inertia", default=0.0, kw_only=True)
    torque_limit: float | None = units.quantity("torque", default=None, kw_only=True)
    notch: tuple[Notch, ...] = field(default=(), kw_only=True)
    lowpass: float | None = units.quantity("frequency", default=None, kw_only=True)

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.not_negative("position_gain", "1/s", highest=LARGE)
        check.not_negative("velocity_gain", "N m s/rad or N s/m", highest=LARGE)
        check.positive("integral_time", "s", optional=True, within=(1e-12, 1e9))
        check.positive("current_bandwidth", "Hz", optional=True, within=FREQUENCIES)
        rule = f"lie from 0 to {LONGEST_DELAY:g} s"
        check.number("delay", rule, "s", low=0.0, high=LONGEST_DELAY)
        check.number("velocity_feedforward", "lie from -10 to 10", low=-10.0, high=10.0)
        check.not_negative("acceleration_feedforward", "kg m2 or kg", highest=INERTIAS[1])
        check.positive("torque_limit", "N m or N", optional=True, within=(1e-15, LARGE))
        check.positive("lowpass", "Hz", optional=True, within=FREQUENCIES)
        self._check_notches(check)
        check.done()

    def _check_notches(self, check: Check) -> None:
        given = (self.notch,) if isinstance(self.notch, Notch) else self.notch
        if not isinstance(given, (tuple, list)) or not all(isinstance(part, Notch) for part in given):
            check.fault("notch", "be a Notch or a sequence of them", self.notch)
        elif len(given) > MOST_NOTCHES:
            check.fault("notch", f"be at most {MOST_NOTCHES}", len(given))
        else:
            check.store("notch", tuple(given))


def rate_faults(control: Control, rate: float) -> list[Any]:
    """Faults of a controller run at this loop rate: filters from half the rate on."""
    named = [(f"Control.notch.{n}.frequency", part.frequency) for n, part in enumerate(control.notch)]
    named.append(("Control.lowpass", control.lowpass))
    rule = f"stay below half the loop rate, {rate / 2.0:g} Hz"
    return [
        checks.Fault(name, rule, value, "Hz")
        for name, value in named
        if value is not None and value >= 0.5 * rate
    ]
