"""Pictures of the closed loop: numbers in titles, what is drawn, words that stay apart, odd results."""

import dataclasses
import functools
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from matplotlib.figure import Figure
from sheets import IDEAL, STAGE, TABLE, clashes, texts_of

import encsim
from encsim import wording
from encsim.checks import InputError
from encsim.closed_loop import loop
from encsim.closed_loop.closed_loop_ripple import smoothness
from encsim.figures import estimators as estimators_picture
from encsim.figures import folded as folded_picture
from encsim.figures import loop as loop_picture
from encsim.figures import margins as margins_picture
from encsim.figures.loop_view import meetings, prepare_smoothness
from encsim.figures.margins import loop_gain_curve
from encsim.model import profiles
from encsim.presentation import canvas, elements

SPRING = encsim.Load(8.0, motor_inertia=12.0, stiffness=5.69e7, damping=1500.0, viscous=20.0)
CASCADE = encsim.Control(110.0, 9000.0, integral_time=0.01, current_bandwidth=1500.0, delay=62.5e-6)
LOOP = dataclasses.replace(STAGE, load=SPRING, control=CASCADE)
TURN = dataclasses.replace(
    TABLE,
    interpolation=encsim.Interpolation(factor=1024),
    estimator=encsim.Difference(),
    load=encsim.Load(1e-3, viscous=0.01),
    control=encsim.Control(60.0, 0.3, integral_time=0.03, delay=60e-6),
)
SMOOTH = dataclasses.replace(LOOP, signal=encsim.Signal(), interpolation=encsim.Interpolation())
CANDIDATES = [
    *map(encsim.Difference, (1, 2, 4, 8, 16, 32, 64)),
    *map(encsim.LeastSquares, (3, 5, 10, 20, 60)),
    *map(encsim.LowPass, (2000.0, 500.0, 125.0)),
    *map(encsim.Tracking, (1800.0, 640.0, 155.0)),
]
NOISY = dataclasses.replace(STAGE, signal=dataclasses.replace(STAGE.signal, jitter=2e-9))
TIMED = [encsim.PeriodTiming(clock=50e6), encsim.CountAndTime(clock=50e6, window=1e-3), encsim.Kalman(10.0)]


def controlled(axis=LOOP, **changes):
    """The axis with other gains."""
    return dataclasses.replace(axis, control=dataclasses.replace(axis.control, **changes))


def margins_of(axis, lines=None, style=canvas.PRINT):
    found = encsim.margins(axis)
    return margins_picture.margins(found, lines=lines, style=style)


def folded_of(axis, speed, style=canvas.PRINT, ax=None):
    frequency = np.geomspace(1e-5, 0.5, 500) * axis.sampling.rate
    response = loop.build(axis).response(frequency)
    lines = encsim.lines(axis, speed)
    return folded_picture.folded(frequency, response.complementary, response.torque, lines, ax, style=style)


# Results are computed once for all sheets they are drawn on.
@functools.cache
def smoothness_over(axis, low, high):
    return smoothness(axis, np.geomspace(low, high, 60)).refined()


def smooth_of(axis, low=3e-4, high=1.0, style=canvas.PRINT, **more):
    return loop_picture.smoothness(smoothness_over(axis, low, high), style=style, **more)


@functools.cache
def frontier_at(axis, speed, candidates):
    return encsim.frontier(axis, speed, candidates)


def frontier_of(axis, speed, candidates, style=canvas.PRINT):
    return estimators_picture.frontier(frontier_at(axis, speed, tuple(candidates)), style=style)


def run_of(axis=LOOP, samples=400, stopped=None, ripple=70e-6):
    """A run made here: a wave that the drive sees with noise on it."""
    time = np.arange(samples) / axis.sampling.rate
    wave = np.sin(2.0 * np.pi * 500.0 * time)
    noise = np.random.default_rng(8).normal(0.0, ripple, samples)
    velocity, measured = 0.01 + ripple * wave, 0.01 + 2.0 * ripple * wave + noise
    rms = {"measured": float(np.std(measured)), "actual": float(np.std(velocity)), "torque": 1.0}
    return SimpleNamespace(
        time=time, position=0.01 * time, velocity=velocity, measured=measured, torque=2.0 * wave, rms=rms, settle=0,
        demand=np.full(samples, 0.01), following_error=1e-6 * wave, stopped=stopped, axis=axis, valid=stopped is None,
        sticking=0.0,
        reasons=(), seed=8,
    )  # fmt: skip


STICKY = dataclasses.replace(LOOP, load=encsim.Load(20.0, coulomb=6.0, stribeck=4.0, stribeck_speed=2e-3))
MOVES = {
    "move": (LOOP, profiles.Trapezoid(5e-3, 0.1, 5.0), 0.12),
    "reversal": (STICKY, profiles.Sine(20e-6, 2.0), 0.7),
    "turn to and fro": (TURN, profiles.SCurve(-0.3, 6.0, 300.0, 3e4), 0.2),
    "steady run": (LOOP, 0.01, 0.3),
}


@functools.cache
def moved(name):
    return encsim.run(*MOVES[name], seed=3)


def move_of(name, style=canvas.PRINT):
    """The picture of a real run."""
    return loop_picture.closed_run(moved(name), style=style)


def step_of(of="position", axis=LOOP, style=canvas.PRINT, **how):
    return loop_picture.step(encsim.step_response(axis, of, **how), style=style)


def ramp_of(axis=LOOP, style=canvas.PRINT, **how):
    return loop_picture.step(encsim.ramp_response(axis, **how), style=style)


def changed(result, **values):
    """A result with other fields."""
    return SimpleNamespace(
        **{item.name: getattr(result, item.name) for item in dataclasses.fields(result)} | values
    )


def doubtful_result(**values):
    result = smoothness(LOOP, np.geomspace(1e-2, 1.0, 40))
    return changed(result, **values)


SHEETS = {
    "smoothness": lambda style: smooth_of(LOOP, style=style),
    "smoothness with rings": lambda style: smooth_of(
        LOOP, style=style, simulated={"speed": [1e-3, 0.1], "measured": [4e-5, 1e-3], "actual": [2e-5, 1e-6]}
    ),
    "smoothness of a turn": lambda style: smooth_of(TURN, 0.01, 300.0, style),
    "smoothness without a resonance": lambda style: smooth_of(
        dataclasses.replace(LOOP, load=encsim.Load(20.0)), style=style
    ),
    "no roughness": lambda style: smooth_of(SMOOTH, style=style),
    "unstable smoothness": lambda style: smooth_of(controlled(velocity_gain=19e4), style=style),
    "smoothness in doubt": lambda style: loop_picture.smoothness(
        doubtful_result(doubtful=np.ones(40, bool), valid=False, reasons=("a reason " * 20,)), style=style
    ),
    "smooth standstill": lambda style: loop_picture.smoothness(smoothness(LOOP, [0.0]), style=style),
    "one smooth speed": lambda style: loop_picture.smoothness(smoothness(LOOP, [0.01]), style=style),
    "few smooth speeds": lambda style: loop_picture.smoothness(smoothness(LOOP, [0.3, 0.0, -0.01, 0.02]), style=style),
    "margins": lambda style: margins_of(LOOP, style=style),
    "margins with lines": lambda style: margins_of(LOOP, encsim.lines(LOOP, 2e-3), style),
    "margins of a turn": lambda style: margins_of(TURN, encsim.lines(TURN, 0.2), style),
    "little room": lambda style: margins_of(controlled(velocity_gain=6e4), style=style),
    "unstable": lambda style: margins_of(controlled(velocity_gain=19e4), style=style),
    "late": lambda style: margins_of(controlled(delay=0.01), style=style),
    "open": lambda style: margins_of(controlled(velocity_gain=0.0), style=style),
    "weak": lambda style: margins_of(dataclasses.replace(LOOP, control=encsim.Control(0.0, 1e-3)), style=style),
    "folded": lambda style: folded_of(LOOP, 72.3e-3, style),
    "folded on a turn": lambda style: folded_of(TURN, 100.0, style),
    "lines at rest": lambda style: folded_of(LOOP, 0.32, style),
    "lines at standstill": lambda style: folded_of(LOOP, 0.0, style),
    "open loop": lambda style: folded_of(controlled(velocity_gain=0.0), 0.1, style),
    "no lines": lambda style: folded_of(SMOOTH, 0.1, style),
    "frontier": lambda style: frontier_of(NOISY, 1e-4, CANDIDATES, style),
    "frontier of all": lambda style: frontier_of(TURN, 1.0, CANDIDATES + TIMED, style),
    "fast frontier": lambda style: frontier_of(NOISY, 0.01, CANDIDATES, style),
    "one candidate": lambda style: frontier_of(NOISY, 1e-4, [encsim.LowPass(500.0)], style),
    "one family": lambda style: frontier_of(NOISY, 1e-4, CANDIDATES[:7], style),
    "no ripple": lambda style: frontier_of(IDEAL, 0.01, CANDIDATES, style),
    "frontier at rest": lambda style: frontier_of(TURN, 0.0, CANDIDATES[:3] + TIMED, style),
    "closed run": lambda style: loop_picture.closed_run(run_of(), style=style),
    "long run": lambda style: loop_picture.closed_run(run_of(samples=40_000), style=style),
    "stopped run": lambda style: loop_picture.closed_run(
        run_of(stopped=(0.025, "it swings ever more")), style=style
    ),
    "quiet run": lambda style: loop_picture.closed_run(run_of(ripple=0.0), style=style),
    "run of one sample": lambda style: loop_picture.closed_run(run_of(samples=1), style=style),
    **{name: lambda style, name=name: move_of(name, style) for name in MOVES},
    "step": lambda style: step_of(style=style),
    "step down": lambda style: step_of(style=style, axis=TURN, size=-2.0),
    "short step": lambda style: step_of(style=style, seconds=2e-3),
    "unstable step": lambda style: step_of(style=style, axis=controlled(velocity_gain=19e4)),
    "velocity step": lambda style: step_of("velocity", style=style),
    "push": lambda style: step_of("load", style=style),
    "push of a turn": lambda style: step_of("load", TURN, style, size=0.1),
    "push that nothing holds": lambda style: step_of("load", controlled(position_gain=0.0, integral_time=None), style),
    "ramp": lambda style: ramp_of(style=style),
    "ramp without feed-forward": lambda style: ramp_of(controlled(TURN, velocity_feedforward=0.0), style, rate=0.3),
}  # fmt: skip


# The fullest picture of each kind.
FULL = {
    "smoothness with rings", "margins with lines", "folded on a turn", "frontier of all", "reversal", "velocity step",
    "push", "ramp without feed-forward",
}  # fmt: skip


@pytest.mark.parametrize("name", SHEETS)
def test_no_word_leaves_the_sheet_or_covers_another_and_alternative_text_is_short(name, pages):
    for style in pages(name in FULL):
        figure = SHEETS[name](style).figure
        assert clashes(figure) == []
        if "doubt" not in name:
            assert 8 <= len(figure.encsim_text.split()) <= 60
        assert figure.encsim_title in figure.encsim_text


PANELS = {
    "smoothness": lambda ax: smoothness(LOOP, np.geomspace(1e-3, 1.0, 30)).plot(ax),
    "unstable": lambda ax: smoothness(controlled(velocity_gain=19e4), [0.01, 0.02]).plot(ax),
    "margins": lambda ax: encsim.margins(LOOP).plot(ax),
    "folded": lambda ax: folded_of(LOOP, 0.1, ax=ax),
    "frontier": lambda ax: frontier_at(NOISY, 1e-4, tuple(CANDIDATES)).plot(ax),
    "no frontier": lambda ax: frontier_at(IDEAL, 0.01, tuple(CANDIDATES)).plot(ax),
    "run": lambda ax: loop_picture.closed_run(run_of(), ax),
    "step": lambda ax: encsim.step_response(LOOP).plot(ax),
    "ramp": lambda ax: encsim.ramp_response(LOOP).plot(ax),
}


@pytest.mark.parametrize("name", PANELS)
def test_given_axes_are_drawn_into_and_no_others(name):
    figure = Figure()
    other, ax = figure.subplots(1, 2)
    before = [len(other.get_children()), other.get_xlim(), len(figure.texts), len(figure.axes)]
    assert PANELS[name](ax) is ax
    assert ax.lines
    assert [len(other.get_children()), other.get_xlim(), len(figure.texts), len(figure.axes)] == before


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [
        (0.25, "N", "250\u202fmN"),
        (1790.0, "N", "1.79\u202fkN"),
        (0.011, "N m", "11.0\u202fmN\u202fm"),
        (0.99996, "A", "1.00\u202fA"),
        (0.0, "N m", "0\u202fN m"),
    ],
)
def test_force_torque_and_current_have_handy_prefixes(value, unit, shown):
    assert wording.quantity(value, unit) == shown


def test_title_names_the_speeds_at_which_lines_meet_the_resonance():
    title = smooth_of(LOOP).figure.encsim_title
    for order in (1, 2):
        met = SPRING.resonance * 20e-6 / order
        # Closed, the loop shifts the peak by some per cent.
        speeds = [
            speed
            for speed, _, line in meetings(prepare_smoothness(smoothness_over(LOOP, 3e-4, 1.0)))
            if line == order
        ]
        assert speeds == pytest.approx([met], rel=0.05)
        assert wording.quantity(speeds[0], "m/s", 2) in title
        found = order * speeds[0] / 20e-6
        assert found == pytest.approx(SPRING.resonance, rel=0.05)
    # The same for both harmonics: the loop moves the resonance.
    assert title.endswith(f"harmonics 2 and 1 meet the {wording.quantity(found, 'Hz', 2)} resonance")


def test_title_tells_a_peak_from_the_speed_beside_it_where_lines_vanish():
    # At 0.96 m/s, where all lines vanish, the axis shakes a seventh of what it does 0.2 % faster.
    axis = encsim.load(Path(__file__).resolve().parents[2] / "examples" / "stage_x_loop.toml")
    title = smooth_of(axis, 0.5, 1.1).figure.encsim_title
    assert title.endswith("in narrow peaks beside sampling nulls")


def test_title_of_a_range_names_no_needle():
    # Peaks beside the nulls at 0.32, 0.64 and 0.96 m/s are as high as the wide one at 2 mm/s.
    axis = encsim.load(Path(__file__).resolve().parents[2] / "examples" / "stage_x_loop.toml")
    title = smooth_of(axis, 1e-4, 1.1).figure.encsim_title
    assert title.startswith("Actual ripple is largest at 2.0\u202fmm/s, 0.016\u202fmm/s rms: cyclic error")


def test_title_without_a_resonance_names_the_cause():
    title = SHEETS["smoothness without a resonance"](canvas.PRINT).figure.encsim_title
    assert title.startswith("Actual ripple is largest at ")
    assert "cyclic error" in title


def test_refined_curve_finds_the_top_of_a_hardly_damped_resonance():
    sharp = dataclasses.replace(
        LOOP, load=dataclasses.replace(SPRING, damping=30.0), control=encsim.Control(20.0, 900.0)
    )
    fine = smoothness(sharp, np.geomspace(0.0108, 0.0112, 4001)).actual.max()
    found = smoothness(sharp, np.geomspace(3e-3, 0.1, 30)).refined()
    near = (found.speed > 0.0108) & (found.speed < 0.0112)
    # Points stand a tenth of a half width apart at the undamped frequency, where the loop has little part.
    assert found.actual[near].max() == pytest.approx(fine, rel=0.05)


def test_open_loop_leaves_given_axes_empty():
    ax = Figure().add_subplot()
    assert encsim.margins(controlled(velocity_gain=0.0)).plot(ax) is ax
    assert not ax.lines


@pytest.mark.parametrize(
    ("axis", "words"),
    [
        (LOOP, "Stable with good margins: 59° phase margin, 21\u202fdB gain margin"),
        (controlled(velocity_gain=6e4), "Stable with small margins: "),
        (controlled(velocity_gain=19e4), "Unstable loop: "),
        (controlled(velocity_gain=0.0), "The loop is open"),
    ],
)
def test_title_of_margins_says_whether_there_is_room(axis, words):
    found = encsim.margins(axis)
    title = found.plot().figure.encsim_title
    assert title.startswith(words)
    if words.endswith("gain margin"):
        assert (round(found.phase_margin), round(20.0 * np.log10(found.gain_margin))) == (59, 21)


@pytest.mark.parametrize("axis", [LOOP, TURN, controlled(velocity_gain=6e4), controlled(velocity_gain=3e4)])
def test_margins_are_marked_where_the_curve_has_them(axis):
    found = encsim.margins(axis)
    curve = loop_gain_curve(found)
    # Read off straight lines between grid points a per cent apart.
    assert -curve.rising[1] == pytest.approx(20.0 * np.log10(found.gain_margin), abs=0.02)
    assert -curve.falling[1] == pytest.approx(20.0 * np.log10(found.lower_gain_margin), abs=0.02)
    assert curve.turning[2] % 360.0 - 180.0 == pytest.approx(found.phase_margin, abs=0.1)
    assert curve.crossover[1] == pytest.approx(0.0, abs=0.02)


def test_title_of_folded_lines_gives_what_the_loop_makes_of_them():
    lines = encsim.lines(LOOP, 72.3e-3)
    response = loop.build(LOOP).response(lines.alias)
    motion, force = (np.abs(gain) * lines.position for gain in (response.complementary, response.torque))
    title = folded_of(LOOP, 72.3e-3).figure.encsim_title
    assert f"harmonic {lines.harmonic[np.argmax(motion)]} moves the axis most" in title
    assert f"±{wording.quantity(motion.max(), 'm', 2)}" in title
    assert f"±{wording.quantity(force.max(), 'N', 2)}" in title


def test_lines_at_rest_move_the_axis_by_all_of_themselves():
    largest = encsim.lines(LOOP, 0.32).position.max()
    assert f"±{wording.quantity(largest, 'm', 2)}" in folded_of(LOOP, 0.32).figure.encsim_title


def test_title_of_a_frontier_gives_delay_and_ripple_of_a_candidate():
    found = frontier_at(NOISY, 1e-4, tuple(CANDIDATES))
    title = found.plot().figure.encsim_title
    knee = int(np.argmin(np.where(found.best, found.delay * found.rms, np.inf)))
    share = found.rms[int(np.argmin(found.delay))] / found.rms[knee]
    assert title.startswith(f"{wording.quantity(found.delay[knee], 's', 2)} of delay")
    assert f"1/{wording.digits(share, 2)}:" in title


def test_title_of_a_frontier_that_only_much_delay_lowers_says_what_it_takes():
    found = encsim.frontier(LOOP, 1e-3, [encsim.Difference(n) for n in (1, 2, 2048)])
    title = found.plot().figure.encsim_title
    assert title.startswith(f"It takes {wording.quantity(found.delay[2], 's', 2)} of delay to cut")


def test_best_candidates_are_ringed():
    found = frontier_at(NOISY, 1e-4, tuple(CANDIDATES))
    # the present setting has a square
    (ring,) = (
        line for line in found.plot().lines if line.get_markersize() > 10.0 and line.get_marker() == "o"
    )
    np.testing.assert_allclose(sorted(ring.get_xdata()), sorted(found.delay[found.best] * 1e3))


@pytest.mark.parametrize("of", ["position", "velocity"])
def test_title_of_a_step_gives_overshoot_and_settling(of):
    found = encsim.step_response(LOOP, of, 1e-3)
    title = found.plot().figure.encsim_title
    assert ("no overshoot" in title) == (found.overshoot == 0.0)
    assert found.overshoot == 0.0 or f"{wording.percent(found.overshoot)} overshoot" in title
    assert title.endswith(f"after {wording.quantity(found.settling_time, 's', 2)}")


@pytest.mark.parametrize(("integral", "words"), [(0.01, ", back within"), (None, ", at ")])
def test_title_of_a_push_says_whether_the_axis_comes_back(integral, words):
    found = encsim.step_response(
        controlled(dataclasses.replace(LOOP, load=encsim.Load(20.0)), integral_time=integral), "load", 20.0
    )
    title = found.plot().figure.encsim_title
    assert title.startswith(
        f"20\u202fN on the load push it by {wording.quantity(found.largest, 'm', 2)}{words}"
    )


@pytest.mark.parametrize(("share", "words"), [(0.0, ", constant at"), (1.0, ", gone within")])
def test_title_of_a_ramp_says_how_far_the_axis_trails(share, words):
    # the spring is pulled by viscous friction, some 1e-7 of the error without feed-forward
    found = encsim.ramp_response(controlled(TURN, velocity_feedforward=share), 0.2)
    title = found.plot().figure.encsim_title
    assert f"following error up to {wording.quantity(found.largest_error, 'rad', 2)}" in title
    assert words in title


def test_step_in_doubt_says_why():
    title = step_of(axis=controlled(torque_limit=1.0), size=1e-3).figure.encsim_title
    assert title.startswith("Not reliable: the torque would reach")


def test_title_of_a_move_gives_the_largest_following_error():
    found = moved("move")
    worst = np.abs(found.following_error).argmax()
    title = found.plot().figure.encsim_title
    assert title.startswith(
        f"The load has a following error of up to {wording.quantity(abs(found.following_error[worst]), 'm', 2)}"
    )
    assert title.endswith(f"at {wording.quantity(found.time[worst], 's', 2)}")


def test_title_of_a_reversal_says_how_long_the_axis_sticks():
    title = move_of("reversal").figure.encsim_title
    found = moved("reversal")
    stuck = np.mean((np.abs(found.velocity) < 2.5e-7) & (np.abs(found.demand) > 2.5e-6))
    assert stuck > 0.1
    assert title.startswith(f"The axis sticks {wording.percent(stuck)} of the time")


@pytest.mark.parametrize(("name", "shown"), [("steady run", 800), ("move", 1920), ("reversal", 11_200)])
def test_steady_run_shows_its_last_cycles_and_a_move_all(name, shown):
    ax = move_of(name)
    times = np.concatenate([line.get_xdata() for line in ax.lines])
    unit = 1e3 if times.max() > 5.0 else 1.0
    length = np.ptp(times) / unit * MOVES[name][0].sampling.rate
    # a long line is drawn by pixels, whose middles are drawn
    assert length == pytest.approx(shown, abs=10 + shown / 700)


def test_stopped_run_says_when_and_why():
    title = loop_picture.closed_run(run_of(stopped=(0.025, "it swings ever more"))).figure.encsim_title
    assert title == "Stopped after 25\u202fms: it swings ever more"


def test_run_too_short_to_settle_claims_no_ripple():
    result = run_of()
    result.rms = dict.fromkeys(result.rms, np.nan)
    assert loop_picture.closed_run(result).figure.encsim_title == "25\u202fms of the closed loop"


def test_three_panels_draw_the_three_curves():
    found = smoothness_over(LOOP, 3e-4, 1.0)
    axes = loop_picture.smoothness(found).figure.axes
    for ax, name in zip(axes, ("measured", "torque", "actual"), strict=True):
        unit = wording.UNITS["N" if name == "torque" else "m/s"]
        (line,) = (line for line in ax.lines if line.get_linestyle() == "-" and len(line.get_xdata()) > 2)
        ratio = line.get_ydata() / getattr(found, name)
        assert np.ptp(ratio) < 1e-9 * ratio[0]
        assert any(ratio[0] == pytest.approx(1.0 / size) for size in unit.values())


def test_dotted_line_is_the_ripple_without_cyclic_error():
    found = smoothness_over(LOOP, 3e-4, 1.0)
    view = prepare_smoothness(found)
    expected = np.sqrt(sum(part**2 for cause, part in found.parts["torque"].items() if cause != "sde"))
    np.testing.assert_allclose(view.quiet("torque"), expected)


def test_doubtful_speeds_are_hatched_in_every_panel():
    doubtful = np.arange(40) < 10
    axes = loop_picture.smoothness(
        doubtful_result(doubtful=doubtful, valid=False, reasons=("why",))
    ).figure.axes
    assert [sum(bool(patch.get_hatch()) for patch in ax.patches) for ax in axes] == [1, 1, 1]
    assert "Hatched: not reliable (why)." in " ".join(text.get_text() for text in axes[0].figure.texts)


def test_long_run_keeps_its_narrowest_peak():
    values = np.zeros(100_000)
    values[[31_415, 92_653]] = 5.0, -3.0
    x, y = elements.per_pixel(np.arange(100_000.0), values)
    assert len(x) == len(y) < 2000
    assert (y.max(), y.min()) == (5.0, -3.0)


@pytest.mark.parametrize(
    "speeds", [[0.0], [0.0, 0.0], [-1.0, 1.0], [3.0, 1e-9, 2.0], [[1.0, 2.0]], [1e-9], [1e3, 1e-6]]
)
def test_any_speeds_can_be_drawn(speeds):
    result = smoothness(LOOP, speeds)
    for ax in (result.plot(), result.plot(Figure().subplots())):
        assert texts_of(ax.figure)


@pytest.mark.parametrize("axis", [SMOOTH, TURN, controlled(velocity_gain=19e4)])
def test_any_axis_can_be_drawn_at_odd_speeds(axis):
    assert texts_of(smoothness(axis, [3.0, 0.0, -1e-9]).plot().figure)


@pytest.mark.parametrize("seed", range(3))
def test_margins_of_any_loop_can_be_drawn(seed):
    rng = np.random.default_rng(seed)
    gains = 10.0 ** rng.uniform(-3.0, 4.0, 3)
    axis = controlled(position_gain=gains[0], velocity_gain=10.0 * gains[1], integral_time=gains[2] * 1e-3)
    assert clashes(margins_of(axis, encsim.lines(axis, gains[0] * 1e-3)).figure) == []


def test_simulated_points_need_as_many_values_as_speeds():
    with pytest.raises(InputError, match=r"plot\.simulated must hold speed and torque of one length"):
        smoothness(LOOP, [0.01, 0.1]).plot(simulated={"speed": [1e-3, 2e-3], "torque": [1e-5]})


def test_folded_needs_as_many_gains_as_frequencies():
    with pytest.raises(InputError, match=r"folded\.frequency must be as many as the gains"):
        folded_picture.folded([1.0, 2.0], [1.0], [1.0, 2.0], encsim.lines(LOOP, 0.1))


def test_folded_needs_two_frequencies():
    with pytest.raises(InputError, match=r"folded\.frequency must hold two frequencies above 0"):
        folded_picture.folded([0.0, 2.0], [1.0, 1.0], [1.0, 2.0], encsim.lines(LOOP, 0.1))
