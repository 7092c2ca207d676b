"""A demand of motion beside what an axis can do and does: limits, jumps, torque, sticking."""

import numpy as np

from . import _checks, limits

# A load rests below the one share of its fastest demand; it should move where the demand is above the other.
RESTS, SLOW = 1e-3, 1e-2


def check(axis, demand, time):
    """Refuse a demand, rows of position, velocity, acceleration, that jumps or is beyond the top speed."""
    unit, top = axis.scale.unit, limits.top_speed(axis)
    if not np.isfinite(demand).all():
        _checks.refuse("run.speed", "be a demand of finite positions", float("nan"), unit)
    k = int(np.abs(demand[1]).argmax())
    fastest = abs(float(demand[1, k]))
    if np.ptp(demand[1]) > 0.0 and top.limit != "clipping" and fastest > top.speed:
        rule = f"stay below the top speed {top.speed:.4g} {unit}/s ({top.limit}), also at {time[k]:.4g} s"
        _checks.refuse("run.speed", rule, fastest, f"{unit}/s")
    step = np.abs(np.diff(demand[0])) - 1.001 * fastest / axis.sampling.rate
    # a smooth demand moves no further in a period than at its fastest
    if step.max(initial=0.0) > 1e-9 * np.abs(demand[0]).max(initial=1e-30):
        k = int(step.argmax())
        rule = f"be a demand without jumps, also at {time[k + 1]:.4g} s"
        _checks.refuse("run.speed", rule, float(np.diff(demand[0])[k]), unit)


def beyond_torque(axis, demand, time):
    """A reason for doubt where the demand asks for more torque than there is, else none."""
    load, limit = axis.load, axis.control.torque_limit
    if limit is None:
        return ()
    drag = load.viscous * demand[1] + load.coulomb * np.sign(demand[1])
    torque = np.abs(load.total_inertia * demand[2] + drag - load.force)
    k = int(torque.argmax())
    if torque[k] <= limit:
        return ()
    unit = "N m" if axis.scale.unit == "rad" else "N"
    return (
        f"the demand asks for {torque[k]:.4g} {unit} at {time[k]:.4g} s, more than the torque limit {limit:.4g} {unit}",
    )


def sticking(load, demand, velocity):
    """Share of the time in which a load with dry friction rests though the demanded velocity says move."""
    fastest = float(np.abs(demand).max(initial=0.0))
    if not (load.coulomb or load.stribeck) or not fastest:
        return 0.0
    return float(np.mean((np.abs(demand) > SLOW * fastest) & (np.abs(velocity) < RESTS * fastest)))


def rms_about(out, demand):
    """Rms of velocities and position of a profile, about the mean of what they differ from the demand."""
    values = {"position": out[1] - demand[0], "actual": out[2] - demand[1], "measured": out[3] - demand[1]}
    return {name: float(np.std(value)) for name, value in values.items()}
