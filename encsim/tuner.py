"""Gains for a phase margin, a sensitivity peak and a limit of torque ripple; what binds, and what would help."""

import math
from dataclasses import dataclass, field, replace

from . import _checks, stability
from ._gain_search import LIMITS, STARTS, UNITS, GainSearch
from ._results import Result
from .mechanics import CAUTIONS, MOST_NOTCHES, Control, Notch
from .stability import Margins

# The optimum is flat: where two limits meet the search may stop 2 % from one of them.
BINDING = 0.02
# The search finds the best to about 1 %; a remedy must give clearly more.
LEAST_GAIN = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedy:
    """What one change of the axis would allow within the same limits.

    Attributes
    ----------
    name : str
        The change.
    crossover : float
        Velocity gain over inertia that would be proposed then, Hz: about where the velocity loop crosses 1.
    stiffness : float
        Factor by which ``K_p K_v/T_i`` would rise.
    """

    name: str
    crossover: float
    stiffness: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Tuning(Result):
    """Proposed gains.

    Attributes
    ----------
    control : Control
        The controller of the axis with gains and integral time replaced.
    margins : Margins
        Of the loop with it.
    torque_ripple : float
        Rms of the torque command by encoder errors at the speed asked for, torque.
    binding : tuple of str
        Limits that are met within 2 %: "phase_margin", "sensitivity_peak", "torque_ripple". Empty where the loop
        rate is all that stops the gains.
    remedies : tuple of Remedy
        Changes that would allow more, the best first.
    cautions : tuple of str
        To be read before the gains are used.
    """

    control: Control
    margins: Margins
    torque_ripple: float
    binding: tuple[str, ...]
    remedies: tuple[Remedy, ...]
    cautions: tuple[str, ...] = CAUTIONS
    valid: bool = True
    reasons: tuple[str, ...] = ()
    axis: object = field(metadata={"plain": False})

    @property
    def units(self):
        """Units of the fields, {key: unit}."""
        linear = self.axis.scale.unit == "m"
        gains = {
            "position_gain": "1/s",
            "velocity_gain": "N s/m" if linear else "N m s/rad",
            "integral_time": "s",
        }
        return {"torque_ripple": "N" if linear else "N m", "crossover": "Hz"} | gains

    def to_dict(self):
        """As of every result, the margins with their own units."""
        return Result.to_dict(self) | {"margins": self.margins.to_dict()}


def tune(axis, phase_margin=60.0, sensitivity_peak=1.7, torque_ripple=None, speed=None):
    """Controller with proposed gains; see ``tuning``, which also says what binds.

    Parameters
    ----------
    axis : Axis
        With load and control.
    phase_margin : float
        Least phase margin, deg.
    sensitivity_peak : float
        Largest sensitivity peak.
    torque_ripple : float, optional
        Largest rms of the torque command by encoder errors, torque.
    speed : float, optional
        Speed of that torque ripple, m/s or rad/s.

    Returns
    -------
    Control

    Raises
    ------
    InputError
        If a limit makes no sense or cannot be reached.
    """
    return tuning(axis, phase_margin, sensitivity_peak, torque_ripple, speed).control


def tuning(axis, phase_margin=60.0, sensitivity_peak=1.7, torque_ripple=None, speed=None):
    """Gains that hold a load best within limits.

    Parameters
    ----------
    axis : Axis
        With load and control. Its gains are replaced; a position gain of 0 and a missing integral time stay.
    phase_margin : float
        Least phase margin, deg.
    sensitivity_peak : float
        Largest sensitivity peak, above 1.
    torque_ripple : float, optional
        Largest rms of the torque command by encoder errors, torque.
    speed : float, optional
        Speed of that torque ripple, m/s or rad/s; left out, standstill.

    Returns
    -------
    Tuning

    Raises
    ------
    InputError
        If a limit makes no sense or cannot be reached; it then names the nearest that can.

    Notes
    -----
    Of all gains within the limits those with the largest ``K_p K_v/T_i``: the time integral of the position error
    after a step of load torque is its inverse (``K_v/T_i`` for a velocity loop, ``K_p K_v`` without integral part).
    Torque ripple takes jitter, noise of the channels and q**2/12 of counting as white, and at a speed the lines of
    the period's error.
    """
    limits = _limits(phase_margin, sensitivity_peak, torque_ripple)
    if speed is not None and not _checks.is_real(speed):
        _checks.refuse("tuning.speed", "be a finite number", speed, f"{axis.scale.unit}/s")
    search = GainSearch(axis, limits, speed or 0.0)
    shape = search.best_shape()
    if shape is None:
        search.refuse()
    control = search.exact(shape, search.widest(shape))
    proposed = replace(axis, control=control)
    found = stability.margins(proposed, speed=speed or 0.0)
    reached = {"phase_margin": abs(found.phase_margin), "sensitivity_peak": found.sensitivity_peak}
    reached["torque_ripple"] = search.ripple(control)
    return Tuning(
        control=control,
        margins=found,
        torque_ripple=reached["torque_ripple"],
        binding=tuple(n for n in LIMITS if limits[n] and abs(reached[n] / limits[n] - 1.0) < BINDING),
        remedies=_remedies(search, shape),
        axis=proposed,
    )


def _limits(phase_margin, sensitivity_peak, torque_ripple):
    """The limits as floats, checked."""
    rules = (
        ("phase_margin", phase_margin, 0.0, 90.0, "lie between 0 and 90"),
        ("sensitivity_peak", sensitivity_peak, 1.0, 1e6, "be above 1 and below 1e6"),
        ("torque_ripple", torque_ripple, 0.0, math.inf, "be positive and finite"),
    )
    faults = [
        _checks.Fault(f"tuning.{name}", rule, value, UNITS[name])
        for name, value, low, high, rule in rules
        if not (name == "torque_ripple" and value is None)
        and not (_checks.is_real(value) and low < value < high)
    ]
    if faults:
        raise _checks.InputError(*faults)
    return {name: None if value is None else float(value) for name, value, *_ in rules}


def _remedies(search, shape):
    """Changes that would allow a stiffer axis, the best first."""
    axis, before, found = search.axis, search.stiffness(shape), []
    start = [ratio for ratio in shape if math.isfinite(ratio)] or [1.0]
    for name, change in _changes(axis, search.limits).items():
        other = GainSearch(replace(axis, **change), search.limits, search.speed)
        best = other.best_shape(starts=(*STARTS, max(start)))
        if best is None:
            continue
        factor = math.exp(other.stiffness(best) - before)
        if factor > 1.0 + LEAST_GAIN:
            wide = other.widest(best) / (2.0 * math.pi)
            found.append(Remedy(name=name, crossover=wide, stiffness=factor))
    return tuple(sorted(found, key=lambda remedy: -remedy.stiffness))


def _changes(axis, limits):
    """Axes that differ in one thing, {name: fields}."""
    control, signal = axis.control, axis.signal
    found = {"twice the loop rate": {"sampling": replace(axis.sampling, rate=2.0 * axis.sampling.rate)}}
    if control.delay > 0.0:
        found["half the delay of the torque command"] = {
            "control": replace(control, delay=0.5 * control.delay)
        }
    quicker = _quicker(axis)
    if quicker is not None:
        found["an estimator with half the delay"] = {"estimator": quicker}
    if (
        axis.load.flexible
        and axis.load.resonance < 0.4 * axis.sampling.rate
        and len(control.notch) < MOST_NOTCHES
    ):
        notch = Notch(axis.load.resonance, damping=0.5, depth=0.1)
        name = f"a notch at the resonance, {axis.load.resonance:.4g} Hz"
        found[name] = {"control": replace(control, notch=(*control.notch, notch))}
    if limits["torque_ripple"] is not None:
        found["an encoder with half the jitter, noise and subdivisional error"] = {"signal": _half(signal)}
    return found


def _half(signal):
    """The signal with half of all its faults and noise."""
    return replace(
        signal,
        offset=tuple(0.5 * offset for offset in signal.offset),
        gain=0.5 * signal.gain,
        phase=0.5 * signal.phase,
        harmonics={n: 0.5 * size for n, size in signal.harmonics.items()},
        sde={k: (0.5 * amplitude, angle) for k, (amplitude, angle) in signal.sde.items()},
        jitter=0.5 * signal.jitter,
        noise=0.5 * signal.noise,
    )


def _quicker(axis):
    """The estimator with half its memory or twice its bandwidth; None if it is as quick as can be."""
    estimator, rate = axis.estimator, axis.sampling.rate
    least = {"difference": 1, "least-squares": 2}.get(estimator.kind)
    if least is not None:
        samples = max(least, estimator.samples // 2)
        return replace(estimator, samples=samples) if samples < estimator.samples else None
    for name in ("corner", "bandwidth"):
        value = getattr(estimator, name, None)
        if value is not None and 2.0 * value < 0.4 * rate:
            return replace(estimator, **{name: 2.0 * value})
    return None
