"""Where a prediction of ripple may not be believed, and why."""

import numpy as np

from . import causes, quadrature
from .limits import top_speed

TAU = quadrature.TAU


def find(axis, model, speed, squares, total):
    """Where the prediction may not be believed, and why."""
    unit = f"{axis.scale.unit}/s"
    top = top_speed(axis)
    how = axis.interpolation
    found = []
    if top.limit == "clipping":
        found.append(
            (np.ones(speed.shape, dtype=bool), "the converter clips the signals (interpolation.span)")
        )
    else:
        found.append((speed > top.speed, f"above the top speed {top.speed:.4g} {unit} ({top.limit})"))
    if not model.sound:
        found.append(
            (np.ones(speed.shape, dtype=bool), "the two channels do not go round zero at some speed")
        )
    if how.hysteresis > 0.0:
        found.append(
            (
                _unknown_hysteresis(model, speed),
                "hysteresis within reach of the noise has no closed form: "
                "the value is without hysteresis; simulate",
            )
        )
    found += _converter_doubts(axis, model, speed, squares, total)
    if model.method == "step" and how.factor is not None and how.factor < 40:
        found.append(
            (
                np.ones(speed.shape, dtype=bool),
                "fewer than 40 counts a period with an error that depends on speed: the step form is rough",
            )
        )
    if axis.signal.noise / axis.signal.amplitude > 0.1:
        found.append(
            (np.ones(speed.shape, dtype=bool), "channel noise above 0.1 of the amplitude is not small")
        )
    doubtful = np.zeros(speed.shape, dtype=bool)
    for there, _ in found:
        doubtful |= there
    return doubtful, tuple(reason for there, reason in found if there.any())


def _unknown_hysteresis(model, speed):
    unknown = np.zeros(speed.shape, dtype=bool)
    for _, seconds in causes.lags(model.axis):
        spread = np.sqrt(sum(model.spread(speed, seconds).values()) + 0.0 * speed)
        unknown |= model.held_still(speed / model.pitch * seconds, spread) == -1
    return unknown


def _converter_doubts(axis, model, speed, squares, total):
    """Converter steps that are not smoothed by jitter, where only white noise stands for them."""
    how = axis.interpolation
    if how.bits is None or model.method != "step":
        return []
    step = 2.0 * how.span / 2.0**how.bits / axis.signal.amplitude / TAU
    lag = axis.estimator.samples / axis.sampling.rate * speed / model.pitch
    jitter = np.hypot(axis.signal.jitter, speed * axis.sampling.jitter) / model.pitch
    rough = (np.hypot(jitter, axis.signal.noise / TAU) < 0.5 * step) & (squares["adc"] > 0.02 * total)
    return [(rough & (lag < 10.0 * step), "converter steps not smoothed by jitter, taken as white noise")]
