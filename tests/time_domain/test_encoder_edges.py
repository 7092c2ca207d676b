"""Encoder: edges of A and B between its samples."""

from dataclasses import replace

import numpy as np
import pytest
from stage_x import PITCH, RATE, SIGNAL, stage

import encsim

FACTOR = 400
AB = encsim.Interpolation(factor=FACTOR, output="ab")
QUIET = replace(stage(signal=replace(SIGNAL, jitter=0.0)), interpolation=AB)
SCRATCH = encsim.Scratch(begin=2e-5, end=6e-5)


def wandering(samples, size=1e-6, seed=0):
    """A motion with reversals and standstill, m."""
    rng = np.random.default_rng(seed)
    return np.cumsum(rng.normal(0.0, size, samples) * (rng.random(samples) < 0.7))


def found(axis, position, cuts=(), room=400_000, time=None, **settings):
    """Edges of a motion, with the samples as they are numbered in the whole of it, and counts and levels."""
    encoder = encsim.Encoder(axis, seed=2, **settings)
    kinds = {"count": np.int64, "a": np.int8, "b": np.int8}
    out = {name: np.empty(position.size, kind) for name, kind in kinds.items()}
    edges = []
    for part in np.split(np.arange(position.size), list(cuts)):
        here, buffer = slice(part[0], part[-1] + 1), np.empty(room, encsim.Encoder.EDGE)
        some = None if time is None else time[here]
        encoder.read(
            position[here], time=some, edges=buffer, **{name: values[here] for name, values in out.items()}
        )
        buffer["sample"][: encoder.edges] += part[0]
        edges.append(buffer[: encoder.edges])
    return encoder, np.concatenate(edges), out


def axes():
    """Axes whose edges come in different ways."""
    apart = replace(AB, hysteresis=1.0, edge_separation=1e-6)
    noisy = replace(SIGNAL, jitter=20e-9, noise=1e-3)
    own = encsim.Sampling(RATE, encoder_rate=4.1e4, encoder_phase=0.3, latency=2.1e-5)
    return {
        "quiet": QUIET,
        "noise": replace(QUIET, signal=noisy, interpolation=replace(AB, bits=12)),
        "hysteresis": replace(QUIET, interpolation=replace(AB, hysteresis=2.0)),
        "rounded counts": replace(QUIET, interpolation=encsim.Interpolation(factor=1000)),
        "separation": replace(QUIET, interpolation=apart),
        "clock": replace(QUIET, interpolation=replace(apart, edge_clock=3e6)),
        "latency": replace(QUIET, sampling=encsim.Sampling(RATE, latency=1.37e-4)),
        "own clock": replace(QUIET, sampling=own, interpolation=encsim.Interpolation(factor=1000)),
        "shaped": replace(
            QUIET, signal=replace(noisy, bandwidth=5e3), sampling=encsim.Sampling(RATE, average=5)
        ),
    }


MOTIONS = {
    "slow": wandering(500, 1e-8),
    "middling": wandering(500),
    "many periods a sample": wandering(90, 1e-4),
}


@pytest.mark.parametrize("motion", MOTIONS)
@pytest.mark.parametrize("name", axes())
def test_edges_give_counts_and_levels_again_and_are_in_order(name, motion):
    position = MOTIONS[motion]
    faults = [SCRATCH, encsim.LostEdge(begin=1e-6, end=3e-6, counts=2)] if name == "quiet" else []
    _, edges, out = found(axes()[name], position, faults=faults)
    newest = np.searchsorted(edges["sample"], np.arange(position.size), side="right") - 1
    known = newest >= 0
    np.testing.assert_array_equal(edges["count"][newest[known]], out["count"][known])
    np.testing.assert_array_equal(np.diff(edges["count"]), edges["direction"][1:])
    for channel, level in ((0, "a"), (1, "b")):
        mine = edges[edges["channel"] == channel]
        newest = np.searchsorted(mine["sample"], np.arange(position.size), side="right") - 1
        known = newest >= 0
        np.testing.assert_array_equal(mine["level"][newest[known]], out[level][known])
    assert (np.diff(edges["time"]) >= 0.0).all()
    assert ((edges["share"] >= 0.0) & (edges["share"] <= 1.0)).all()
    np.testing.assert_allclose(edges["time"], (edges["sample"] - 1 + edges["share"]) / RATE, atol=1e-12)


@pytest.mark.parametrize("motion", MOTIONS)
def test_edges_are_where_the_signals_show_their_count(motion):
    position = MOTIONS[motion]
    _, edges, _ = found(QUIET, position)
    here = np.interp(edges["time"] * RATE, np.arange(position.size), position) * 2.0 * np.pi / PITCH
    signal = QUIET.signal
    cosine = np.cos(here) + 0.002 * np.cos(3.0 * here)
    sine = (1.0 + signal.gain) * np.sin(here + signal.phase) + 0.002 * np.cos(3.0 * (here - np.pi / 2))
    shown = np.arctan2(sine + signal.offset[1], cosine + signal.offset[0]) / (2.0 * np.pi) * FACTOR
    off = shown - (edges["count"] + (edges["direction"] < 0))
    off -= FACTOR * np.rint(off / FACTOR)
    # places from a table of 32768 points a period
    assert np.abs(off).max() < 1e-4


@pytest.mark.parametrize("speed", [1e-4, -1e-4, 0.0123])
def test_periods_between_edges_are_those_that_period_timing_measures(speed):
    # with signals that do not lead the position, so that edges and timed edges are the same ones
    signal = replace(QUIET.signal, phase=0.0)
    axis = replace(QUIET, signal=signal, estimator=encsim.PeriodTiming(50e6))
    samples = 1500
    expected = encsim.simulate(axis, speed, samples).velocity
    encoder, edges = encsim.Encoder(axis), np.empty(40_000, encsim.Encoder.EDGE)
    encoder.lead(0.0, speed)
    encoder.read(speed * np.arange(samples) / RATE, edges=edges)
    edges = edges[: encoder.edges]
    ticks = np.floor(edges["time"] * 50e6)
    newest = np.searchsorted(edges["sample"], np.arange(samples), side="right") - 1
    known = newest >= 1
    periods = np.maximum(ticks[newest[known]] - ticks[newest[known] - 1], 1.0)
    velocity = axis.resolution * 50e6 / periods * np.sign(speed)
    same = np.abs(velocity - expected[known]) < 1e-9 * abs(speed)
    # an edge that falls on a tick may be rounded to the next one
    assert same.mean() > 0.99
    assert np.abs(axis.resolution / velocity - axis.resolution / expected[known]).max() <= 1.01 / 50e6


def test_edges_of_a_separated_output_are_apart_and_on_the_clock():
    _, apart, _ = found(axes()["separation"], MOTIONS["middling"])
    assert np.diff(apart["time"]).min() > 0.999e-6
    _, clocked, _ = found(axes()["clock"], MOTIONS["middling"])
    ticks = clocked["time"] * 3e6
    np.testing.assert_allclose(ticks, np.rint(ticks), atol=1e-6)
    assert np.diff(ticks).min() > 2.9


@pytest.mark.parametrize("name", axes())
def test_edges_do_not_depend_on_blocks(name):
    position = MOTIONS["middling"]
    _, whole, _ = found(axes()[name], position)
    _, cut, _ = found(axes()[name], position, cuts=[1, 2, 3, 100, 256, 300])
    np.testing.assert_array_equal(cut["count"], whole["count"])
    np.testing.assert_array_equal(cut["sample"], whole["sample"])
    np.testing.assert_allclose(cut["time"], whole["time"], atol=1e-12)


def test_a_mirrored_motion_has_the_mirrored_edges():
    ideal = encsim.Axis(encsim.Scale(period=PITCH), interpolation=AB, sampling=encsim.Sampling(RATE))
    # from the middle between two edges
    (_, one, _), (_, other, _) = (
        found(ideal, way * wandering(400) + 0.5 * ideal.resolution * way) for way in (1, -1)
    )
    np.testing.assert_array_equal(one["direction"], -other["direction"])
    np.testing.assert_array_equal(one["count"], -other["count"] - 1)
    np.testing.assert_allclose(one["time"], other["time"], atol=1e-12)


def test_edges_come_at_the_times_given():
    ideal = encsim.Axis(encsim.Scale(period=PITCH), interpolation=AB, sampling=encsim.Sampling(RATE))
    time = 3.0 + np.cumsum(np.resize([0.5, 1.0, 2.5], 300)) / RATE
    speed = 1.3e-3
    _, edges, _ = found(ideal, speed * (time - 3.0), time=time)
    np.testing.assert_allclose(edges["time"], 3.0 + edges["count"] * ideal.resolution / speed, atol=1e-9)


def test_edges_without_room_are_counted_and_told(caplog):
    encoder, edges, out = found(QUIET, np.linspace(0.0, 1e-3, 100), room=10)
    assert edges.size == encoder.edges == 10
    # from the count before the first sample on
    assert encoder.edges_left_out == out["count"][-1] - out["count"][0] - 10
    assert caplog.messages == [
        "encsim: the buffer of edges is too short; Encoder.edges_left_out counts those without room"
    ]


@pytest.mark.parametrize(
    ("edges", "match"),
    [
        (np.empty(3), "edges must be a one-dimensional array of dtype encsim.Encoder.EDGE"),
        ([], "edges must be a one-dimensional array"),
        (np.empty((2, 2), encsim.Encoder.EDGE), "edges must be a one-dimensional array"),
        (np.broadcast_to(np.empty(1, encsim.Encoder.EDGE), (4,)), "edges must be writable"),
    ],
)
def test_buffers_that_cannot_hold_edges_are_refused(edges, match):
    encoder = encsim.Encoder(QUIET)
    with pytest.raises(encsim.InputError, match=match):
        encoder.read(np.zeros(2), edges=edges)
    assert encoder.sample == 0


def test_an_axis_without_counts_has_no_edges():
    bare = encsim.Axis(encsim.Scale(period=PITCH), sampling=encsim.Sampling(RATE))
    with pytest.raises(encsim.InputError, match=r"edges must be left out where Interpolation.factor"):
        encsim.Encoder(bare).read(np.zeros(2), edges=np.empty(2, encsim.Encoder.EDGE))
