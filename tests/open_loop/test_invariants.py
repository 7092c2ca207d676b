"""What changes nothing: units, the direction, a scaling of length and time together, and a way through a file."""

import dataclasses

import numpy as np
import pytest
from random_axes import pair

import encsim
from encsim.formats import axis_file
from encsim.model import axis_text

# Powers of two: only the library's own rounding can differ.
LONGER, FASTER = 4.0, 0.5


def close(one, other, tolerance=1e-12):
    np.testing.assert_allclose(one, other, rtol=tolerance, atol=0.0)


def drawn(count):
    """Random axes, each with a speed."""
    return [pair(seed) for seed in range(count)]


def scaled(axis):
    """A linear axis LONGER times as long and FASTER times as fast in all that has a length or a time."""
    signal, sampling, estimator = axis.signal, axis.sampling, axis.estimator
    fields = {field.name: field.metadata.get("dimension") for field in dataclasses.fields(estimator)}
    powers = {
        "frequency": FASTER,
        "time": 1.0 / FASTER,
        "position": LONGER,
        "acceleration": LONGER * FASTER**2,
    }
    sizes = {name: getattr(estimator, name) * powers[kind] for name, kind in fields.items()
             if kind in powers and getattr(estimator, name) is not None}  # fmt: skip
    width = signal.jitter_bandwidth and signal.jitter_bandwidth * FASTER
    band = signal.bandwidth and signal.bandwidth * FASTER
    sde = {order: (size * LONGER, turn) for order, (size, turn) in signal.sde.items()}
    edges = dataclasses.replace(
        axis.interpolation,
        edge_separation=axis.interpolation.edge_separation / FASTER,
        edge_clock=axis.interpolation.edge_clock and axis.interpolation.edge_clock * FASTER,
    )
    return dataclasses.replace(
        axis,
        scale=encsim.Scale(period=axis.scale.period * LONGER),
        signal=dataclasses.replace(
            signal,
            jitter=signal.jitter * LONGER,
            jitter_bandwidth=width,
            bandwidth=band,
            sde=sde,
            skew=signal.skew / FASTER,
        ),
        interpolation=edges,
        sampling=dataclasses.replace(
            sampling,
            rate=sampling.rate * FASTER,
            jitter=sampling.jitter / FASTER,
            latency=sampling.latency / FASTER,
            encoder_rate=sampling.encoder_rate and sampling.encoder_rate * FASTER,
        ),
        estimator=dataclasses.replace(estimator, **sizes),
    )


def test_length_and_time_scaled_together_change_nothing(cases):
    tried = 0
    for axis, speed in drawn(cases(12, 300)):
        if axis.scale.unit != "m":
            continue
        tried += 1
        one = encsim.ripple(axis, [speed])
        other = encsim.ripple(scaled(axis), [speed * LONGER * FASTER])
        close(one.rms * LONGER * FASTER, other.rms, 1e-9)
        assert one.valid == other.valid
    assert tried > 2


def test_a_closed_loop_scaled_in_length_and_time_changes_nothing():
    axis = encsim.examples.load("stage_x_loop")
    rate, delay = FASTER, 1.0 / FASTER  # forces at the same mass: LONGER FASTER**2; friction and gain: FASTER
    factors = {"viscous": rate, "position_gain": rate, "velocity_gain": rate, "integral_time": delay,
               "current_bandwidth": rate, "delay": delay, "torque_limit": LONGER * rate**2}  # fmt: skip
    load, control = (
        dataclasses.replace(
            part, **{key: getattr(part, key) * by for key, by in factors.items() if hasattr(part, key)}
        )
        for part in (axis.load, axis.control)
    )
    larger = dataclasses.replace(scaled(axis), load=load, control=control)
    speeds = np.array([1e-4, 5e-3, 0.3])
    one, other = encsim.smoothness(axis, speeds), encsim.smoothness(larger, speeds * LONGER * FASTER)
    close(one.measured * LONGER * FASTER, other.measured, 1e-9)
    close(one.torque * LONGER * FASTER**2, other.torque, 1e-9)
    close(one.actual * LONGER * FASTER, other.actual, 1e-9)
    assert encsim.margins(axis).phase_margin == pytest.approx(encsim.margins(larger).phase_margin, rel=1e-9)


def test_direction_changes_nothing_and_parts_add_up(cases):
    for axis, speed in drawn(cases(12, 300)):
        forth, back = (encsim.ripple(axis, [sign * speed]) for sign in (1.0, -1.0))
        assert forth.rms == back.rms
        close(sum(part**2 for part in forth.parts.values()), forth.rms**2, 1e-9)


def test_axis_survives_its_file_in_short_and_with_all_defaults(cases):
    for axis, _ in drawn(cases(40, 1000)):
        assert axis_file.loads(axis.to_toml()) == axis
        assert axis_file.loads(axis_text.write_all(axis)) == axis


@pytest.mark.parametrize(
    ("text", "one", "other", "speeds"),
    [
        ("[scale]\nperiod = VALUE\n[sampling]\nrate = '8 kHz'", "'20 um'", "'0.00002 m'", ("12 mm/s", "0.012 m/s")),
        ("[scale]\nlines = 9000\n[sampling]\nrate = VALUE", "'8 kHz'", "'8000 Hz'", ("30 rpm", f"{np.pi!r} rad/s")),
        (
            "[scale]\nlines = 90\n[sampling]\nrate = '8 kHz'\nlatency = VALUE\n[signal]\nphase = '9 deg'",
            "'20 us'", "'0.02 ms'", ("0.5 rad/s", f"{float(np.degrees(0.5))!r} deg/s"),
        ),
    ],
)  # fmt: skip
def test_units_change_nothing(text, one, other, speeds):
    text += "\n[interpolation]\nfactor = 400\n"
    if "[signal]" not in text:
        text += "[signal]\noffset = [0.01, 0.0]\nharmonics = {3 = 0.002}\n"
    curves = [
        encsim.ripple(encsim.loads(text.replace("VALUE", value)), speed)
        for value, speed in zip((one, other), speeds, strict=True)
    ]
    close(curves[0].speed, curves[1].speed)
    close(curves[0].rms, curves[1].rms)
