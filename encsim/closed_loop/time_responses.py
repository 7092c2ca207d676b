"""Answers of the linear closed loop to a step and to a ramp: rise, overshoot, settling, following error.

The linear closed loop that answers a step or a ramp: how long, what, where it settles; measures of the answer.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any, ClassVar

import numpy as np

from .. import checks
from ..model.axis import Axis
from ..results import LOOP_EXAMPLE, Series, measured_in, picture
from . import loop as loops
from . import squared_gains
from .stability import few_edges
from .state_space import Assembly, inside

# Rise counts between these shares of the final value; settled is within SETTLED of it.
RISE, SETTLED = (0.1, 0.9), 0.02
# Without a length: until so much is left of the slowest mode, or an unstable one has grown by its inverse.
LEFT = 1e-3
BEYOND = 1e60  # times the start
SHORTEST, LONGEST, MOST_NUMBERS = 64, 1 << 17, 1 << 26
# Where edges are timed: share of the speed up to which the answer may change it, and does where no size is given.
SWUNG, SMALL = 0.1, 0.02
FREQUENCIES = 4096


class LinearAnswer:
    """The linear loop of an axis that is about to answer."""

    def __init__(self, owner: str, axis: Axis, speed: float, of: str) -> None:
        if not isinstance(axis, Axis):
            checks.refuse(f"{owner}.axis", "be an Axis", axis)
        unit = axis.scale.unit
        if not checks.is_real(speed):
            checks.refuse(f"{owner}.speed", "be a finite number", speed, f"{unit}/s")
        self.owner, self.axis, self.speed = owner, axis, float(speed)
        self.units = {"position": unit, "velocity": f"{unit}/s", "load": "N m" if unit == "rad" else "N"}
        self.size_unit = self.units.get(of, self.units["velocity"])
        _check_closed(axis, of)
        self.control = replace(axis.control, position_gain=0.0) if of == "velocity" else axis.control
        self.loop = loops.build(replace(axis, control=self.control), self.speed)
        parts = Assembly(self.loop)
        if parts.order > loops.LARGEST_ORDER:
            _refuse_order(owner, axis, parts.order)
        self.order, self.poles = parts.order, parts.closed().poles()
        self.driven = parts.driven()

    def samples(self, seconds: float | None) -> int:
        """Samples of the answer; sets their times."""
        rate, most = self.axis.sampling.rate, MOST_NUMBERS // (self.order + 1)
        if seconds is None:
            samples = min(_until_settled(self.poles), most)
        elif not checks.is_real(seconds) or not 2.0 <= seconds * rate <= most:
            rule = f"make 2 to {most} samples of the loop at {rate:g} Hz"
            checks.refuse(f"{self.owner}.seconds", rule, seconds, "s")
        else:
            samples = min(round(seconds * rate), _until_lost(self.poles))
        self.time = np.arange(samples) / rate
        return samples

    def small(self, usual: float, velocity: np.ndarray) -> float:
        """The usual size, or less where it would change the age of timed edges."""
        swing = float(np.abs(velocity).max())
        if self.axis.estimator.linear or swing == 0.0 or not inside(self.poles).all():
            return usual
        most = SMALL * abs(self.speed) / swing
        return min(usual, float(f"{most:.1e}"))

    def step(self, of: str, samples: int) -> dict[str, np.ndarray]:
        """Outputs for a unit step; of an unstable loop until it is beyond all sense."""
        if of == "load":
            return self.driven.step("push", samples)
        found = self.driven.step("command", samples)
        gain = self.control.position_gain if of == "position" else 1.0
        return {name: gain * values for name, values in found.items()}

    def ramp(self, samples: int) -> dict[str, np.ndarray]:
        """Outputs for a unit ramp: a ramp of samples is the sum of all steps so far."""
        gain, feedforward = (
            self.control.position_gain / self.axis.sampling.rate,
            self.control.velocity_feedforward,
        )
        found = self.driven.step("command", samples)
        with np.errstate(over="ignore", invalid="ignore"):
            return {
                name: gain * (np.cumsum(values) - values) + feedforward * values
                for name, values in found.items()
            }

    def columns(self, found: dict[str, np.ndarray]) -> dict[str, float | np.ndarray]:
        """Arrays of the result, and the largest torque."""
        largest = float(np.abs(found["torque"]).max())
        return {
            "position": found["position"],
            "velocity": found["actual"],
            "measured": found["measured"],
            "torque": found["torque"],
            "largest_torque": largest,
        }

    def final(self, of: str) -> float:
        """What a unit step or ramp settles at, by the balance of torques at rest or in steady motion."""
        if not inside(self.poles).all():
            return math.nan
        control, load = self.control, self.axis.load
        gain, drag = control.velocity_gain, load.friction_slope(self.speed)
        integral = control.integral_time is not None
        if of == "position":
            return 1.0
        if of == "velocity":
            return 1.0 if integral else gain / (gain + drag)
        twist = 1.0 / load.stiffness if load.flexible and load.encoder == "motor" else 0.0
        if of == "ramp":
            behind = (
                1.0 - control.velocity_feedforward + (0.0 if integral else drag / gain)
            ) / control.position_gain
            return behind - float(np.mean(loops.reading_delays(self.axis))) + drag * twist
        if control.position_gain:
            return twist + (0.0 if integral else 1.0 / (gain * control.position_gain))
        return twist + control.integral_time / gain if integral else math.nan

    def reasons(self, answer: dict[str, np.ndarray], size: float, what: str) -> tuple[str, ...]:
        """Why a real axis would answer otherwise."""
        found, control, load, unit = [], self.axis.control, self.axis.load, self.units["load"]
        torque = answer["torque"]
        if not inside(self.poles).all():
            found.append("the loop is not stable: see margins")
        largest = float(np.abs(torque).max())
        holding = abs(load.viscous * self.speed - load.force) + (load.coulomb if self.speed else 0.0)
        room = math.inf if control.torque_limit is None else control.torque_limit - holding
        if found == [] and largest > room:
            below = f"; a {what} up to {abs(size) * room / largest:.3g} {self.size_unit} stays below"
            at_most = below if room > 0.0 else ""
            found.append(
                f"the torque would reach {largest + holding:.4g} {unit}, above the limit "
                f"{control.torque_limit:.4g} {unit}: the axis answers more slowly{at_most}"
            )
        sticks = load.coulomb + load.stribeck
        if not self.speed and sticks > 0.1 * largest:
            found.append(
                f"dry friction of {sticks:.4g} {unit} is left out, beside a torque of up to {largest:.4g} {unit}: "
                "a run has it"
            )
        return (*found, *self._aged(np.abs(answer["actual"]).max(), size, what))

    def _aged(self, swing: float, size: float, what: str) -> tuple[()]:
        """Why timed edges are no fixed filter: they come too seldom, or the answer changes their age."""
        if self.axis.estimator.linear:
            return ()
        frequency = np.geomspace(1e-6, 0.5, FREQUENCIES) * self.loop.rate
        found = few_edges(
            self.loop, squared_gains.crossover_of(frequency, np.abs(self.loop.open_gain(frequency)))
        )
        share = swing / abs(self.speed)
        if share > SWUNG and inside(self.poles).all():
            most = f"{abs(size) * SWUNG / share:.3g} {self.size_unit}"
            found += (
                f"the answer changes the speed by up to {100.0 * share:.3g} %, and with it the age of the edges: a "
                f"{what} up to {most} changes it by less than {100.0 * SWUNG:g} %",
            )
        return found


def _check_closed(axis: Axis, of: str) -> None:
    """Refuse an axis that cannot answer."""
    for name in ("load", "control"):
        if getattr(axis, name) is None:
            checks.refuse(f"Axis.{name}", "be given for a closed loop", None)
    for name in ("velocity_gain", "position_gain"):
        if getattr(axis.control, name) == 0.0 and (name == "velocity_gain" or of in ("position", "ramp")):
            checks.refuse(f"Control.{name}", "be greater than zero: nothing else follows the demand", 0.0)


def _refuse_order(owner: str, axis: Axis, order: int) -> None:
    """A loop of too many states."""
    less = "estimator" if axis.estimator.linear else "window, or a higher speed"
    rule = f"make a loop of up to {loops.LARGEST_ORDER} states: a shorter delay, latency or {less}"
    hint = "a run has no such bound" if not axis.estimator.linear else ""
    checks.refuse(f"{owner}.axis", rule, order, "states", hint=hint)


def _until_settled(poles: np.ndarray) -> int:
    """Samples until the slowest mode has died down, or one that grows has grown."""
    radius = float(np.abs(1.0 + poles).max(initial=0.0))
    if radius == 0.0 or radius == 1.0:
        return SHORTEST
    return int(min(max(math.ceil(abs(math.log(LEFT) / math.log(radius))), SHORTEST), LONGEST))


def _until_lost(poles: np.ndarray) -> Any:
    """Samples until an unstable mode is beyond all sense; of a stable loop without end."""
    radius = float(np.abs(1.0 + poles).max(initial=0.0))
    return max(int(math.log(BEYOND) / math.log(radius)), 2) if radius > 1.0 else 1 << 62


def rise(values: np.ndarray, final: float, time: np.ndarray) -> dict[str, float]:
    """Measures of a step that is followed."""
    share = values / final
    highest = float(share.max())
    low, high = (_reached(share, part, time) for part in RISE)
    return {
        "largest": float(values[int(np.argmax(share))]) if math.isfinite(highest) else math.nan,
        "rise_time": high - low,
        "overshoot": max(highest - 1.0, 0.0) if math.isfinite(highest) else math.nan,
        "settling_time": _settled(np.abs(share - 1.0) <= SETTLED, time),
    }


def deviation(values: np.ndarray, final: float, time: np.ndarray) -> dict[str, float]:
    """Measures of a deviation that dies down."""
    size = np.abs(values)
    largest = float(values[int(np.argmax(size))])
    return {
        "largest": largest,
        "rise_time": math.nan,
        "overshoot": math.nan,
        "settling_time": _settled(np.abs(values - final) <= SETTLED * abs(largest), time),
    }


def _reached(share: np.ndarray, part: float, time: np.ndarray) -> float:
    """Time at which the answer first reaches a share of the final value, between samples on a straight line."""
    above = np.flatnonzero(share >= part)
    if not len(above):
        return math.nan
    k = int(above[0])
    if k == 0:
        return float(time[0])
    return float(time[k] - (time[k] - time[k - 1]) * (share[k] - part) / (share[k] - share[k - 1]))


def _settled(within: np.ndarray, time: np.ndarray) -> float:
    """Time of the first sample from which on all are within; NaN if the last is not."""
    outside = np.flatnonzero(~within)
    if not len(outside):
        return float(time[0])
    return math.nan if outside[-1] == len(time) - 1 else float(time[outside[-1] + 1])


STEPS = ("position", "velocity", "load")
# Steps where none is given: signal periods, signal periods a second, share of the torque limit.
PERIODS, PERIODS_A_SECOND, SHARE = 1.0, 100.0, 0.1


class _Answer(Series):
    """What step and ramp share."""

    __slots__ = ()

    # Step and ramp name the units of each other's fields too.
    part_units: ClassVar[dict[str, str]] = {
        **dict.fromkeys(("error", "following_error", "largest_error"), "position"),
        "rate": "position/s",
        "rise_time": "s",
        "size": "stepped",
        "final": "answer",
        "largest": "answer",
        "overshoot": "1",
    }

    def unit_words(self) -> dict[str, str]:
        """Units of what steps and of what answers, beside those of every result."""
        words = super().unit_words()
        of = getattr(self, "of", "position")
        stepped = {"position": "position", "velocity": "position/s", "load": "force"}[of]
        answer = "position" if of == "load" else stepped
        return {**words, "stepped": words[stepped], "answer": words[answer]}

    plot = picture(
        "figures.closed_run:step",
        "Draw position, velocity and torque (N m) or force (N) against time (s).",
        alone="Takes the first panel alone",
        example=LOOP_EXAMPLE + "ax = encsim.step_response(axis).plot()",
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class StepResponse(_Answer):
    """Answer of the linear loop to a step at the first sample.

    Attributes
    ----------
    of : {"position", "velocity", "load"}
        What steps: the demanded position, the velocity command with the position loop open, or a torque on the load.
    time, demand : ndarray, shape (n,)
        Time of the samples, s, and what steps.
    position, velocity : ndarray
        True position and velocity of the load, as deviation from the motion before.
    measured, torque : ndarray
        Velocity the controller computes, and its torque command, as such deviations.
    size : float
        Height of the step.
    final : float
        Where the position (of a velocity step the velocity) settles; NaN if it never does.
    largest : float
        Of a step on the load the largest deviation, else the largest value; with its sign.
    rise_time : float
        Time from 10 % to 90 % of the final value, s; NaN if it does not get there, or of a step on the load.
    overshoot : float
        How far it passes the final value, as share of it; NaN of a step on the load.
    settling_time : float
        Time after which it stays within 2 % of the final value, s; of a step on the load within 2 % of the
        largest deviation. NaN if it is outside at the last sample.
    largest_torque : float
        Largest magnitude of the torque command.
    speed : float
        Speed about which friction is linearised.
    valid : bool
    reasons : tuple of str
        Why a real axis would answer otherwise.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x_loop.toml")
    >>> encsim.step_response(axis).valid
    True
    """

    of: str
    time: np.ndarray = field(metadata=measured_in("s"))
    demand: np.ndarray = field(metadata=measured_in("stepped"))
    position: np.ndarray = field(metadata=measured_in("position"))
    velocity: np.ndarray = field(metadata=measured_in("position/s"))
    measured: np.ndarray = field(metadata=measured_in("position/s"))
    torque: np.ndarray = field(metadata=measured_in("force"))
    size: float = field(metadata=measured_in("stepped"))
    final: float = field(metadata=measured_in("answer"))
    largest: float = field(metadata=measured_in("answer"))
    rise_time: float = field(metadata=measured_in("s"))
    overshoot: float = field(metadata=measured_in("1"))
    settling_time: float = field(metadata=measured_in("s"))
    largest_torque: float = field(metadata=measured_in("force"))
    speed: float = field(metadata=measured_in("position/s"))
    valid: bool
    reasons: tuple[str, ...]
    axis: Axis = field(repr=False, metadata={"plain": False})


@dataclass(frozen=True, eq=False, kw_only=True)
class RampResponse(_Answer):
    """Answer of the linear loop to a demand that sets off at a constant speed.

    Attributes
    ----------
    time, demand, position, velocity, measured, torque
        As of a :class:`StepResponse`; the demand is a position.
    error : ndarray
        Following error: demand less true position of the load.
    rate : float
        Speed of the ramp.
    following_error : float
        What the following error settles at.
    largest_error : float
        The following error of the largest magnitude, with its sign.
    settling_time : float
        Time after which the following error stays within 2 % of its largest magnitude of what it settles at, s; NaN
        if it is outside at the last sample.
    largest_torque, speed, valid, reasons
        As of a :class:`StepResponse`.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x_loop.toml")
    >>> encsim.ramp_response(axis).valid
    True
    """

    time: np.ndarray = field(metadata=measured_in("s"))
    demand: np.ndarray = field(metadata=measured_in("stepped"))
    position: np.ndarray = field(metadata=measured_in("position"))
    velocity: np.ndarray = field(metadata=measured_in("position/s"))
    measured: np.ndarray = field(metadata=measured_in("position/s"))
    torque: np.ndarray = field(metadata=measured_in("force"))
    error: np.ndarray = field(metadata=measured_in("position"))
    rate: float = field(metadata=measured_in("position/s"))
    following_error: float = field(metadata=measured_in("position"))
    largest_error: float = field(metadata=measured_in("position"))
    settling_time: float = field(metadata=measured_in("s"))
    largest_torque: float = field(metadata=measured_in("force"))
    speed: float = field(metadata=measured_in("position/s"))
    valid: bool
    reasons: tuple[str, ...]
    axis: Axis = field(repr=False, metadata={"plain": False})


def step_response(
    axis: Axis,
    of: str = "position",
    size: float | None = None,
    seconds: float | None = None,
    *,
    speed: float = 0.0,
) -> StepResponse:
    """Answer of the closed loop to a step.

    Parameters
    ----------
    axis : Axis
        With load and control.
    of : {"position", "velocity", "load"}
        What steps: the demanded position; the velocity command, the position loop open; or a constant torque (force)
        that begins to act on the load.
    size : float, optional
        Height of the step, m or rad, m/s or rad/s, N or N m. Without it one signal period, 100 signal periods a
        second, a tenth of the torque limit (1 where there is none); where edges are timed less, if that changed the
        speed by more than 2 %.
    seconds : float, optional
        Time to look at. Without it until 0.1 % is left of the slowest mode.
    speed : float
        Speed about which friction is linearised, that notches with an order follow, and at which edges are timed,
        m/s or rad/s; an estimator that times edges needs one.

    Returns
    -------
    StepResponse

    Raises
    ------
    InputError
        If an argument is out of range, load or control is missing, nothing holds what steps, an estimator that times
        edges sees less than one count a second at this speed, or the loop has more than 600 states.

    Notes
    -----
    Exact for the discrete linear loop of `margins`: no encoder error, no counts, dry friction, cogging or limits,
    which `run` has. The feed-forwards do not see a step: a jump of the demanded position has no velocity.

    Where edges are timed all values are deviations from the motion at ``speed``, and the answer is that of the mean
    filter of the edges there: the mean over steps that begin anywhere between two of them.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x_loop.toml")
    >>> found = encsim.step_response(axis, of="velocity")
    >>> round(100 * float(found.overshoot), 1)
    13.0
    """
    if of not in STEPS:
        checks.refuse("step_response.of", f"be one of {', '.join(STEPS)}", of)
    answer = LinearAnswer("step_response", axis, speed, of)
    size = None if size is None else _size("step_response.size", size, answer.units[of])
    samples = answer.samples(seconds)
    unit = answer.step(of, samples)
    size = answer.small(_usual(axis, of), unit["actual"]) if size is None else size
    found = {name: size * values for name, values in unit.items()}
    main = found["actual" if of == "velocity" else "position"]
    final = size * answer.final(of)
    measures = deviation(main, final, answer.time) if of == "load" else rise(main, final, answer.time)
    reasons = answer.reasons(found, size, "step")
    return StepResponse(
        of=of,
        time=answer.time,
        demand=np.full(samples, size),
        **answer.columns(found),
        size=size,
        final=final,
        **measures,
        speed=answer.speed,
        valid=not reasons,
        reasons=reasons,
        axis=axis,
    )


def ramp_response(
    axis: Axis, rate: float | None = None, seconds: float | None = None, *, speed: float = 0.0
) -> RampResponse:
    """Answer of the closed loop, at rest or about a working speed, to a demand that sets off at a constant speed.

    Parameters
    ----------
    axis : Axis
        With load and control.
    rate : float, optional
        Speed of the demand, m/s or rad/s; without it 100 signal periods a second, or less as of a step.
    seconds : float, optional
        Time to look at. Without it until 0.1 % is left of the slowest mode.
    speed : float
        Speed about which friction is linearised, that notches with an order follow, and at which edges are timed,
        m/s or rad/s; an estimator that times edges needs one.

    Returns
    -------
    RampResponse

    Raises
    ------
    InputError
        As by `step_response`.

    Notes
    -----
    The demand is ``rate t``; the velocity feed-forward is on from the first sample, the acceleration feed-forward
    sees nothing of a jump of the velocity. With an integral part the following error settles at
    ``rate ((1 - velocity_feedforward)/position_gain - age)``, age that of the readings.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x_loop.toml")
    >>> found = encsim.ramp_response(axis, 0.1)
    >>> round(1e6 * float(found.largest_error), 1)  # um
    166.1
    """
    answer = LinearAnswer("ramp_response", axis, speed, "ramp")
    rate = None if rate is None else _size("ramp_response.rate", rate, answer.units["velocity"])
    samples = answer.samples(seconds)
    unit = answer.ramp(samples)
    rate = answer.small(_usual(axis, "velocity"), unit["actual"]) if rate is None else rate
    found = {name: rate * values for name, values in unit.items()}
    demand = rate * answer.time
    error, final = demand - found["position"], rate * answer.final("ramp")
    reasons = answer.reasons(found, rate, "ramp")
    measures = deviation(error, final, answer.time)
    return RampResponse(
        time=answer.time,
        demand=demand,
        **answer.columns(found),
        error=error,
        rate=rate,
        following_error=final,
        largest_error=measures["largest"],
        settling_time=measures["settling_time"],
        speed=answer.speed,
        valid=not reasons,
        reasons=reasons,
        axis=axis,
    )


def _size(name: str, value: float, unit: str) -> float:
    if not checks.is_real(value) or not 1e-30 <= abs(float(value)) <= 1e30:
        checks.refuse(name, "be a finite number other than zero", value, unit)
    return float(value)


def _usual(axis: Axis, of: str) -> float:
    """Height of a step where none is given."""
    limit = axis.control.torque_limit
    sizes = {
        "position": PERIODS * axis.scale.pitch,
        "velocity": PERIODS_A_SECOND * axis.scale.pitch,
        "load": 1.0 if limit is None else SHARE * limit,
    }
    return sizes[of]
