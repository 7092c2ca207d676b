"""Encoder: levels, index, serial words, and faults on purpose."""

import numpy as np
import pytest

import encsim

PITCH, RATE = 20e-6, 16e3
IDEAL = encsim.Axis(
    encsim.Scale(period=PITCH),
    interpolation=encsim.Interpolation(factor=400, output="ab"),
    sampling=encsim.Sampling(RATE),
)
ROTARY = encsim.Axis(encsim.Scale(lines=100), sampling=encsim.Sampling(RATE))


def there_and_back(span, samples=4000):
    """From 0 to a position and back, m."""
    return span * (1.0 - np.abs(np.linspace(-1.0, 1.0, samples)))


def test_levels_are_two_square_waves_a_quarter_apart_and_a_leads():
    position = (np.arange(12) + 0.5) * PITCH / 400
    a, b, count = np.empty(12, np.int8), np.empty(12, bool).view(np.uint8), np.empty(12, np.int64)
    encsim.Encoder(IDEAL).read(position, a=a, b=b, count=count)
    assert count.tolist() == list(range(12))
    assert a.tolist() == [0, 1, 1, 0] * 3
    assert b.tolist() == [0, 0, 1, 1] * 3


def test_index_comes_once_a_revolution_in_both_directions():
    turn = 2.0 * np.pi
    position, index = turn * np.array([0.1, 0.4, 1.3, 1.2, 0.9, -0.1, -0.2]), np.empty(7)
    encsim.Encoder(ROTARY, index_at=0.25 * turn).read(position, index=index)
    assert index.tolist() == [0, 1, 1, 1, 0, 1, 0]


def test_index_of_a_linear_scale_is_at_its_place_whatever_the_blocks():
    position, index = there_and_back(0.01, 100), np.empty(100, np.int16)
    encoder = encsim.Encoder(IDEAL, index_at=0.005)
    for k in range(0, 100, 7):
        encoder.read(position[k : k + 7], index=index[k : k + 7])
    assert np.flatnonzero(index).tolist() == [25, 75]


def test_serial_word_holds_the_count_in_its_field():
    word = encsim.SerialWord(bits=24, width=16, low=4, constant=0xA00003)
    words, count = np.empty(50, np.uint32), np.empty(50, np.int64)
    encsim.Encoder(IDEAL, serial=word).read(np.linspace(-0.01, 0.01, 50), serial=words, count=count)
    np.testing.assert_array_equal(words >> 4 & 0xFFFF, count & 0xFFFF)
    assert set((words & ~np.uint32(0xFFFF0)).tolist()) == {0xA00003}


@pytest.mark.parametrize(
    ("fields", "match"),
    [
        ({"bits": 65, "width": 8}, "SerialWord.bits must be a whole number from 1 to 64"),
        ({"bits": 16, "width": 14, "low": 4}, "SerialWord.width must be a whole number from 1 to 12"),
        ({"bits": 16, "width": 8, "constant": 1}, "leave the bits of the position field 0"),
    ],
)
def test_serial_words_that_do_not_fit_are_refused(fields, match):
    with pytest.raises(encsim.InputError, match=match):
        encsim.SerialWord(**fields)


def test_serial_buffers_are_checked():
    with pytest.raises(encsim.InputError, match=r"Encoder.serial is not given"):
        encsim.Encoder(IDEAL).read(np.zeros(2), serial=np.empty(2, np.int64))
    encoder = encsim.Encoder(IDEAL, serial=encsim.SerialWord(bits=24, width=16))
    with pytest.raises(encsim.InputError, match="integers of 24 bits or more"):
        encoder.read(np.zeros(2), serial=np.empty(2, np.int16))


def shown(faults, position, **settings):
    """Channels and counts of the ideal encoder with faults."""
    out = {
        "cosine": np.empty(position.size),
        "sine": np.empty(position.size),
        "count": np.empty(position.size),
    }
    encoder = encsim.Encoder(IDEAL, faults=faults, **settings)
    encoder.read(position, **out)
    return encoder, out


def test_dirt_takes_amplitude_over_its_stretch_only_and_no_counts():
    position = there_and_back(1e-3)
    encoder, out = shown([encsim.Dirt(begin=4e-4, end=6e-4, loss=0.6)], position)
    radius, dirty = np.hypot(out["cosine"], out["sine"]), (position >= 4e-4) & (position <= 6e-4)
    np.testing.assert_allclose(radius[dirty], 0.4, rtol=1e-12)
    np.testing.assert_allclose(radius[~dirty], 1.0, rtol=1e-12)
    assert encoder.lost == 0


def test_scratch_loses_whole_periods_that_stay_lost():
    # Half a millimetre of 25 periods; below a tenth of the amplitude over arccos(0.8)/pi = 20.5 % of it.
    position = np.linspace(0.0, 2e-3, 8000)
    encoder, out = shown([encsim.Scratch(begin=1e-3, end=1.5e-3)], position)
    missing = np.floor(position / PITCH * 400) - out["count"]
    assert not missing[position < 1.1e-3].any()
    assert set(missing[position > 1.4e-3].tolist()) == {float(encoder.lost)}
    assert encoder.lost % 400 == 0
    assert encoder.lost / 400 == pytest.approx(0.205 * 25, abs=1.0)


def test_shallow_scratch_loses_nothing():
    encoder, _ = shown(encsim.Scratch(begin=1e-3, end=1.5e-3, depth=0.85), np.linspace(0.0, 2e-3, 8000))
    assert encoder.lost == 0


def test_lost_edge_is_lost_once_for_every_passage():
    position = there_and_back(1e-3)
    encoder, out = shown([encsim.LostEdge(begin=5e-4, end=5.1e-4)], position)
    assert (out["count"][1999], out["count"][-1]) == (np.floor(position[1999] / PITCH * 400) - 1.0, -2.0)
    assert encoder.lost == 2


def test_dead_channel_shows_nothing_while_it_lasts():
    fault = encsim.DeadChannel(channel="sine", begin=0.1, end=0.2, by="time")
    _, out = shown([fault], np.linspace(0.0, 1e-4, 4000))
    times = np.arange(4000) / RATE
    assert not out["sine"][(times >= 0.1) & (times <= 0.2)].any()
    assert np.abs(out["sine"][times > 0.2001]).max() > 0.9


def test_burst_is_noise_of_its_rms_and_repeatable():
    fault = encsim.Burst(begin=0.05, end=0.2, by="time", noise=0.2)
    (_, one), (_, two), (_, other) = (shown([fault], np.zeros(4000), seed=seed) for seed in (1, 1, 2))
    noise = one["sine"][(np.arange(4000) / RATE >= 0.05) & (np.arange(4000) / RATE <= 0.2)]
    # 2401 numbers: standard deviation known to 1.4 %
    assert noise.std() == pytest.approx(0.2, rel=0.06)
    assert not one["sine"][:700].any()
    np.testing.assert_array_equal(one["sine"], two["sine"])
    assert (one["sine"] != other["sine"]).any()


def test_offset_drifts_with_the_temperature_and_stays():
    fault = encsim.OffsetDrift(begin=0.1, end=0.2, by="time", rise=30.0, cosine=1e-3, sine=-2e-3)
    _, out = shown([fault], np.zeros(4000))
    np.testing.assert_allclose(out["cosine"][[1599, 2400, 3999]], [1.0, 1.015, 1.03], atol=1e-9)
    np.testing.assert_allclose(out["sine"][3999], -0.06, atol=1e-9)


FAULTS = {
    encsim.Dirt: {"loss": 0.6},
    encsim.Scratch: {},
    encsim.DeadChannel: {"channel": "cosine"},
    encsim.Burst: {"noise": 0.2},
    encsim.LostEdge: {"counts": -3},
    encsim.OffsetDrift: {"rise": 30.0, "cosine": 1e-3, "sine": -2e-3},
}


@pytest.mark.parametrize("kind", FAULTS)
def test_a_fault_is_scheduled_by_position_or_by_the_time_of_the_same_samples(kind):
    speed, position = 1e-2, 1e-8 + 1e-2 * np.arange(2000) / RATE  # on no edge of a count
    stretch = {"begin": 3.003e-4, "end": 7.007e-4}  # between two samples
    times = {name: (place - 1e-8) / speed for name, place in stretch.items()}
    _, one = shown([kind(**stretch, **FAULTS[kind])], position)
    _, other = shown([kind(**times, by="time", **FAULTS[kind])], position)
    _, without = shown([], position)
    assert any((one[name] != without[name]).any() for name in one)
    for name, values in one.items():
        # the share of a bell or a ramp is rounded once more
        np.testing.assert_allclose(other[name], values, atol=1e-9)


def test_faults_do_not_depend_on_how_the_motion_is_cut():
    faults = [
        encsim.Scratch(begin=3e-4, end=5e-4),
        encsim.LostEdge(begin=7e-4, end=7.2e-4, counts=3),
        encsim.Burst(begin=0.01, end=0.2, by="time", noise=0.3),
    ]
    position = there_and_back(1e-3, 1500)
    encoder, expected = shown(faults, position, seed=3)
    cut = encsim.Encoder(IDEAL, seed=3, faults=faults)
    counts = [cut.step(x)[0] for x in position[:700]]
    rest = np.empty(800)
    cut.read(position[700:], count=rest)
    np.testing.assert_array_equal([*counts, *rest], expected["count"])
    assert cut.lost == encoder.lost > 400


def test_no_output_of_any_kind_depends_on_how_the_motion_is_cut():
    kinds = {
        **{"cosine": np.int16, "sine": np.float32, "count": np.int32, "position_out": np.int64},
        **{"velocity": np.float32, "a": np.int8, "b": np.uint8, "index": np.int64, "serial": np.uint32},
    }
    axis = encsim.Axis(
        encsim.Scale(period=PITCH),
        signal=encsim.Signal(noise=1e-2),
        interpolation=encsim.Interpolation(factor=400, bits=10, output="ab"),
        sampling=encsim.Sampling(RATE),
    )
    faults = [encsim.Scratch(begin=3e-4, end=5e-4), encsim.Burst(begin=0.01, end=0.05, by="time", noise=0.3)]
    position, outputs = there_and_back(1e-3, 900), []
    for cuts in ([], [1, 2, 255, 256, 600], range(1, 900)):
        word = encsim.SerialWord(bits=24, width=16, low=4)
        encoder = encsim.Encoder(axis, seed=3, faults=faults, index_at=7e-4, serial=word)
        out = {name: np.empty(900, kind) for name, kind in kinds.items()}
        for part in np.split(np.arange(900), list(cuts)):
            here = slice(part[0], part[-1] + 1)
            encoder.read(position[here], **{name: buffer[here] for name, buffer in out.items()})
        outputs.append((encoder.lost, encoder.clipped, encoder.too_fast, encoder.saturated, out))
    for other in outputs[1:]:
        assert other[:4] == outputs[0][:4]
        for name in kinds:
            np.testing.assert_array_equal(other[4][name], outputs[0][4][name], err_msg=name)
    assert outputs[0][0] > 0
    assert outputs[0][1] > 0


@pytest.mark.parametrize(
    ("make", "match"),
    [
        (lambda: encsim.Dirt(begin=1.0, end=0.0, loss=0.1), "Dirt.end must be greater than begin"),
        (lambda: encsim.Dirt(begin=0.0, end=1.0, loss=1.1), "Dirt.loss must lie from 0 to 1"),
        (lambda: encsim.Scratch(begin=0.0, end=np.nan), "Scratch.end must be a finite number"),
        (lambda: encsim.Scratch(begin=0.0, end=1.0, by="speed"), 'Scratch.by must be "position" or "time"'),
        (lambda: encsim.Scratch(begin=0.0, end=1.0, depth=2.0), "Scratch.depth must lie from 0 to 1"),
        (lambda: encsim.DeadChannel(begin=0.0, end=1.0, channel="c"), 'must be "cosine" or "sine"'),
        (lambda: encsim.Burst(begin=0.0, end=1.0, noise=-1.0), "Burst.noise must be zero or more"),
        (lambda: encsim.LostEdge(begin=0.0, end=1.0, counts=0.5), "LostEdge.counts must be a whole number"),
        (lambda: encsim.OffsetDrift(begin=0.0, end=1.0, rise=1e3), "OffsetDrift.rise must lie from -300"),
        (lambda: encsim.OffsetDrift(begin=0.0, end=1.0, rise=1.0, sine=2.0), "sine must lie from -1 to 1"),
        (lambda: encsim.Encoder(IDEAL, faults=["dirt"]), "Encoder.faults must be faults"),
        (lambda: encsim.Encoder(IDEAL, weakest=2.0), "Encoder.weakest must lie from 0 to 1"),
        (lambda: encsim.Encoder(IDEAL, index_at=np.inf), "Encoder.index_at must be a finite number"),
        (lambda: encsim.Encoder(IDEAL, serial=8), "Encoder.serial must be a SerialWord"),
    ],
)
def test_faults_out_of_range_are_refused(make, match):
    with pytest.raises(encsim.InputError, match=match):
        make()
