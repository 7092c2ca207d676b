"""Checks of a demand: top speed, jumps, torque; and the motion compared with it: sticking, rms of the difference."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .. import checks
from ..closed_loop import loop
from ..doubts import Doubt
from ..open_loop import limits

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..model.load_and_control import Load

# Shares of the largest demanded velocity: below RESTS the load is at rest, above SLOW it should move.
RESTS, SLOW = 1e-3, 1e-2


def check_demand(axis: Axis, demand: np.ndarray, time: np.ndarray) -> None:
    """Refuse a demand (rows: position, velocity, acceleration) that jumps or exceeds the top speed."""
    unit, top = axis.scale.unit, limits.top_speed(axis)
    if not np.isfinite(demand).all():
        checks.refuse("run.speed", "be a demand of finite positions", float("nan"), unit)
    k = int(np.abs(demand[1]).argmax())
    fastest = abs(float(demand[1, k]))
    if np.ptp(demand[1]) > 0.0 and top.limit != "clipping" and fastest > top.speed:
        rule = f"stay below the top speed {top.speed:.4g} {unit}/s ({top.limit}), also at {time[k]:.4g} s"
        checks.refuse("run.speed", rule, fastest, f"{unit}/s")
    step = np.abs(np.diff(demand[0])) - 1.001 * fastest / axis.sampling.rate
    # A smooth demand moves no further in one loop period than at its top speed.
    if step.max(initial=0.0) > 1e-9 * np.abs(demand[0]).max(initial=1e-30):
        k = int(step.argmax())
        rule = f"be a demand without jumps, also at {time[k + 1]:.4g} s"
        checks.refuse("run.speed", rule, float(np.diff(demand[0])[k]), unit)


def beyond_torque(axis: Axis, demand: np.ndarray, time: np.ndarray) -> tuple[Doubt, ...]:
    """A doubt if the demand needs more torque than the limit."""
    load, control = loop.closed(axis)
    limit = control.torque_limit
    if limit is None:
        return ()
    drag = load.viscous * demand[1] + load.coulomb * np.sign(demand[1])
    torque = np.abs(load.total_inertia * demand[2] + drag - load.force)
    k = int(torque.argmax())
    if torque[k] <= limit:
        return ()
    unit = "N m" if axis.scale.unit == "rad" else "N"
    return (Doubt("demand_exceeds_torque", torque=torque[k], unit=unit, time=time[k], limit=limit),)


def sticking(load: Load, demand: np.ndarray, velocity: np.ndarray) -> float:
    """Share of the time in which dry friction holds the load while the demand moves."""
    fastest = float(np.abs(demand).max(initial=0.0))
    if not (load.coulomb or load.stribeck) or not fastest:
        return 0.0
    return float(np.mean((np.abs(demand) > SLOW * fastest) & (np.abs(velocity) < RESTS * fastest)))


def rms_about(out: np.ndarray, demand: np.ndarray) -> dict[str, float]:
    """Rms about the mean of velocities and position minus the demand of a profile."""
    values = {"position": out[1] - demand[0], "actual": out[2] - demand[1], "measured": out[3] - demand[1]}
    return {name: float(np.std(value)) for name, value in values.items()}
