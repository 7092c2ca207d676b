"""Answers of the linear closed loop to a step and to a ramp: rise, overshoot, settling, following error."""

from dataclasses import dataclass, field

import numpy as np

from . import _checks
from ._linear_answer import LinearAnswer, deviation, rise
from ._results import Series
from .axis import Axis

STEPS = ("position", "velocity", "load")
# Steps where none is given: signal periods, signal periods a second, share of the torque limit.
PERIODS, PERIODS_A_SECOND, SHARE = 1.0, 100.0, 0.1


class _Answer(Series):
    """What step and ramp share."""

    __slots__ = ()

    @property
    def units(self):
        """Unit of each field that has one."""
        unit = self.axis.scale.unit
        torque, ratio = "N m" if unit == "rad" else "N", "1"
        kinds = {"position": unit, "velocity": f"{unit}/s", "load": torque}
        own = kinds[getattr(self, "of", "position")]
        answer = unit if getattr(self, "of", "") == "load" else own
        times = dict.fromkeys(("time", "rise_time", "settling_time"), "s")
        still = dict.fromkeys(("position", "error", "following_error", "largest_error"), unit)
        moving = dict.fromkeys(("velocity", "measured", "speed", "rate"), f"{unit}/s")
        forces = dict.fromkeys(("torque", "largest_torque"), torque)
        sizes = {"size": own, "demand": own, "final": answer, "largest": answer, "overshoot": ratio}
        return {**times, **still, **moving, **forces, **sizes}

    def plot(self, ax=None):
        """Draw position, velocity and torque against time.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Takes the main panel alone; without it the whole sheet is drawn on a new figure.

        Returns
        -------
        matplotlib.axes.Axes
        """
        from . import _figures

        return _figures.step(self, ax)


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
    """

    of: str
    time: np.ndarray
    demand: np.ndarray
    position: np.ndarray
    velocity: np.ndarray
    measured: np.ndarray
    torque: np.ndarray
    size: float
    final: float
    largest: float
    rise_time: float
    overshoot: float
    settling_time: float
    largest_torque: float
    speed: float
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
    """

    time: np.ndarray
    demand: np.ndarray
    position: np.ndarray
    velocity: np.ndarray
    measured: np.ndarray
    torque: np.ndarray
    error: np.ndarray
    rate: float
    following_error: float
    largest_error: float
    settling_time: float
    largest_torque: float
    speed: float
    valid: bool
    reasons: tuple[str, ...]
    axis: Axis = field(repr=False, metadata={"plain": False})


def step_response(axis, of="position", size=None, seconds=None, *, speed=0.0):
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
    """
    if of not in STEPS:
        _checks.refuse("step_response.of", f"be one of {', '.join(STEPS)}", of)
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


def ramp_response(axis, rate=None, seconds=None, *, speed=0.0):
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


def _size(name, value, unit):
    if not _checks.is_real(value) or not 1e-30 <= abs(float(value)) <= 1e30:
        _checks.refuse(name, "be a finite number other than zero", value, unit)
    return float(value)


def _usual(axis, of):
    """Height of a step where none is given."""
    limit = axis.control.torque_limit
    sizes = {
        "position": PERIODS * axis.scale.pitch,
        "velocity": PERIODS_A_SECOND * axis.scale.pitch,
        "load": 1.0 if limit is None else SHARE * limit,
    }
    return sizes[of]
