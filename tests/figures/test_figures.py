"""Pictures: numbers in titles, lines drawn, words that stay apart, files that are whole and the same each time."""

import dataclasses
import io
import itertools
import subprocess
import sys
from types import SimpleNamespace

import matplotlib
import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text
from sheets import IDEAL, STAGE, TABLE, clashes, texts_of

import encsim
from encsim import wording
from encsim.checks import InputError
from encsim.decisions.headlines import headline
from encsim.figures import channels as channels_picture
from encsim.figures import period as period_picture
from encsim.figures import ripple as ripple_picture
from encsim.figures import run as run_picture
from encsim.figures.channels import exaggeration
from encsim.figures.ripple_view import prepare_ripple
from encsim.figures.run import _per_pixel
from encsim.presentation import canvas
from encsim.presentation.ticks import Decades, PlainNumbers
from encsim.time_domain.velocity_spectrum import spectrum

MANY = dataclasses.replace(
    IDEAL,
    signal=encsim.Signal(
        offset=(0.1, -0.05), gain=-0.2, harmonics={2: 0.01, 3: -0.02, 5: 0.008}, sde={100: (3e-9, 0.3)}
    ),
)
SERIAL = dataclasses.replace(STAGE, sampling=encsim.Sampling(4e3, encoder_rate=10.3e3))


def changed(axis, **signal):
    """An axis with another signal."""
    return dataclasses.replace(axis, signal=encsim.Signal(**signal))


def curve_of(axis, low=2e-5, high=1.0, count=150):
    return encsim.ripple(axis, np.geomspace(low, high, count))


def trace_of(axis, speed=72.3e-3, samples=4000, lines=True):
    """A run made here: lines of the period's error, jitter and counts."""
    rate, pitch, rng = axis.sampling.rate, axis.scale.pitch, np.random.default_rng(4)
    position = speed * np.arange(-1, samples) / rate + rng.normal(0.0, axis.signal.jitter, samples + 1)
    error = encsim.position_error(axis, speed)
    turns = 2.0 * np.pi * np.outer(error.harmonic, position / pitch) + error.angle[:, None]
    shown = position + error.amplitude @ np.sin(turns)
    step = axis.resolution
    velocity = np.diff(np.round(shown / step) * step if step else shown) * rate
    return SimpleNamespace(
        velocity=velocity, rms=float(np.sqrt(np.mean((velocity - speed) ** 2))), settle=0, seed=0, speed=speed,
        axis=axis, valid=True, reasons=(), expected_lines=encsim.lines(axis, speed) if lines else None,
    )  # fmt: skip


def fit_of(noise=0.002):
    """A recording made here and its fit."""
    rng = np.random.default_rng(5)
    theta = np.linspace(0.0, 200.0, 3000)
    cosine = 1.7 * (np.cos(theta) + 0.01) + rng.normal(0.0, noise, theta.size)
    sine = 1.7 * (1.02 * np.sin(theta + 0.01) - 0.005) + rng.normal(0.0, noise, theta.size)
    return encsim.identify(cosine, sine)


SHEETS = {
    "ripple": lambda style: ripple_picture.ripple(curve_of(STAGE), style=style),
    "ripple with limit and rings": lambda style: ripple_picture.ripple(
        curve_of(STAGE), limit=(0.01, 50e-6), simulated={"speed": [1e-3, 0.1], "rms": [4e-5, 1e-3]}, style=style
    ),
    "ripple in doubt": lambda style: ripple_picture.ripple(curve_of(TABLE, 1e-4, 30.0), style=style),
    "ripple of a serial encoder": lambda style: ripple_picture.ripple(curve_of(SERIAL), style=style),
    "ripple of one cause": lambda style: ripple_picture.ripple(curve_of(changed(IDEAL, jitter=1e-9)), style=style),
    "no ripple": lambda style: ripple_picture.ripple(curve_of(IDEAL), style=style),
    "one speed": lambda style: ripple_picture.ripple(encsim.ripple(STAGE, [0.01]), limit=(0.01, 0.0), style=style),
    "standstill": lambda style: ripple_picture.ripple(encsim.ripple(STAGE, [0.0]), style=style),
    "few speeds": lambda style: ripple_picture.ripple(encsim.ripple(STAGE, [0.3, -1e-3, 0.01, 0.0]), style=style),
    "slow speeds": lambda style: ripple_picture.ripple(curve_of(STAGE, 1e-6, 2e-6), style=style),
    "period": lambda style: period_picture.period_error(encsim.position_error(STAGE), style=style),
    "period of many lines": lambda style: period_picture.period_error(encsim.position_error(MANY), style=style),
    "period without error": lambda style: period_picture.period_error(encsim.position_error(IDEAL), style=style),
    "rotary period": lambda style: period_picture.period_error(encsim.position_error(TABLE), style=style),
    "channels": lambda style: channels_picture.channels(encsim.position_error(STAGE), style=style),
    "channels of many faults": lambda style: channels_picture.channels(encsim.position_error(MANY), style=style),
    "ideal channels": lambda style: channels_picture.channels(encsim.position_error(IDEAL), style=style),
    "recorded": lambda style: channels_picture.recorded(FIT, style=style),
    "run": lambda style: run_picture.run(trace_of(STAGE), style=style),
    "run of many lines": lambda style: run_picture.run(trace_of(MANY, 0.05), style=style),
    "run without lines": lambda style: run_picture.run(trace_of(STAGE, lines=False), style=style),
    "short run": lambda style: run_picture.run(trace_of(STAGE, samples=9), style=style),
    "slow run": lambda style: run_picture.run(trace_of(STAGE, 1e-5), style=style),
    "resting run": lambda style: run_picture.run(trace_of(IDEAL, 0.0), style=style),
}  # fmt: skip
FIT = fit_of()


@pytest.fixture(autouse=True)
def _settings_of_matplotlib_stay_as_they_were():
    """No picture and no file of any test changes what the user has set."""
    before = dict(matplotlib.rcParams)
    yield
    assert dict(matplotlib.rcParams) == before


@pytest.mark.parametrize(
    ("value", "unit", "count", "shown"),
    [
        (35.6e-9, "m", 3, "35.6\u202fnm"),
        (1e-3, "m/s", 3, "1.00\u202fmm/s"),
        (9.9996e-4, "m/s", 3, "1.00\u202fmm/s"),
        (-63.4e-9, "m", 2, "\u221263\u202fnm"),
        (np.pi / 180.0 * 6.0, "rad/s", 3, "1.00\u202frpm"),
        (np.pi / 648000.0 * 8.46, "rad", 2, "8.5″"),
        (0.0, "m/s", 2, "0\u202fmm/s"),
    ],
)
def test_quantity_has_handy_prefix_thin_space_and_true_minus(value, unit, count, shown):
    assert wording.quantity(value, unit, count) == shown


@pytest.mark.parametrize(
    ("value", "shown"), [(1e-9, "0.000000001"), (4000, "4000"), (12345, "12\u202f300"), (99.96, "100")]
)
def test_digits_never_use_an_exponent(value, shown):
    assert wording.digits(value, 3, strip=True) == shown


@pytest.mark.parametrize("text", ["short", "a long line of several words " * 9, "x" * 300, "ab " + "y" * 150])
def test_wrapped_lines_fit_and_lose_no_letter(text):
    lines = canvas.wrap(text, 38, 83.0)
    assert all(len(line) <= 38 and canvas.width(line) <= 83.0 for line in lines)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")


@pytest.mark.parametrize(("low", "high"), list(itertools.combinations([1e-4, 0.03, 0.9, 1.1, 300.0, 7e6], 2)))
def test_log_ticks_are_few_in_range_and_plain(low, high):
    ticks = np.array(Decades(7).tick_values(low, high))
    names = PlainNumbers(logarithmic=True).format_ticks(ticks)
    assert 1 <= len(ticks) <= 9
    assert ((ticks >= low * (1 - 1e-6)) & (ticks <= high * (1 + 1e-6))).all()
    assert [float(name.replace("\u202f", "")) for name in names] == pytest.approx(list(ticks))


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("role", ["ink", "muted", "cyclic", "counts", "limit", "true", "force", "noise"])
def test_colours_that_letters_take_stand_out_from_paper(theme, role):
    # WCAG 2.2, success criterion 1.4.3, asks for 4.5; noise is a line, its name is muted.
    least = {"light": 4.9, "dark": 5.9}[theme] if role != "noise" else 4.5
    assert round(contrast(canvas.COLOURS[theme][role], canvas.COLOURS[theme]["paper"]), 1) >= least


def contrast(first, second):
    """Ratio of relative luminances (WCAG 2.2, "contrast ratio")."""
    light, dark = sorted((luminance(first), luminance(second)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def luminance(colour):
    parts = np.array([int(colour[start : start + 2], 16) for start in (1, 3, 5)]) / 255.0
    return np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4) @ (
        0.2126,
        0.7152,
        0.0722,
    )


def test_title_names_the_widest_range_of_a_large_share_and_its_cause():
    curve = curve_of(STAGE).refined()
    found = headline(curve.speed, curve.rms, doubtful=curve.doubtful)
    low, high = (wording.quantity(end, "m/s", 2) for end in found.ranges[0])
    title = ripple_picture.ripple(curve).figure.encsim_title
    assert title.endswith(f"between {low.split()[0]} and {high}, mainly cyclic error")


def test_requirement_is_drawn_at_its_own_speeds_and_decides_the_title():
    wanted = encsim.Requirement(speeds=(1e-3, 0.1), relative=0.01, floor=50e-6, measured=0.9e-3)
    ax = ripple_picture.ripple(curve_of(STAGE).refined(), limit=wanted)
    assert ax.figure.encsim_title.startswith("Above the limit from 1.9 to 100\u202fmm/s: worst 2 times")
    drawn = next(line for line in ax.lines if line.get_color() == canvas.PRINT.colour("limit"))
    assert (drawn.get_xdata().min(), drawn.get_xdata().max()) == pytest.approx((1.0, 100.0), rel=0.05)
    assert "limit: 1\u202f% of the speed, at least 0.05\u202fmm/s, at most 0.9\u202fmm/s" in [
        text.get_text() for text in texts_of(ax.figure)
    ]


def test_title_with_a_limit_names_the_range_above_it():
    curve = synthetic(np.geomspace(1e-4, 1.0, 90), lambda v: 1e-3 * np.sqrt(v / 0.01))
    title = ripple_picture.ripple(curve, limit=(0.0, 2e-3)).figure.encsim_title
    # 1e-3 sqrt(v/0.01) reaches 2e-3 at v = 0.04 exactly, a straight line on log scales.
    assert "from 40 to 1000\u202fmm/s" in title


def test_title_says_that_a_limit_is_kept():
    title = ripple_picture.ripple(curve_of(STAGE), limit=(0.0, 1.0)).figure.encsim_title
    assert title.startswith("Within the limit at every speed")


def synthetic(speed, rms, doubtful=None):
    """A curve of noise alone."""
    value = rms(speed)
    doubtful = np.zeros(speed.shape, bool) if doubtful is None else doubtful
    return SimpleNamespace(
        speed=speed, rms=value, parts={"jitter": value}, regime=np.full(speed.shape, "noise"), doubtful=doubtful,
        valid=not doubtful.any(), reasons=("a reason",) if doubtful.any() else (), vanishing=(), axis=STAGE,
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(5))
def test_ranges_above_hold_every_speed_above_and_none_below(seed):
    rng = np.random.default_rng(seed)
    curve = synthetic(np.geomspace(1e-4, 1.0, 40), lambda v: rng.choice([0.5, 1.5], v.shape))
    view = prepare_ripple(curve, (0.0, 1.0))
    inside = [any(low <= speed <= high for low, high in view.headline.ranges) for speed in curve.speed]
    assert inside == list(curve.rms > 1.0)


def test_finding_leaves_out_speeds_in_doubt_and_hatches_them():
    speed = np.geomspace(1e-3, 1.0, 50)
    ax = ripple_picture.ripple(synthetic(speed, lambda v: v, speed > 0.1))
    hatched = [patch for patch in ax.patches if patch.get_hatch()]
    assert "a reason" in " ".join(text.get_text() for text in ax.figure.texts)
    assert wording.quantity(speed[speed <= 0.1].max(), "m/s", 2) in ax.figure.encsim_title
    assert len(hatched) == 1


def test_limit_of_a_ring_is_named_in_the_unit_of_the_axis():
    # Ripple enough for an axis in rpm; 3 °/s are 0.5 rpm.
    curve = encsim.ripple(changed(TABLE, gain=0.5, offset=(0.5, 0.3)), np.geomspace(0.1, 20.0, 40))
    ax = ripple_picture.ripple(curve, limit=(0.0, np.radians(3.0)))
    assert "(rpm)" in " ".join(text.get_text() for text in texts_of(ax.figure))
    assert "limit: 0.5\u202frpm" in [text.get_text() for text in texts_of(ax.figure)]


@pytest.mark.parametrize(("limit", "side"), [(0.05, "Above"), (2.0, "Within")])
def test_title_speaks_of_no_speed_in_doubt(limit, side):
    speed = np.geomspace(1e-3, 1.0, 50)
    # In doubt below 0.1 m/s, where the ripple is below both limits.
    title = ripple_picture.ripple(
        synthetic(speed, lambda v: v, speed < 0.1), limit=(0.0, limit)
    ).figure.encsim_title
    assert title.startswith(f"{side} the limit at every speed with a reliable result")


def test_drawn_harmonics_of_an_error_that_has_two_add_up_to_it():
    signal = encsim.Signal(sde={2: (3e-9, 0.4), 5: (1e-9, 1.0)})
    axis = encsim.Axis(encsim.Scale(period=20e-6), signal=signal, sampling=encsim.Sampling(16e3))
    ax = encsim.position_error(axis).plot()
    drawn = [line.get_ydata() for line in ax.lines if np.size(line.get_ydata()) > 100]
    assert len(drawn) == 3
    np.testing.assert_allclose(drawn[1] + drawn[2], drawn[0], atol=1e-6 * np.ptp(drawn[0]))


def test_title_of_a_period_gives_half_of_peak_to_peak():
    error = encsim.position_error(STAGE)
    title = error.plot().figure.encsim_title
    assert f"±{wording.quantity(np.ptp(error.error) / 2.0, 'm', 2)}, mainly harmonics 1 and 2" in title


def test_title_of_the_channels_gives_the_largest_departure():
    error = encsim.position_error(changed(IDEAL, offset=(0.03, 0.04)))
    assert error.plot_channels().figure.encsim_title.endswith("by up to 5.0\u202f%")


def test_error_given_directly_leaves_the_circle_ideal():
    title = encsim.position_error(changed(IDEAL, sde={1: 40e-9})).plot_channels().figure.encsim_title
    assert "ideal circle" in title


@pytest.mark.parametrize(
    ("speed", "words"),
    [(72.3e-3, "two of four harmonics"), (5e-3, "none of five harmonics"), (0.3, "all four harmonics")],
)
def test_title_of_a_run_counts_folded_lines(speed, words):
    trace = trace_of(STAGE, speed)
    title = run_picture.run(trace).figure.encsim_title
    assert wording.quantity(trace.rms, "m/s", 2) in title
    assert words in title


@pytest.mark.parametrize(("axis", "lines"), [(STAGE, 4), (changed(STAGE, jitter=1e-9), 3), (SERIAL, 5)])
def test_ripple_draws_the_total_and_a_line_a_role(axis, lines):
    curve = curve_of(axis).refined()
    ax = ripple_picture.ripple(curve)
    long = [line for line in ax.lines if len(line.get_xdata()) == len(curve.speed)]
    assert len(long) == lines
    np.testing.assert_allclose(long[-1].get_ydata(), curve.rms * 1e3)


def test_parts_of_a_role_add_up_as_squares():
    curve = curve_of(STAGE)
    noise = prepare_ripple(curve).parts["noise"]
    np.testing.assert_allclose(noise, np.hypot(curve.parts["jitter"], curve.parts["clock"]))


def test_ribbon_shows_only_regimes_that_occur():
    figure = curve_of(changed(IDEAL, jitter=1e-9)).plot().figure
    words = {text.get_text() for text in figure.findobj(Text)}
    assert "noise" in words
    assert words.isdisjoint(
        {"resolution", "direct", "aliased", "cyclic error, direct", "cyclic error, aliased"}
    )


def test_ticks_on_top_mark_vanishing_speeds():
    curve = curve_of(STAGE, 0.05, 1.0)
    (ticks,) = (part for part in curve.plot().collections if part.get_transform().contains_branch_seperately)
    places = [path.vertices[0, 0] for path in ticks.get_paths()]
    assert set(np.round(places, 6)) <= {round(speed * 1e3, 6) for speed, _ in curve.vanishing}
    assert len(places) > 8


@pytest.mark.parametrize("departure", [1e-4, 0.0031, 0.031, 0.1, 0.29, 0.5, 2.0])
def test_exaggeration_is_the_largest_that_keeps_the_figure_readable(departure):
    times = exaggeration(departure)
    larger = [factor for factor in (2, 5, 10, 20, 50, 100) if factor > times]
    assert times == 1 or times * departure <= 0.32
    assert all(factor * departure > 0.32 for factor in larger)


def test_folded_lines_are_hollow_and_dashed():
    trace = trace_of(STAGE)
    ax = run_picture.run(trace).figure.axes[1]
    dots = {round(line.get_xdata()[0], 6): line for line in ax.lines if line.get_marker() == "o"}
    lines = trace.expected_lines
    for index in range(4):
        hollow = dots[round(lines.alias[index] / 1e3, 6)].get_markerfacecolor() == "#FFFFFF"
        assert hollow == (lines.frequency[index] > 8e3)


def test_run_too_short_for_a_spectrum_has_none_and_says_how_short_it_is():
    # 0.01 m/s for 9 samples of 16 kHz: 0.28 of a period of 20 um.
    short, long = (run_picture.run(trace_of(STAGE, 0.01, samples)).figure for samples in (9, 200))
    assert short.encsim_title.endswith("over 28\u202f% of a signal period")
    assert "Too short for a spectrum" in short.encsim_note
    assert (len(short.axes), len(long.axes)) == (1, 2)


def test_faults_of_channels_stand_as_position_where_the_scale_is_known():
    share, position = (
        " ".join(text.get_text() for text in FIT.plot(scale=scale).figure.texts)
        for scale in (None, encsim.Scale(period=20e-6))
    )
    # An offset of 1 % and -0.5 % turns the phase by up to sqrt(1.25) %; over 2 pi of 20 um that is 35.6 nm.
    assert "of a period" in share
    assert "harmonic 1: 35." in position
    assert "of a period" not in position


@pytest.mark.parametrize("page", ["a4", "phone"])
def test_no_title_ends_in_a_short_line_where_its_lines_can_be_even(page):
    style = canvas.Style(page=page)
    words = "word " * 30
    for count in range(12, 150, 3):
        title = words[:count].strip()
        sheet = canvas.Sheet(style, canvas.Words(title), 10.0)
        lines = [text.get_text() for text in sheet.figure.texts]
        assert " ".join(lines) == title
        assert len(lines) == len(
            canvas.wrap(title, style.title_letters, style.width - 7.0, style.title_size, True)
        )
        assert len(lines) == 1 or len(lines[-1]) > 0.2 * style.title_letters


def slow_spectrum(ripple):
    """Amplitudes by the sum itself, one frequency at a time."""
    count = len(ripple)
    k = np.arange(count)
    window = np.sin(np.pi * k / count) ** 2
    wave = window * (ripple - ripple.mean())
    sums = [abs(np.sum(wave * np.exp(-2j * np.pi * bin * k / count))) for bin in range(count // 2 + 1)]
    return 2.0 * np.array(sums) / window.sum()


@pytest.mark.parametrize("samples", [32, 57, 256])
def test_spectrum_equals_the_slow_sum(samples):
    trace = trace_of(STAGE, samples=samples)
    frequency, size = spectrum(trace)
    expected = slow_spectrum(trace.velocity - trace.speed)
    # Two ways of summing some hundred rounded products.
    np.testing.assert_allclose(size, expected, rtol=1e-9, atol=1e-12 * expected.max())
    assert frequency[1] == pytest.approx(16e3 / samples)


def test_a_line_in_the_spectrum_is_as_high_as_its_amplitude():
    trace = trace_of(STAGE, samples=512)
    trace.velocity = trace.speed + 3e-3 * np.sin(2.0 * np.pi * 37 * np.arange(512) / 512 + 0.4)
    # On a point of the spectrum the window's scale is exact to rounding.
    assert spectrum(trace)[1].max() == pytest.approx(3e-3, rel=1e-12)


def test_narrow_spikes_survive_the_pixels():
    size = np.full(100_000, 1e-6)
    size[[3, 54_321, 99_999]] = 1.0, 2.0, 3.0
    shown = _per_pixel(np.arange(100_000.0), size)[1]
    assert sorted(shown[shown > 0.5]) == [1.0, 2.0, 3.0]


# The fullest picture of each kind.
FULL = {
    "ripple with limit and rings", "ripple in doubt", "period of many lines", "channels of many faults", "recorded",
    "run of many lines",
}  # fmt: skip


@pytest.mark.parametrize("name", SHEETS)
def test_no_word_leaves_the_sheet_or_covers_another_and_alternative_text_is_short(name, pages):
    for style in pages(name in FULL):
        figure = SHEETS[name](style).figure
        assert clashes(figure) == []
        assert 8 <= len(figure.encsim_text.split()) <= 60
        assert figure.encsim_title in figure.encsim_text


def test_a_very_long_reason_is_wrapped_not_cut():
    curve = synthetic(np.geomspace(1e-3, 1.0, 50), lambda v: v, np.ones(50, bool))
    curve.reasons = ("because of " + "unbreakable" * 20,)
    figure = ripple_picture.ripple(curve).figure
    assert all(box.x1 <= figure.bbox.width for box in texts_of(figure).values())


def test_theme_changes_colours_alone():
    drawn = [ripple_picture.ripple(curve_of(STAGE), style=canvas.Style(theme)) for theme in ("light", "dark")]
    light, dark = ([line.get_xydata() for line in ax.lines] for ax in drawn)
    for first, second in zip(light, dark, strict=True):
        np.testing.assert_array_equal(first, second)
    assert drawn[0].lines[-1].get_color() != drawn[1].lines[-1].get_color()


PANELS = {
    "ripple": lambda ax: curve_of(STAGE).plot(ax),
    "period": lambda ax: encsim.position_error(STAGE).plot(ax),
    "channels": lambda ax: encsim.position_error(STAGE).plot_channels(ax),
    "recorded": lambda ax: FIT.plot(ax),
    "run": lambda ax: run_picture.run(trace_of(STAGE), ax),
    "standstill": lambda ax: encsim.ripple(STAGE, [0.0]).plot(ax),
    "nothing": lambda ax: curve_of(IDEAL).plot(ax),
}


@pytest.mark.parametrize("name", PANELS)
def test_given_axes_are_drawn_into_and_no_others(name):
    figure = Figure()
    other, ax = figure.subplots(1, 2)
    before = [len(other.get_children()), other.get_xlim(), len(figure.texts), len(figure.axes)]
    assert PANELS[name](ax) is ax
    assert ax.lines
    assert [len(other.get_children()), other.get_xlim(), len(figure.texts), len(figure.axes)] == before


def test_a_second_curve_keeps_unit_and_range_of_the_first():
    ax = Figure().subplots()
    curve_of(STAGE, 1e-5, 1.0).plot(ax)
    curve_of(STAGE, 1e-7, 1e-6).plot(ax)
    assert ax.get_xlabel() == "Speed (mm/s)"
    assert ax.get_xlim() == pytest.approx((1e-4, 1e3))


def test_pyplot_is_never_loaded():
    code = (
        "import sys, encsim; a = encsim.Axis(encsim.Scale(period=2e-5), sampling=encsim.Sampling(16e3));"
        "assert 'matplotlib' not in sys.modules; encsim.ripple(a, [1.0, 2.0]).plot();"
        "encsim.position_error(a).plot(); print('matplotlib.pyplot' in sys.modules)"
    )
    assert (
        subprocess.run([sys.executable, "-c", code], capture_output=True, check=True).stdout.strip()
        == b"False"
    )


@pytest.mark.parametrize(
    "speeds", [[0.0], [0.0, 0.0], [1.0], [-1.0, 1.0], [3.0, 1e-9, 2.0], [1e-9], [[1.0, 2.0]], [1e6, 1e-6]]
)
def test_any_speeds_can_be_drawn(speeds):
    curve = encsim.ripple(STAGE, speeds)
    for ax in (curve.plot(), ripple_picture.ripple(curve, Figure().subplots(), limit=(0.01, 1e-6))):
        assert texts_of(ax.figure)


@pytest.mark.parametrize("axis", [IDEAL, TABLE])
def test_any_axis_can_be_drawn_at_odd_speeds(axis):
    assert texts_of(encsim.ripple(axis, [3.0, 0.0, -1e-9]).plot().figure)


@pytest.mark.parametrize("limit", [(0.0, 0.0), (-0.1, 1.0), (0.1,), 0.1, "ab", (np.nan, 1.0), (True, 1.0)])
def test_a_limit_nobody_can_mean_is_refused(limit):
    with pytest.raises(InputError, match=r"plot\.limit must be a share of the speed and a least value"):
        curve_of(STAGE).plot(limit=limit)


def test_simulated_points_need_as_many_speeds_as_ripples():
    with pytest.raises(InputError, match=r"plot\.simulated must hold speed and rms of one length"):
        curve_of(STAGE).plot(simulated={"speed": [1e-3, 2e-3], "rms": [1e-5]})


@pytest.mark.parametrize(
    ("estimator", "words"),
    [
        (encsim.Difference(), "first difference"),
        (encsim.Difference(4), "difference over 4 samples"),
        (encsim.LeastSquares(9), "least squares over 9 samples"),
        (encsim.LowPass(300.0), "300\u202fHz low-pass"),
        (encsim.Tracking(250.0), "250\u202fHz tracking loop"),
        (encsim.Kalman(10.0), "Kalman filter"),
    ],
)
def test_note_names_the_estimator(estimator, words):
    figure = ripple_picture.ripple(curve_of(dataclasses.replace(STAGE, estimator=estimator), count=20)).figure
    assert words in " ".join(text.get_text() for text in figure.texts)


def test_missing_numbers_leave_gaps():
    curve = synthetic(np.geomspace(1e-3, 1.0, 50), lambda v: np.where(v > 0.1, np.nan, v))
    assert texts_of(ripple_picture.ripple(curve).figure)


@pytest.mark.parametrize("kind", ["png", "svg", "pdf"])
def test_the_same_figure_gives_the_same_bytes(kind, tmp_path):
    files = [tmp_path / f"{number}.{kind}" for number in (1, 2)]
    for file in files:
        canvas.save(encsim.position_error(STAGE).plot().figure, file)
    assert files[0].read_bytes() == files[1].read_bytes()


@pytest.mark.parametrize("kind", ["png", "svg"])
def test_files_hold_title_and_alternative_text(kind):
    figure, stream = curve_of(STAGE).plot().figure, io.BytesIO()
    canvas.save(figure, stream, kind)
    for text in (figure.encsim_title, figure.encsim_text):
        assert text.encode() in stream.getvalue()


def test_svg_is_an_image_to_screen_readers():
    stream = io.BytesIO()
    canvas.save(curve_of(STAGE).plot().figure, stream, "svg")
    assert b'<svg role="img"' in stream.getvalue()
    assert b"<desc>Log-log chart of velocity ripple" in stream.getvalue()


@pytest.mark.parametrize("name", ["picture.jpg", "picture", "picture.txt", "svg"])
def test_other_formats_are_refused(name, tmp_path):
    with pytest.raises(InputError, match=r"--plot must end in .png, .svg or .pdf"):
        canvas.save(Figure(), tmp_path / name)
    assert list(tmp_path.iterdir()) == []


def test_a_stream_needs_its_format():
    with pytest.raises(InputError, match="--plot must end in"):
        canvas.save(Figure(), io.BytesIO())


def test_a_file_is_not_replaced_unless_forced(tmp_path):
    file = tmp_path / "old.png"
    file.write_bytes(b"old")
    with pytest.raises(InputError, match="not exist yet"):
        canvas.save(Figure(), file)
    assert file.read_bytes() == b"old"
    canvas.save(Figure(), file, force=True)
    assert file.read_bytes().startswith(b"\x89PNG")
