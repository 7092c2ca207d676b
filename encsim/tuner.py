"""Gains for a phase margin, a sensitivity peak and a limit of torque ripple; what binds, and what would help."""

import math
from dataclasses import dataclass, field, replace

from . import _candidates, _checks
from ._gain_refusal import refuse
from ._gain_remedies import Allowance, remedies
from ._gain_search import LIMITS, UNITS, GainSearch
from ._results import Result
from .mechanics import CAUTIONS, Control
from .smooth_running import smoothness
from .stability import Margins

# The optimum is flat: where two limits meet the search may stop 2 % from one of them.
BINDING = 0.02
NOT_TIMED = "take sampled positions to be tuned with: difference, low-pass, least-squares, tracking or kalman"
INSTEAD = "timed edges have another delay at every speed: tune with a difference of about that delay, then check both"


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
        Rms of the torque command by encoder errors at the speed asked for, torque: that of `smoothness`.
    binding : tuple of str
        Limits that are met within 2 %: "phase_margin", "sensitivity_peak", "torque_ripple". Empty where the loop
        rate is all that stops the gains.
    remedies : tuple of Allowance
        Changes that would allow more, the best first.
    cautions : tuple of str
        To be read before the gains are used.
    valid : bool
        False where torque ripple is limited and its prediction may not be believed.
    reasons : tuple of str
        Why the torque ripple may not be believed, limited or not.
    """

    control: Control
    margins: Margins
    torque_ripple: float
    binding: tuple[str, ...]
    remedies: tuple[Allowance, ...]
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
        """As of every result, the margins with their own units, an estimator of a remedy as text."""
        found = Result.to_dict(self) | {"margins": self.margins.to_dict()}
        for plain, remedy in zip(found["remedies"], self.remedies, strict=True):
            if "estimator" in remedy.change:
                text = _candidates.text(remedy.change["estimator"], self.axis.scale.unit)
                plain["change"] = {"estimator": text}
        return found


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
    return _searched(axis, phase_margin, sensitivity_peak, torque_ripple, speed)[1].control


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
    Torque ripple is ``smoothness(axis, speed).torque`` of the axis with the proposed gains.
    """
    return _result(*_searched(axis, phase_margin, sensitivity_peak, torque_ripple, speed))


def _searched(axis, phase_margin, sensitivity_peak, torque_ripple, speed):
    """The search and what it has found, or a refusal."""
    limits = _limits(phase_margin, sensitivity_peak, torque_ripple)
    if speed is not None and not _checks.is_real(speed):
        _checks.refuse("tuning.speed", "be a finite number", speed, f"{axis.scale.unit}/s")
    if not axis.estimator.linear:
        _checks.refuse("Axis.estimator", NOT_TIMED, axis.estimator.kind, hint=INSTEAD)
    search = GainSearch(axis, limits, speed or 0.0)
    found = search.proposed()
    if found is None:
        refuse(search)
    return search, found


def _result(search, found):
    proposed, limits = replace(search.axis, control=found.control), search.limits
    curve = smoothness(proposed, search.speed)
    reached = found.reached() | {"torque_ripple": float(curve.torque)}
    return Tuning(
        control=found.control,
        margins=found.margins,
        torque_ripple=reached["torque_ripple"],
        binding=tuple(n for n in LIMITS if limits[n] and abs(reached[n] / limits[n] - 1.0) < BINDING),
        remedies=remedies(search, found.control),
        valid=curve.valid or limits["torque_ripple"] is None,
        reasons=tuple(f"torque ripple: {reason}" for reason in curve.reasons),
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
