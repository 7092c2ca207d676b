"""Pieces of recordings at nearly constant speed, and what an encoder error and a disturbing torque make of each.

A piece holds ``z``: the measured position less the response to the recorded torque (then z = e + P d, whatever the
loop does), or the position alone, where the loop (S) answers for the rest.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from .. import checks, wording
from ..calibration import angle_fit
from ..calibration.angle_fit import TAU
from ..checks import InputError
from ..closed_loop import loop as loops
from ..closed_loop import plant
from ..model import delays
from ..model.load_and_control import Control
from . import smooth_motion

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from ..model.axis import Axis
    from ..model.load_and_control import Load
    from .capture import Capture


# A piece ends where the speed leaves this band about its mean, and is used from this length on.
BAND = 0.25
FEWEST = 400
# Highest degree of slow motion in a piece; free motion that decays within this many samples is left out.
LARGEST_DEGREE = 6
QUICK = 20.0
# Positions in counts so coarse that an order turns by this angle within one are smoothed for use as an angle.
COARSE = 0.1
SMOOTHED_COUNTS = 8.0
# A jump is this many times the usual second difference; at most this share of the samples are jumps.
JUMP, FEW_JUMPS = 20.0, 0.01


@dataclass(frozen=True, slots=True, eq=False)
class SteadyPiece:
    """Measured position and torque at nearly constant speed.

    ``source`` is the number of the recording; ``basis`` spans slow and free motion; ``torque`` and ``velocity`` are
    None where the recording has none.
    """

    source: int
    rate: float
    speed: float
    position: np.ndarray
    torque: np.ndarray | None
    velocity: np.ndarray | None
    z: np.ndarray
    basis: np.ndarray
    # uncertainty of a component of a wave by rounding that repeats
    rounding: float
    # angle of the measured position, and the error and noise of the encoder in it as far as they are known
    shown: np.ndarray
    error: np.ndarray | float = 0.0
    # angle from the common origin to that of the recording
    origin: float = 0.0

    @property
    def theta(self) -> np.ndarray:
        """Angle of the true position."""
        return np.asarray(self.shown - self.error + self.origin)


@contextmanager
def named(owner: str, place: int) -> Iterator[None]:
    """Faults of one recording are told as those of ``owner[place]``."""
    try:
        yield
    except InputError as error:
        faults = [
            replace(one, field=f"{owner}[{place}]")
            if one.field.startswith(("Capture", "compare.capture"))
            else one
            for one in error.faults
        ]
        raise InputError(*faults) from None


def cut(captures: list[Capture], axis: Axis) -> list[SteadyPiece]:
    """All pieces of some recordings."""
    pieces = []
    for source, capture in enumerate(captures):
        position, rate = in_position_unit(capture, axis), sampled_at(capture, axis)
        torque = in_torque_unit(capture, axis)
        for part in _even_parts(position, rate):
            columns = (None if row is None else row[part] for row in (torque, capture.velocity))
            pieces.append(_piece(source, rate, axis, position[part], *columns))
    return pieces


def in_position_unit(capture: Capture, axis: Axis) -> np.ndarray:
    """Positions that the controller reads, m or rad; channels are decoded."""
    check_unit(capture, "position", axis.scale.unit)
    if capture.kind == "channels" and capture.cosine is not None and capture.sine is not None:
        turns = np.unwrap(np.arctan2(capture.sine, capture.cosine)) / TAU
        factor = axis.interpolation.factor
        return axis.scale.pitch * (turns if factor is None else np.rint(turns * factor) / factor)
    if capture.kind == "counts" and not axis.resolution:
        checks.refuse("Interpolation.factor", "be given: it is the number of counts per period", None)
    return smooth_motion.positions(capture, axis.resolution)


def check_unit(capture: Capture, name: str, unit: str) -> None:
    """Refuse a recording of another kind of axis."""
    given = capture.units.get(name, unit)
    if given != unit:
        checks.refuse("Capture.units", f"be those of the axis, {unit} for its {name}", given)


def sampled_at(capture: Capture, axis: Axis) -> float:
    """Sampling rate of a recording, Hz; that of the axis where the recording does not say it."""
    if capture.time is not None and np.ptp(capture.time):
        return (capture.samples - 1) / float(np.ptp(capture.time))
    return axis.sampling.rate if capture.rate is None else float(capture.rate)


def jumps(position: np.ndarray, axis: Axis) -> Iterator[str]:
    """Where a position jumps as no motion does: a second difference far above all others."""
    bend = np.abs(np.diff(position, 2))
    usual = max(
        1.5 * float(np.median(bend)), axis.resolution or float(np.min(bend[bend > 0.0], initial=np.inf))
    )
    there = np.flatnonzero(bend > JUMP * usual)
    # More of them are a motion that changes its speed.
    if 0 < len(there) < FEW_JUMPS * len(bend):
        size = wording.quantity(float(bend[there].max()), axis.scale.unit)
        yield (
            f"the position jumps by up to {size}, first at sample {there[0] + 2}: rows are missing or a number is wrong"
        )


def jumped(captures: Sequence[Capture], axis: Axis) -> tuple[str, ...]:
    """Where positions of some recordings jump, with the number of the recording if there are several."""
    return tuple(
        f"recording {place}: {told}" if len(captures) > 1 else told
        for place, capture in enumerate(captures, 1)
        if capture.kind != "velocity"
        for told in jumps(in_position_unit(capture, axis), axis)
    )


def in_torque_unit(capture: Capture, axis: Axis) -> np.ndarray | None:
    """Torque command, N m or N; a current times the torque constant, None where that is not known."""
    if capture.torque is None or axis.load is None:
        return None
    if capture.units.get("torque") != "A":
        check_unit(capture, "torque", "N m" if axis.scale.unit == "rad" else "N")
        return capture.torque
    constant = axis.load.torque_constant
    return None if constant is None else capture.torque * constant


def _even_parts(position: np.ndarray, rate: float) -> list[slice]:
    """Slices in which the speed stays near its mean."""
    count = len(position)
    # Windows of a twentieth of a second, or some periods, show the speed without its ripple.
    size = max(FEWEST // 8, round(0.05 * rate))
    edges = np.arange(0, count - size + 1, size)
    if len(edges) < 2:
        return [slice(0, count)] if count >= FEWEST and position[-1] != position[0] else []
    speeds = (position[edges[1:]] - position[edges[:-1]]) * (rate / size)
    parts, first = [], 0
    for k in range(1, len(speeds) + 1):
        mean = float(np.mean(speeds[first:k]))
        if k == len(speeds) or abs(speeds[k] - mean) > BAND * abs(mean):
            end = count if k == len(speeds) else int(edges[k])
            if end - edges[first] >= FEWEST and mean:
                parts.append(slice(int(edges[first]), end))
            first = k
    return parts


def _piece(
    source: int,
    rate: float,
    axis: Axis,
    position: np.ndarray,
    torque: np.ndarray | None,
    velocity: np.ndarray | None,
) -> SteadyPiece:
    """One piece with what is slow in it and what the recorded torque makes."""
    time = np.arange(len(position)) / rate
    speed = float(np.polyfit(time, position, 1)[0])
    turns = abs(speed) * time[-1] / (TAU if axis.scale.unit == "rad" else axis.scale.pitch)
    degree = int(min(LARGEST_DEGREE, max(2.0, turns)))
    columns, z = [angle_fit.slow_basis(time, degree)], position
    if torque is not None and axis.load is not None:
        z = position - response_to_torque(torque, axis, rate, speed)
        columns.append(free_motion(axis, rate, speed, len(position)))
    basis = angle_fit.orthonormal(np.column_stack(columns))
    theta = angle_scale(axis) * _unrounded(position, speed / rate, axis)
    rounding = 0.0
    if axis.resolution or axis.interpolation.bits:
        orders = TAU / (axis.scale.pitch * angle_scale(axis)) * np.arange(1.0, smooth_motion.HARMONICS + 1.0)
        fit = angle_fit.fit_waves(position, theta, list(orders), basis, noise=False)
        rounding = repeated_rounding(fit.slow, fit.residual, axis)
    return SteadyPiece(source, rate, speed, position, torque, velocity, z, basis, rounding, theta)


def repeated_rounding(slow: np.ndarray, residual: np.ndarray, axis: Axis) -> float:
    """Uncertainty of a component of a wave by counts and by the converter, whose errors repeat at few phases."""
    # Where the samples meet all phases low harmonics get next to nothing of the converter: its error is the derivative
    # of a wave no larger than (step/amplitude)**2/8 rad.
    counts, bits, converter = axis.resolution, axis.interpolation.bits, 0.0
    if bits is not None:
        step = 2.0 * axis.interpolation.span / 2.0**bits / axis.signal.amplitude
        converter = axis.scale.pitch / TAU * step
    parts = [
        smooth_motion.repeated_rounding(slow, residual, axis.scale.pitch, step, beside=beside)
        for step, beside in ((counts, converter), (converter, counts))
        if step
    ]
    return float(np.hypot.reduce(parts)) if parts else 0.0


def angle_scale(axis: Axis) -> float:
    """Angle per position: orders are per revolution on a rotary axis and per metre on a linear one."""
    return 1.0 if axis.scale.unit == "rad" else TAU


def _unrounded(position: np.ndarray, step: float, axis: Axis) -> np.ndarray:
    """Positions for use as an angle; coarse counts are smoothed over some of them."""
    if axis.resolution * TAU / axis.scale.pitch < COARSE or not step:
        return position
    from scipy.signal import savgol_filter

    window = 2 * int(SMOOTHED_COUNTS * axis.resolution / abs(step)) + 1
    window = min(window, 2 * ((len(position) - 1) // 2) - 1)
    return position if window < 5 else savgol_filter(position, window, 2)


def _discrete(axis: Axis, rate: float, speed: float) -> plant.Plant:
    """The plant between torque command and measured position, or torque alone where there is no control."""
    assert axis.load is not None
    control = axis.control or Control(0.0, 0.0)
    return plant.discretise(axis.load, control, rate, lags=delays.reading_delays(axis), speed=speed)


def response_to_torque(torque: np.ndarray, axis: Axis, rate: float, speed: float) -> np.ndarray:
    """Measured position that a torque command makes, from rest."""
    from scipy.signal import lfilter

    machine = _discrete(axis, rate, speed)
    poles = _characteristic(machine)
    reach = len(poles) + machine.remembered + max(reading.back for reading in machine.readings) + 1
    return np.asarray(lfilter(np.convolve(poles, _impulse(machine, reach))[:reach], poles, torque))


def _characteristic(machine: plant.Plant) -> np.ndarray:
    """Characteristic polynomial in falling powers of z."""
    return np.real(np.poly(np.eye(len(machine.states)) + machine.increment))


def _impulse(machine: plant.Plant, count: int) -> np.ndarray:
    """Measured positions after a torque command of one sample."""
    command = np.zeros(count + machine.delay + 2)
    zero = machine.delay + 1
    command[zero] = 1.0
    states = np.zeros((count + 1, len(machine.states)))
    out = np.zeros(count)
    for k in range(count):
        newer, older = command[zero + k - machine.delay], command[zero + k - machine.delay - 1]
        states[k + 1] = (
            states[k] + machine.increment @ states[k] + machine.newer * newer + machine.older * older
        )
    for k in range(count):
        for reading in machine.readings:
            back = k - reading.back
            if back >= 0:
                newer, older = command[zero + back - machine.delay], command[zero + back - machine.delay - 1]
                out[k] += reading.row @ states[back] + reading.newer * newer + reading.older * older
    return out


def free_motion(axis: Axis, rate: float, speed: float, count: int) -> np.ndarray:
    """Free motion of the plant that decays during a piece or swings in it, shape (n, modes)."""
    machine = _discrete(axis, rate, speed)
    poles = np.linalg.eigvals(np.eye(len(machine.states)) + machine.increment)
    poles = poles[
        ((np.abs(poles) < 1.0 - 1.0 / count) | (np.angle(poles) * count > 1.0))
        & (np.abs(poles) > np.exp(-1.0 / QUICK))
        & (poles.imag >= 0.0)
    ]
    modes = poles[None, :] ** np.arange(count)[:, None]
    parts = [modes.real, modes.imag[:, np.abs(poles.imag) > 0.0]]
    return np.concatenate(parts, axis=1)


def response_to_disturbance(waves: np.ndarray, axis: Axis, rate: float, speed: float) -> np.ndarray:
    """Position at the encoder that torques on the motor make, from rest; ``waves`` at the middle of each period."""
    from scipy.signal import lfilter

    machine = _discrete(axis, rate, speed)
    poles, reach = _characteristic(machine), len(machine.states) + 1
    state, out = machine.motor_torque.copy(), np.zeros(reach)
    for k in range(1, reach):
        out[k] = machine.encoder @ state
        state = state + machine.increment @ state
    return np.asarray(lfilter(np.convolve(poles, out)[:reach], poles, waves, axis=0))


def compliance(load: Load, frequency: np.ndarray, speed: float) -> np.ndarray:
    """Position at the encoder per torque on the motor, complex, at frequencies in Hz."""
    s = 2j * np.pi * np.asarray(frequency, dtype=float)
    friction = load.friction_slope(speed)
    if load.stiffness is None or load.motor_inertia is None:
        return np.asarray(1.0 / (s * (load.total_inertia * s + friction)))
    spring, side = load.stiffness + load.damping * s, s * (load.inertia * s + friction)
    motor = (side + spring) / ((load.motor_inertia * s * s + spring) * (side + spring) - spring**2)
    return np.asarray(motor if load.encoder == "motor" else motor * spring / (side + spring))


def sensitivity(axis: Axis, frequency: np.ndarray, speed: float) -> np.ndarray:
    """Share of an encoder error or disturbed position that the loop leaves, complex; 1 without a controller."""
    if axis.control is None or axis.load is None:
        return np.ones(np.shape(frequency), dtype=complex)
    return np.asarray(loops.build(axis, speed).response(frequency).sensitivity)


def owner_gains(piece: SteadyPiece, orders: np.ndarray, axis: Axis) -> np.ndarray:
    """Waves in z per error of the encoder and per torque on the motor, complex, shape (2, o)."""
    assert axis.load is not None
    frequency = orders * piece.speed * angle_scale(axis) / TAU
    left = np.ones(len(orders)) if piece.torque is not None else sensitivity(axis, frequency, piece.speed)
    return np.stack([left, left * compliance(axis.load, frequency, piece.speed)])
