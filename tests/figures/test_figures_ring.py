"""Pictures of rings and calibration: numbers in titles, what is drawn, words that stay apart, odd results."""

import numpy as np
import pytest
from matplotlib.figure import Figure
from sheets import clashes

import encsim
from encsim import wording
from encsim.figures import error_maps as error_maps_picture
from encsim.figures import ring as ring_picture
from encsim.presentation import canvas

ARCSEC, TURN = np.pi / 648_000.0, 2.0 * np.pi
# Rings of our own invention.
OVAL = encsim.Ring(
    0.15, eccentricity=2e-6, direction=1.0, swash=1e-4, head_offset=1e-3, lobes={2: (3e-6, 0.3), 3: 0.8e-6},
    graduation={4: 0.45 * ARCSEC, 7: 0.3 * ARCSEC, 10: 0.2 * ARCSEC},
)  # fmt: skip
MANY = encsim.Ring(
    0.1, bore=0.06, eccentricity=5e-6, graduation={n: (3.0 * ARCSEC / n, 1.7 * n) for n in range(1, 30)},
    wander={1: 1e-6, 3: 2e-7}, coupling={2: ARCSEC},
)  # fmt: skip
OPPOSITE = (0.0, np.pi)


def equal(count):
    return TURN * np.arange(count) / count


def calibrated(steps=11, points=720, bad=(), closing=False, noise=0.3 * ARCSEC):
    """Two rings of some arcseconds, read with noise."""
    rng, n, angle = np.random.default_rng(3), np.arange(1, 8), equal(points)
    phase = rng.uniform(0.0, TURN, (2, 7, 1))
    a, b = (lambda x, f=f: (3.0 * ARCSEC / n) @ np.sin(np.outer(n, x) + f) for f in phase)
    table = np.array([a(angle) - b(angle - psi) for psi in equal(steps)])
    table += noise * rng.standard_normal(table.shape)
    table[list(bad)] += 5.0 * noise * rng.standard_normal((len(bad), points))
    return encsim.calibrate(table, equal(steps), closing=table[:, 0] + noise if closing else None)


def compared(size=1.0, unit="m"):
    position = np.linspace(0.0, 0.3, 61)
    up = position, position + 2e-6 * np.sin(20.0 * position) + 1e-6
    down = position[::-1], (position + 2e-6 * np.sin(20.0 * position) - 1e-6)[::-1]
    return encsim.compare_passes(size * np.array(up), size * np.array(down), unit=unit)


def positioned(runs=5, targets=11, unit="m"):
    rng, at = np.random.default_rng(4), np.linspace(0.0, 1.0, targets)
    noise = 1e-6 * rng.standard_normal((2, runs, targets))
    mean = 2e-6 * np.sin(6.0 * at)
    return encsim.bidirectional(at, mean + noise[0], mean + 3e-6 + noise[1], unit=unit)


def head_pair(noise=0.05 * ARCSEC):
    angle = equal(360)
    seen = ARCSEC * (np.sin(angle) - np.sin(angle - 1.5))
    return encsim.self_calibrate(
        seen + noise * np.random.default_rng(5).standard_normal(360), TURN / 4, noise=noise
    )


def ring_of(ring, heads, draw=ring_picture.ring):
    return lambda style: draw(encsim.ring_curve(ring, heads), style=style)


SHEETS = {
    "two heads": ring_of(OVAL, OPPOSITE),
    "one head": ring_of(OVAL, [0.3]),
    "three heads": ring_of(OVAL, equal(3)),
    "four heads, many orders": ring_of(MANY, equal(4)),
    "ten heads": ring_of(OVAL, [0.0, 0.2, 0.5, 0.8, 2.0, 3.0, 4.0, 5.0, 5.5, 5.8]),
    "perfect ring": ring_of(encsim.Ring(0.1), equal(3)),
    "nothing left": ring_of(encsim.Ring(0.1, graduation={1: ARCSEC}), OPPOSITE),
    "signal period": ring_of(OVAL, [encsim.Head(0.0, lines=1000, sde={1: 2.0 * ARCSEC}), np.pi]),
    "drawing": ring_of(MANY, equal(4), ring_picture.ring_polar),
    "drawing of one head": ring_of(OVAL, [0.3], ring_picture.ring_polar),
    "drawing of a perfect ring": ring_of(encsim.Ring(0.1), [0.0], ring_picture.ring_polar),
    "calibration": lambda style: error_maps_picture.calibration(calibrated(), style=style),
    "calibration in doubt": lambda style: error_maps_picture.calibration(
        calibrated(bad=(3, 8), closing=True), style=style
    ),
    "two steps": lambda style: error_maps_picture.calibration(calibrated(2, 31), style=style),
    "map": lambda style: error_maps_picture.error_map(calibrated().error_map(), style=style),
    "map alone": lambda style: error_maps_picture.error_map(encsim.ErrorMap(ARCSEC * np.sin(equal(90))), style=style),
    "map without error": lambda style: error_maps_picture.error_map(encsim.ErrorMap(np.zeros(90)), style=style),
    "head pair": lambda style: error_maps_picture.error_map(head_pair(), style=style),
    "plan": lambda style: error_maps_picture.calibration_plan(encsim.calibration_plan(equal(11), 720), style=style),
    "plan of free steps": lambda style: error_maps_picture.calibration_plan(
        encsim.calibration_plan([0.0, 1.0, 2.5, 0.3], 20_000), style=style
    ),
    "passes": lambda style: error_maps_picture.passes(compared(), style=style),
    "passes of a table": lambda style: error_maps_picture.passes(compared(1e-3, "rad"), style=style),
    "positioning": lambda style: error_maps_picture.positioning(positioned(), style=style),
    "positioning in doubt": lambda style: error_maps_picture.positioning(positioned(2, 3, "rad"), style=style),
}  # fmt: skip


# The fullest picture of each kind.
FULL = {
    "four heads, many orders", "drawing", "calibration in doubt", "map", "plan of free steps", "passes", "positioning",
}  # fmt: skip


@pytest.mark.parametrize("name", SHEETS)
def test_no_word_leaves_the_sheet_or_covers_another(name, pages):
    for style in pages(name in FULL):
        figure = SHEETS[name](style).figure
        assert clashes(figure) == []
        assert 8 <= len(figure.encsim_text.split()) <= 60
        assert figure.encsim_title in figure.encsim_text


RESULTS = {
    "ring": lambda: encsim.ring_curve(OVAL, OPPOSITE),
    "calibration": calibrated,
    "plan": lambda: encsim.calibration_plan(equal(11), 720),
    "map": lambda: calibrated().error_map(),
    "head pair": head_pair,
    "passes": compared,
    "positioning": positioned,
}


@pytest.mark.parametrize("name", RESULTS)
def test_given_axes_are_drawn_into_twice_and_no_others(name):
    result = RESULTS[name]()
    first, other = Figure(figsize=(6, 6)).subplots(2)
    assert result.plot(first) is first
    result.plot(first)
    assert first.lines
    assert first.get_title(loc="left")
    assert not other.lines
    assert len(result.plot().figure.axes) >= 1


@pytest.mark.parametrize(
    ("ring", "heads", "words"),
    [
        (OVAL, OPPOSITE, "to ±4.3″; what stays is its oval shape"),
        (OVAL, [0.3], "mainly its eccentricity"),
        (OVAL, equal(3), "what stays is its shape of three lobes"),
        (encsim.Ring(0.1), OPPOSITE, "reads true"),
        (encsim.Ring(0.1, eccentricity=1e-6), OPPOSITE, "remove most of the ring's ±4.1″"),
        (encsim.Ring(0.1, coupling={2: ARCSEC}), equal(3), "are no help: ±1.0″ where one shows ±1.0″"),
    ],
)
def test_title_says_what_heads_leave_and_of_what(ring, heads, words):
    assert words in encsim.ring_curve(ring, heads).plot().figure.encsim_title


def test_errors_are_drawn_as_they_are():
    curve = encsim.ring_curve(OVAL, OPPOSITE)
    alone, every = (line for line in curve.plot().lines if len(line.get_xdata()) == 3601)
    np.testing.assert_allclose(alone.get_ydata()[:-1] * ARCSEC, curve.alone, rtol=1e-12)
    np.testing.assert_allclose(every.get_ydata()[:-1] * ARCSEC, curve.error, rtol=1e-12)


def test_bars_are_as_high_as_the_orders_of_one_head_and_thick_bars_as_what_heads_leave():
    curve = encsim.ring_curve(OVAL, OPPOSITE)
    bars = curve.plot().figure.axes[2]
    heights = {round(bar.get_x() + bar.get_width() / 2.0): bar.get_height() * ARCSEC for bar in bars.patches}
    assert heights == pytest.approx(
        {line.order: line.amplitude for line in curve.alone_orders if line.order in heights}
    )
    left = {line.order: line.amplitude for line in curve.orders}
    thick = {
        round(line.get_xdata().mean()): line.get_ydata()[0] * ARCSEC
        for line in bars.lines
        if line.get_linewidth() == 4
    }
    assert thick == pytest.approx({order: left.get(order, 0.0) for order in heights}, abs=1e-20)


@pytest.mark.parametrize("heads", [OPPOSITE, [0.3, 2.0, 4.4]])
def test_heads_stand_where_they_are_and_the_error_is_enlarged_as_the_bar_says(heads):
    curve = encsim.ring_curve(OVAL, heads)
    ax = curve.plot_polar()
    boxes = [patch.get_xy()[:4].mean(axis=0) for patch in ax.patches]
    found = np.mod([np.arctan2(y, x) for x, y in boxes], TURN)
    np.testing.assert_allclose(found, np.mod(heads, TURN), atol=1e-12)
    ink = next(line for line in ax.lines if len(line.get_xdata()) == 3601 and line.get_linewidth() == 2.2)
    bar = next(line for line in ax.lines if len(line.get_xdata()) == 2)
    arcsec = float(next(t.get_text() for t in ax.texts if "″" in t.get_text()).rstrip("″"))
    scale = np.ptp(bar.get_xdata()) / (arcsec * ARCSEC)
    radius = np.hypot(*ink.get_data())[:-1]
    # 1e-9 of an enlarged error of a fifth: rounding.
    np.testing.assert_allclose(radius - 1.0, scale * curve.error, atol=1e-9)


def test_band_of_a_map_is_1_96_standard_uncertainties_wide():
    result = calibrated()
    ax = result.plot()
    band = ax.collections[0].get_paths()[0].vertices
    at = np.isclose(band[:, 0], 180.0)
    wide = np.ptp(band[at, 1]) * ARCSEC
    assert wide == pytest.approx(2.0 * 1.96 * result.uncertainty[0], rel=1e-9)
    assert f"known to ±{wording.quantity(1.96 * result.uncertainty[0], 'rad', 2)}" in ax.figure.encsim_title


def test_steps_that_stand_out_are_named_and_lost_orders_crossed():
    figure = calibrated(bad=(3, 8), closing=True).plot().figure
    words = {text.get_text() for ax in figure.axes for text in ax.texts}
    assert {"step 3", "step 8"} <= words
    plan = encsim.calibration_plan(equal(5), 60)
    crossed = next(line for line in plan.plot().lines if line.get_marker() == "x")
    assert tuple(crossed.get_xdata()) == plan.lost


@pytest.mark.parametrize("points", [4001, 50_000])
def test_a_spike_survives_thinning(points):
    error = np.zeros(points)
    error[points // 3] = 3.0 * ARCSEC
    line = max(encsim.ErrorMap(error).plot().lines, key=lambda one: len(one.get_xdata()))
    assert len(line.get_xdata()) <= 4002
    assert np.ptp(line.get_ydata()) == pytest.approx(3.0, rel=1e-12)


def test_theme_changes_colours_alone():
    drawn = [
        ring_picture.ring(encsim.ring_curve(OVAL, OPPOSITE), style=canvas.Style(theme))
        for theme in ("light", "dark")
    ]
    light, dark = ([line.get_xydata() for line in ax.lines] for ax in drawn)
    for first, second in zip(light, dark, strict=True):
        np.testing.assert_array_equal(first, second)


def test_drawing_says_how_much_larger_than_at_the_rim_the_error_is():
    # An error e (rad) lies e R at the rim; the curve is drawn in radii R.
    curve = encsim.ring_curve(OVAL, [0.3])
    ax = curve.plot_polar()
    line = max(
        ax.lines, key=lambda line: line.get_linewidth() * (line.get_color() == canvas.PRINT.colour("ink"))
    )
    drawn = np.abs(np.hypot(*line.get_data()) - 1.0).max()
    times = drawn / np.abs(curve.error).max()
    assert f", {wording.digits(times, 2)}× too large" in ax.figure.encsim_note


@pytest.mark.parametrize(
    ("steps", "points", "words"),
    [
        (equal(11), 720, "11 steps leave 32 of 360 orders unobservable: 11, 22, 33"),
        ([0.0, 1.0, 2.5, 0.3], 20_000, "observable, order 7100 with 1700× noise"),
    ],
)
def test_title_of_a_plan_names_unobservable_orders_and_much_noise(steps, points, words):
    plan = encsim.calibration_plan(steps, points)
    assert words in plan.plot().figure.encsim_title
    assert plan.lost[:3] == ((11, 22, 33) if len(steps) == 11 else ())
    assert plan.lost or plan.orders[np.argmax(plan.magnification)] == 7100
