"""Responses of the linear closed loop to a step and to a ramp: rise, overshoot, settling, following error."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, ClassVar

import numpy as np

from .. import checks
from ..model.axis import Axis
from ..results import LOOP_EXAMPLE, Series, measured_in, picture, recorded
from . import loop as loops
from .linear_response import LinearResponse, deviation, rise

STEPS = ("position", "velocity", "load")
# Default sizes: signal periods, signal periods per second, share of the torque limit.
PERIODS, PERIODS_A_SECOND, SHARE = 1.0, 100.0, 0.1


class _Response(Series):
    """What step and ramp share."""

    __slots__ = ()

    # Step and ramp name the units of each other's fields too.
    part_units: ClassVar[dict[str, str]] = {
        **dict.fromkeys(("error", "following_error", "largest_error"), "position"),
        "rate": "position/s",
        "rise_time": "s",
        "size": "input",
        "final": "output",
        "largest": "output",
        "overshoot": "1",
    }

    def unit_words(self) -> dict[str, str]:
        """Units of the input and of the output, beside those of every result."""
        words = super().unit_words()
        of = getattr(self, "of", "position")
        kind = {"position": "position", "velocity": "position/s", "load": "force"}[of]
        return {**words, "input": words[kind], "output": words["position" if of == "load" else kind]}

    plot = picture(
        "figures.loop:step",
        "Draw position, velocity and torque (N m) or force (N) against time (s).",
        alone="Takes the first panel alone",
        example=LOOP_EXAMPLE + "ax = encsim.step_response(axis).plot()",
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class StepResponse(_Response):
    """Response of the linear loop to a step at the first sample.

    Attributes
    ----------
    of : {"position", "velocity", "load"}
        Input: position demand, velocity command with the position loop open, or torque on the load.
    time, demand : ndarray, shape (n,)
        Time of the samples, s, and the input.
    position, velocity : ndarray
        True position and velocity of the load, as deviations from the motion before.
    measured, torque : ndarray
        Velocity estimate and torque command of the controller, as such deviations.
    size : float
        Height of the step.
    final : float
        Final value of the position, or of the velocity for a velocity step; NaN if there is none.
    largest : float
        Largest value, for a step on the load the largest deviation; with its sign.
    rise_time : float
        Time from 10 % to 90 % of the final value, s; NaN if it is not reached, and for a step on the load.
    overshoot : float
        Overshoot as share of the final value; NaN for a step on the load.
    settling_time : float
        Time after which the response stays within 2 % of the final value, s; for a step on the load within 2 % of
        the largest deviation. NaN if the last sample is outside.
    largest_torque : float
        Largest magnitude of the torque command.
    speed : float
        Speed at which friction is linearised.
    valid : bool
    reasons : tuple of str
        Why a real axis would respond differently.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x_loop.toml")
    >>> encsim.step_response(axis).valid
    True
    """

    of: str
    time: np.ndarray = field(metadata=measured_in("s"))
    demand: np.ndarray = field(metadata=measured_in("input"))
    position: np.ndarray = field(metadata=measured_in("position"))
    velocity: np.ndarray = field(metadata=measured_in("position/s"))
    measured: np.ndarray = field(metadata=measured_in("position/s"))
    torque: np.ndarray = field(metadata=measured_in("force"))
    size: float = field(metadata=measured_in("input"))
    final: float = field(metadata=measured_in("output"))
    largest: float = field(metadata=measured_in("output"))
    rise_time: float = field(metadata=measured_in("s"))
    overshoot: float = field(metadata=measured_in("1"))
    settling_time: float = field(metadata=measured_in("s"))
    largest_torque: float = field(metadata=measured_in("force"))
    speed: float = field(metadata=measured_in("position/s"))
    valid: bool
    reasons: tuple[str, ...]
    axis: Axis = field(repr=False, metadata={"plain": False})


@dataclass(frozen=True, eq=False, kw_only=True)
class RampResponse(_Response):
    """Response of the linear loop to a position demand of constant speed.

    Attributes
    ----------
    time, demand, position, velocity, measured, torque
        As of a :class:`StepResponse`; the demand is a position.
    error : ndarray
        Following error: demand minus true position of the load.
    rate : float
        Speed of the ramp.
    following_error : float
        Final value of the following error.
    largest_error : float
        The following error of the largest magnitude, with its sign.
    settling_time : float
        Time after which the following error stays within 2 % of its largest magnitude around its final value, s; NaN
        if the last sample is outside.
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
    demand: np.ndarray = field(metadata=measured_in("input"))
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


@recorded
def step_response(
    axis: Axis,
    of: str = "position",
    size: float | None = None,
    seconds: float | None = None,
    *,
    speed: float = 0.0,
) -> StepResponse:
    """Response of the closed loop to a step.

    Parameters
    ----------
    axis : Axis
        With load and control.
    of : {"position", "velocity", "load"}
        Input: the position demand; the velocity command, with the position loop open; or a constant torque (force) on
        the load.
    size : float, optional
        Height of the step, m or rad, m/s or rad/s, N or N m. Without it one signal period, 100 signal periods a
        second, a tenth of the torque limit (1 where there is none). Where edges are timed it is reduced so that it
        changes the speed by at most 2 %.
    seconds : float, optional
        Length of the response, s. Without it until the slowest mode has decayed to 0.1 %.
    speed : float
        Speed at which friction is linearised, that notches with an order follow, and at which edges are timed,
        m/s or rad/s; an estimator that times edges requires it.

    Returns
    -------
    StepResponse

    Raises
    ------
    InputError
        If an argument is out of range, load or control is missing, a gain that the response needs is zero, an
        estimator that times edges gets less than one count per second at this speed, or the loop has more than 600
        states.

    Notes
    -----
    Exact for the discrete linear loop of `margins`. Encoder errors, quantisation, dry friction, cogging and limits are
    not included; `run` includes them. The feed-forwards do not act: a jump of the position demand has no velocity.

    Where edges are timed all values are deviations from the motion at ``speed``, and the response is that of the mean
    filter of the edges: the mean over steps that begin anywhere between two edges.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x_loop.toml")
    >>> response = encsim.step_response(axis, of="velocity")
    >>> round(100 * float(response.overshoot), 1)
    13.0
    """
    if of not in STEPS:
        checks.refuse("step_response.of", f"be one of {', '.join(STEPS)}", of)
    loop = LinearResponse("step_response", axis, speed, of)
    size = None if size is None else _size("step_response.size", size, loop.units[of])
    samples = loop.samples(seconds)
    unit = loop.step(of, samples)
    size = loop.default_size(_usual_size(axis, of), unit["actual"]) if size is None else size
    outputs = {name: size * values for name, values in unit.items()}
    main = outputs["actual" if of == "velocity" else "position"]
    final = size * loop.final(of)
    measures: dict[str, Any] = (
        deviation(main, final, loop.time) if of == "load" else rise(main, final, loop.time)
    )
    reasons = loop.reasons(outputs, size, "step")
    return StepResponse(
        of=of,
        time=loop.time,
        demand=np.full(samples, size),
        **loop.columns(outputs),
        size=size,
        final=final,
        **measures,
        speed=loop.speed,
        valid=not reasons,
        reasons=reasons,
        axis=axis,
    )


@recorded
def ramp_response(
    axis: Axis, rate: float | None = None, seconds: float | None = None, *, speed: float = 0.0
) -> RampResponse:
    """Response of the closed loop, at rest or at a working speed, to a position demand of constant speed.

    Parameters
    ----------
    axis : Axis
        With load and control.
    rate : float, optional
        Speed of the demand, m/s or rad/s; without it 100 signal periods per second, or less as for a step.
    seconds : float, optional
        Length of the response, s. Without it until the slowest mode has decayed to 0.1 %.
    speed : float
        Speed at which friction is linearised, that notches with an order follow, and at which edges are timed,
        m/s or rad/s; an estimator that times edges requires it.

    Returns
    -------
    RampResponse

    Raises
    ------
    InputError
        As by `step_response`.

    Notes
    -----
    The demand is ``rate t``; the velocity feed-forward acts from the first sample, the acceleration feed-forward does
    not act on a jump of the velocity. With an integral part the final following error is
    ``rate ((1 - velocity_feedforward)/position_gain - delay)``, with the mean delay of the readings.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x_loop.toml")
    >>> response = encsim.ramp_response(axis, 0.1)
    >>> round(1e6 * float(response.largest_error), 1)  # um
    166.1
    """
    loop = LinearResponse("ramp_response", axis, speed, "ramp")
    rate = None if rate is None else _size("ramp_response.rate", rate, loop.units["velocity"])
    samples = loop.samples(seconds)
    unit = loop.ramp(samples)
    rate = loop.default_size(_usual_size(axis, "velocity"), unit["actual"]) if rate is None else rate
    outputs = {name: rate * values for name, values in unit.items()}
    demand = rate * loop.time
    error, final = demand - outputs["position"], rate * loop.final("ramp")
    reasons = loop.reasons(outputs, rate, "ramp")
    measures = deviation(error, final, loop.time)
    return RampResponse(
        time=loop.time,
        demand=demand,
        **loop.columns(outputs),
        error=error,
        rate=rate,
        following_error=final,
        largest_error=measures["largest"],
        settling_time=measures["settling_time"],
        speed=loop.speed,
        valid=not reasons,
        reasons=reasons,
        axis=axis,
    )


def _size(name: str, value: float, unit: str) -> float:
    """A size as a float, checked."""
    if not checks.is_real(value) or not 1e-30 <= abs(float(value)) <= 1e30:
        checks.refuse(name, "be a finite number other than zero", value, unit)
    return float(value)


def _usual_size(axis: Axis, of: str) -> float:
    """Default height of a step."""
    limit = loops.closed(axis).control.torque_limit
    sizes = {
        "position": PERIODS * axis.scale.pitch,
        "velocity": PERIODS_A_SECOND * axis.scale.pitch,
        "load": 1.0 if limit is None else SHARE * limit,
    }
    return sizes[of]
