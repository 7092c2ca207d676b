"""The linear closed loop and its response to a step or a ramp: length, outputs, final value, measures, reasons."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any, NoReturn

import numpy as np

from .. import checks
from ..doubts import Doubt
from ..model.axis import Axis, check_axis
from ..model.delays import reading_delay
from ..units import speed_in_si
from . import loop as loops
from .state_space import Assembly, Matrices, estimator_matrices, inside
from .timed_edges import few_edges

# Rise time is taken between these shares of the final value, settling time to within SETTLED of it.
RISE, SETTLED = (0.1, 0.9), 0.02
# Without a length: until the slowest mode has decayed to this share, or an unstable one has grown by its inverse.
LEFT = 1e-3
# An unstable response is cut off at this multiple of its start.
BEYOND = 1e60
SHORTEST, LONGEST, MOST_NUMBERS = 64, 1 << 17, 1 << 26
# Where edges are timed: largest change of the speed for the mean filter to apply, and the change by a default step.
LARGEST_CHANGE, DEFAULT_CHANGE = 0.1, 0.02
FREQUENCIES = 4096


PARTS = ("loop", "plant", "estimator")


class LinearObjects:
    """The linear loop of a result and its parts as objects of other libraries; the result knows axis and speed."""

    axis: Axis
    speed: float

    def to_control(self, part: str = "loop") -> Any:
        """The loop or a part of it as a discrete object of python-control.

        Parameters
        ----------
        part : {"loop", "plant", "estimator"}
            The loop gain L, broken at the torque command (S = 1/(1 + L)); the plant from the torque command to the
            position that the controller reads, with all delays; the estimator from that position to the velocity.

        Returns
        -------
        control.StateSpace
            SI, sampled at the loop rate; its frequency response is that of `margins`.

        Raises
        ------
        InputError
            If the part is none of these, or edges are timed: that is no linear filter of sampled positions.
        ModuleNotFoundError
            If python-control is not installed; `to_scipy` needs nothing more.

        Examples
        --------
        >>> import encsim
        >>> axis = encsim.load("stage_x_loop.toml")
        >>> loop = encsim.margins(axis).to_control()
        >>> loop.dt
        6.25e-05
        """
        import control

        return control.ss(*_matrices(self.axis, self.speed, part), 1.0 / self.axis.sampling.rate)

    def to_scipy(self, part: str = "loop") -> Any:
        """The same as :meth:`to_control` as ``scipy.signal.dlti``.

        Parameters
        ----------
        part : {"loop", "plant", "estimator"}
            As of :meth:`to_control`.

        Returns
        -------
        scipy.signal.dlti
            In state-space form.

        Raises
        ------
        InputError
            As by :meth:`to_control`.

        Examples
        --------
        >>> import encsim
        >>> axis = encsim.load("stage_x_loop.toml")
        >>> encsim.margins(axis).to_scipy("estimator").poles.size
        1
        """
        from scipy.signal import StateSpace

        return StateSpace(*_matrices(self.axis, self.speed, part), dt=1.0 / self.axis.sampling.rate)


def _matrices(axis: Axis, speed: float, part: str) -> Matrices:
    """A, B, C, D of the loop or a part of it."""
    if part not in PARTS:
        checks.refuse("margins.part", f"be one of {', '.join(PARTS)}", part)
    if not axis.estimator.linear:
        rule = "be one of sampled positions: one that times edges is no linear filter of them"
        checks.refuse("Axis.estimator", rule, axis.estimator.kind)
    built = loops.build(axis, speed)
    if part == "estimator":
        return estimator_matrices(built)
    assembly = Assembly(built)
    if assembly.order > loops.LARGEST_ORDER:
        _refuse_order("margins", axis, assembly.order)
    return assembly.opened("torque" if part == "loop" else "reading")


class LinearResponse:
    """The linear loop of an axis and its responses to unit inputs."""

    def __init__(self, owner: str, axis: Axis, speed: float, of: str) -> None:
        check_axis(f"{owner}.axis", axis)
        unit = axis.scale.unit
        speed = speed_in_si(f"{owner}.speed", speed, unit)
        if not checks.is_real(speed):
            checks.refuse(f"{owner}.speed", "be a finite number", speed, f"{unit}/s")
        self.owner, self.axis, self.speed = owner, axis, float(speed)
        self.units = {"position": unit, "velocity": f"{unit}/s", "load": "N m" if unit == "rad" else "N"}
        self.size_unit = self.units.get(of, self.units["velocity"])
        self.load, control = _closed(axis, of)
        self.control = replace(control, position_gain=0.0) if of == "velocity" else control
        self.loop = loops.build(replace(axis, control=self.control), self.speed)
        assembly = Assembly(self.loop)
        if assembly.order > loops.LARGEST_ORDER:
            _refuse_order(owner, axis, assembly.order)
        self.order, self.poles = assembly.order, assembly.closed().poles()
        self.stable = bool(inside(self.poles).all())
        self.driven = assembly.driven()

    def samples(self, seconds: float | None) -> int:
        """Number of samples; sets their times."""
        rate, most = self.axis.sampling.rate, MOST_NUMBERS // (self.order + 1)
        if seconds is None:
            samples = min(_until_settled(self.poles), most)
        elif not checks.is_real(seconds) or not 2.0 <= seconds * rate <= most:
            rule = f"make 2 to {most} samples of the loop at {rate:g} Hz"
            checks.refuse(f"{self.owner}.seconds", rule, seconds, "s")
        else:
            samples = min(round(seconds * rate), _until_cut(self.poles))
        self.time = np.arange(samples) / rate
        return samples

    def default_size(self, usual: float, velocity: np.ndarray) -> float:
        """The usual size, or less where the response would change the delay of timed edges."""
        change = float(np.abs(velocity).max())
        if self.axis.estimator.linear or change == 0.0 or not self.stable:
            return usual
        most = DEFAULT_CHANGE * abs(self.speed) / change
        return min(usual, float(f"{most:.1e}"))

    def step(self, of: str, samples: int) -> dict[str, np.ndarray]:
        """Outputs for a unit step."""
        if of == "load":
            return self.driven.step("load_torque", samples)
        outputs = self.driven.step("command", samples)
        gain = self.control.position_gain if of == "position" else 1.0
        return {name: gain * values for name, values in outputs.items()}

    def ramp(self, samples: int) -> dict[str, np.ndarray]:
        """Outputs for a unit ramp: the sum of the responses to all its steps."""
        gain = self.control.position_gain / self.axis.sampling.rate
        feedforward = self.control.velocity_feedforward
        outputs = self.driven.step("command", samples)
        with np.errstate(over="ignore", invalid="ignore"):
            return {
                name: gain * (np.cumsum(values) - values) + feedforward * values
                for name, values in outputs.items()
            }

    def columns(self, outputs: dict[str, np.ndarray]) -> dict[str, Any]:
        """Fields of the result that are read from the outputs."""
        return {
            "position": outputs["position"],
            "velocity": outputs["actual"],
            "measured": outputs["measured"],
            "torque": outputs["torque"],
            "largest_torque": float(np.abs(outputs["torque"]).max()),
        }

    def final(self, of: str) -> float:
        """Final value for a unit step or ramp, from the balance of torques at rest or in steady motion."""
        if not self.stable:
            return math.nan
        control, load = self.control, self.load
        gain, drag = control.velocity_gain, load.friction_slope(self.speed)
        integral_time = control.integral_time
        # share of a held torque that no integral part takes over
        held = 1.0 if integral_time is None else 0.0
        if of == "position":
            return 1.0
        if of == "velocity":
            return gain / (gain + held * drag)
        twist = 1.0 / load.stiffness if load.stiffness is not None and load.encoder == "motor" else 0.0
        if of == "ramp":
            lag = (1.0 - control.velocity_feedforward + held * drag / gain) / control.position_gain
            return lag - reading_delay(self.axis) + drag * twist
        if control.position_gain:
            return twist + held / (gain * control.position_gain)
        return math.nan if integral_time is None else twist + integral_time / gain

    def reasons(self, outputs: dict[str, np.ndarray], size: float, what: str) -> tuple[Doubt, ...]:
        """Why a real axis would respond differently."""
        control, load, unit = self.control, self.load, self.units["load"]
        reasons = [] if self.stable else [Doubt("unstable_run")]
        largest = float(np.abs(outputs["torque"]).max())
        holding = abs(load.viscous * self.speed - load.force) + (load.coulomb if self.speed else 0.0)
        room = math.inf if control.torque_limit is None else control.torque_limit - holding
        if self.stable and largest > room:
            below = f"; a {what} up to {abs(size) * room / largest:.3g} {self.size_unit} stays below"
            limits: dict[str, Any] = {"limit": control.torque_limit, "below": below if room > 0.0 else ""}
            reasons.append(Doubt("torque_exceeds", torque=largest + holding, unit=unit, **limits))
        dry = load.coulomb + load.stribeck
        if not self.speed and dry > 0.1 * largest:
            reasons.append(Doubt("friction_left_out", friction=dry, torque=largest, unit=unit))
        return (*reasons, *self._edge_reasons(float(np.abs(outputs["actual"]).max()), size, what))

    def _edge_reasons(self, change: float, size: float, what: str) -> tuple[Doubt, ...]:
        """Why the mean filter of timed edges does not apply: too few edges, or their delay changes."""
        if self.axis.estimator.linear:
            return ()
        from .squared_gains import crossover_of  # stability, which it loads, needs this module

        frequency = np.geomspace(1e-6, 0.5, FREQUENCIES) * self.loop.rate
        crossover = crossover_of(frequency, np.abs(self.loop.open_gain(frequency)))
        reasons = few_edges(self.loop.estimator, self.loop.rate, crossover)
        share = change / abs(self.speed)
        if share > LARGEST_CHANGE and self.stable:
            most: dict[str, Any] = {
                "what": what,
                "most": abs(size) * LARGEST_CHANGE / share,
                "unit": self.size_unit,
            }
            least = 100.0 * LARGEST_CHANGE
            reasons += (Doubt("answer_changes_age", percent=100.0 * share, least=least, **most),)
        return reasons


def _closed(axis: Axis, of: str) -> loops.LoopParts:
    """Load and control of an axis whose gains are not zero where the response needs them."""
    parts = loops.closed(axis)
    for name in ("velocity_gain", "position_gain"):
        if getattr(parts.control, name) == 0.0 and (name == "velocity_gain" or of in ("position", "ramp")):
            checks.refuse(f"Control.{name}", "be greater than zero: nothing else follows the demand", 0.0)
    return parts


def _refuse_order(owner: str, axis: Axis, order: int) -> NoReturn:
    """Refuse a loop of too many states."""
    less = "estimator" if axis.estimator.linear else "window, or a higher speed"
    rule = f"make a loop of up to {loops.LARGEST_ORDER} states: a shorter delay, latency or {less}"
    hint = "a run has no such bound" if not axis.estimator.linear else ""
    checks.refuse(f"{owner}.axis", rule, order, "states", hint=hint)


def _until_settled(poles: np.ndarray) -> int:
    """Samples until the slowest mode has decayed, or an unstable one has grown."""
    radius = float(np.abs(1.0 + poles).max(initial=0.0))
    if radius == 0.0 or radius == 1.0:
        return SHORTEST
    return int(min(max(math.ceil(abs(math.log(LEFT) / math.log(radius))), SHORTEST), LONGEST))


def _until_cut(poles: np.ndarray) -> int:
    """Samples until an unstable mode is cut off; no limit for a stable loop."""
    radius = float(np.abs(1.0 + poles).max(initial=0.0))
    return max(int(math.log(BEYOND) / math.log(radius)), 2) if radius > 1.0 else 1 << 62


def rise(values: np.ndarray, final: float, time: np.ndarray) -> dict[str, float]:
    """Measures of a response that rises to a final value."""
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
    """Measures of a deviation that decays."""
    size = np.abs(values)
    largest = float(values[int(np.argmax(size))])
    return {
        "largest": largest,
        "rise_time": math.nan,
        "overshoot": math.nan,
        "settling_time": _settled(np.abs(values - final) <= SETTLED * abs(largest), time),
    }


def _reached(share: np.ndarray, part: float, time: np.ndarray) -> float:
    """Time of the first crossing of a share of the final value, by linear interpolation; NaN if there is none."""
    above = np.flatnonzero(share >= part)
    if not len(above):
        return math.nan
    k = int(above[0])
    if k == 0:
        return float(time[0])
    return float(time[k] - (time[k] - time[k - 1]) * (share[k] - part) / (share[k] - share[k - 1]))


def _settled(within: np.ndarray, time: np.ndarray) -> float:
    """Time of the first sample from which on all samples are within; NaN if the last is not."""
    outside = np.flatnonzero(~within)
    if not len(outside):
        return float(time[0])
    return math.nan if outside[-1] == len(time) - 1 else float(time[outside[-1] + 1])
