"""The page without a browser: what stands in it, that it stands alone, that its numbers are those of the library."""

import base64
import dataclasses
import hashlib
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import stage_x
from pages import (
    HOSTILE,
    KINDS,
    LIMITS,
    SHIPPED,
    closed_stage,
    looked_into,
    page_of,
    results,
    stage,
    table,
    two,
)

import encsim
from encsim import wording
from encsim.checks import InputError
from encsim.decisions import remedies
from encsim.decisions.headlines import headline
from encsim.presentation import report_layout
from encsim.reporting import (
    axis_tables,
    page,
    page_answer,
    page_blocks,
    page_frames,
    page_speeds,
    page_words,
)

VOID = {"meta", "input", "br", "img", "link", "path", "use", "rect"}


class Reader(HTMLParser):
    """Elements of a page as (name, attributes), whether they nest, and its texts outside style and script."""

    def __init__(self, text):
        super().__init__()
        self.elements, self.open, self.texts, self.wrong = [], [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        self.elements.append((tag, dict(attributes)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.elements.append((tag, dict(attributes)))

    def handle_endtag(self, tag):
        if tag in VOID:
            return
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)

    def handle_data(self, text):
        if not self.open or self.open[-1] not in ("style", "script"):
            self.texts.append(text)

    def all(self, name):
        return [attributes for tag, attributes in self.elements if tag == name]

    @property
    def text(self):
        return " ".join(" ".join(self.texts).split())


EACH = pytest.mark.parametrize("kind", KINDS)


@EACH
def test_elements_nest_and_ids_are_unique(kind):
    read = Reader(page_of(kind))
    assert read.wrong == []
    assert read.open == []
    ids = [attributes["id"] for _, attributes in read.elements if "id" in attributes]
    assert len(ids) == len(set(ids)) > 50


@EACH
def test_every_reference_within_the_page_is_met(kind):
    text = page_of(kind)
    read = Reader(text)
    ids = {attributes.get("id") for _, attributes in read.elements}
    named = [found.get(key) or "" for _, found in read.elements for key in ("for", "aria-labelledby")]
    pointed = [found["href"][1:] for found in read.all("use")] + re.findall(r"url\(#([^)]+)\)", text)
    assert len(pointed) > 20
    assert set(" ".join(named).split()) | set(pointed) <= ids


@EACH
def test_nothing_comes_from_outside(kind):
    text = page_of(kind)
    read = Reader(text)
    loading = ("src", "href", "data", "action", "srcset", "poster")
    targets = [found[key] for _, found in read.elements for key in loading if key in found]
    assert all(target.startswith("#") for target in targets)
    assert "http" not in text.replace("http-equiv", "")
    assert "@import" not in text
    assert len(text.encode()) < 1e6


@EACH
def test_every_picture_has_an_alternative_text_from_its_numbers(kind):
    read = Reader(page_of(kind))
    pictures = [found for _, found in read.elements if found.get("role") == "img"]
    named = [found for found in pictures if found.get("aria-label") or found.get("aria-labelledby")]
    assert len(pictures) == len(named) > 75


@EACH
def test_alternative_texts_have_at_most_sixty_words_and_a_number(kind):
    text = page_of(kind)
    told = re.findall(r"<desc[^>]*>(.*?)</desc>", text, flags=re.S)
    assert len(told) >= 8
    assert max(len(each.split()) for each in told) <= 75


def test_alternative_text_of_the_curve_says_its_answer():
    found = re.search(r'<desc id="ripple-wide-d">(.*?)</desc>', page_of("open")).group(1)
    assert found.startswith("Log-log chart of velocity ripple, rms, against speed from 0.1\u202fmm/s")
    assert "Above the limit from" in found


def test_every_control_has_a_label():
    read = Reader(page_of("open"))
    labels = [found["for"] for found in read.all("label")]
    inputs = [found["id"] for found in read.all("input")]
    assert sorted(labels) == sorted(inputs)
    radios = [found for found in read.all("input") if found["type"] == "radio"]
    assert len(radios) >= 25
    # those that have a button where no script runs
    assert 6 <= len([found for found in radios if "more" not in found["class"]]) <= 8
    assert len([found for found in read.all("input") if "checked" in found]) == 1


def test_hostile_texts_stay_texts():
    text = page_of("open")
    read = Reader(text)
    assert " ".join(HOSTILE.split()) in read.text
    assert len(read.all("script")) == 1
    assert "<script>window.broken" not in text
    assert "<img" not in text


def test_only_the_script_of_the_page_is_let_run():
    text = page_of("open")
    script = re.search(r"<script>(.*?)</script>", text, flags=re.S).group(1)
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    rule = next(found["content"] for found in Reader(text).all("meta") if "http-equiv" in found)
    assert f"script-src 'sha256-{digest}'" in rule
    assert "default-src 'none'" in rule


@pytest.mark.parametrize(
    ("title", "shown"),
    [
        (None, page_words.say("page.title")),
        ("", page_words.say("page.title")),
        ("  a \n b\t ", "a b"),
        ("x" * 500, "x" * 197 + "..."),
        (7, "7"),
    ],
)
def test_title_is_one_line_of_text(title, shown):
    assert page.heading(title) == shown


@pytest.fixture(scope="module")
def bare(quick):
    """The page about that axis, without a date."""
    return page.rendered([("", quick)], dated=False)


@pytest.fixture(scope="module")
def quick():
    """Findings about an axis without any error: soon drawn."""
    return looked_into(encsim.Axis(encsim.Scale(period=20e-6), sampling=encsim.Sampling(1e3)))


@EACH
def test_command_says_what_the_page_says(kind):
    found = results(kind)
    axis, unit = found.axis, f"{found.axis.scale.unit}/s"
    judged = found.requirement and found.requirement.judge(axis)
    report = axis_tables.ripple(encsim.ripple(axis), judged=judged, requirement=found.requirement)
    first, second = (wording.plain(report_layout.painted(line, False)) for line in report.answer[:2])
    words = found.headline.words(
        lambda speed: wording.show(speed, unit), lambda share: f"{wording.percent_number(share)} %"
    )
    assert first == f"Closed loop: {words[:1].lower()}{words[1:]}." if kind == "closed" else f"{words}."
    where = "There" if found.headline.names_speed else f"At {wording.show(found.headline.speed, unit)}"
    assert second.startswith(f"{where}: {wording.show(found.headline.rms, unit)} rms")
    # what the page explains is the same ripple, at this speed or the round one beside it
    explained = found.explanation
    assert explained.speed == pytest.approx(found.headline.speed, rel=0.05)
    assert explained.values["measured"] == pytest.approx(found.headline.rms, rel=0.05)


def test_page_about_an_axis_without_error_says_so(bare):
    told = Reader(bare).text
    assert "this axis is ideal" in told
    assert "No velocity ripple at these speeds" in told


def test_only_a_reproducible_page_has_no_date(quick, bare):
    dated = page.rendered([("", quick)])
    assert re.search(r"<dt>Date</dt><dd>\d{4}-\d\d-\d\d</dd>", dated)
    assert not re.search(r"\d{4}-\d\d-\d\d", bare)


def test_provenance_is_the_axis_as_text():
    text, axis = page_of("closed"), closed_stage()
    read = Reader(text).text
    assert hashlib.sha256(axis.to_toml().encode()).hexdigest() in read
    assert f"encsim {encsim.__version__}" in read
    kept = re.search(r"<pre[^>]*>(.*?)</pre>", text, flags=re.S).group(1)
    assert encsim.loads(kept.replace("&#34;", '"')) == axis


@pytest.mark.parametrize(("kind", "parts"), [
    ("open", ["hero", "help", "answer", "source", "sure", "cautions", "signal", "why"]),
    ("closed", ["hero", "help", "answer", "loop", "source", "sure", "cautions", "signal", "why"]),
    ("ring", ["hero", "help", "answer", "sure", "cautions", "source", "signal", "ring", "why"]),
])  # fmt: skip
def test_page_holds_the_parts_that_the_axis_has(kind, parts):
    assert re.findall(r'<section id="part-(\w+)"[^>]* aria-label', page_of(kind)) == parts


def plain(text):
    """Texts of a page without the marks of explained terms, and the explanations."""
    return Reader(
        re.sub(r"<button[^>]*class=\"term\"[^>]*>(.*?)</button><span popover.*?</span>", r"\1", text)
    ).text


def rows_of(text, caption):
    """Cells of the table with this caption."""
    body = text[text.index(f"<caption>{caption}</caption>") :]
    body = body[: body.index("</table>")]
    return [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row) for row in re.findall(r"<tr>(.*?)</tr>", body)][1:]


def number(text):
    """SI value of a cell: a speed."""
    from encsim import units

    return units.parse(text.replace("\u202f", " "), "speed(m/s)", "cell")


def test_table_of_all_speeds_holds_what_ripple_says():
    rows = rows_of(page_of("open"), "Every speed of the slider")
    assert len(rows) >= 20
    speeds = [number(row[0]) for row in rows]
    # speeds stand there with three digits, and the ripple changes no faster than the speed away from notches
    known = encsim.ripple(stage(), speeds).rms
    ratio = np.array([number(row[1]) for row in rows]) / known
    assert np.median(np.abs(ratio - 1.0)) < 0.01
    for row in rows:
        assert (number(row[1]) > number(row[3])) == (row[4] == "above")


def test_table_of_the_loop_holds_what_smoothness_says():
    rows = rows_of(page_of("closed"), "Numbers of this picture")
    assert len(rows) >= 20
    known = encsim.smoothness(closed_stage(), [number(row[0]) for row in rows]).measured
    # three digits of speed, as above
    assert np.median(np.abs(np.array([number(row[1]) for row in rows]) / known - 1.0)) < 0.01


def test_verdict_is_that_of_the_requirement():
    judged = LIMITS.judge(stage())
    assert not judged.met
    rows = rows_of(page_of("open"), "Every limit")
    assert [row[-1] for row in rows] == ["met" if each.met else "missed" for each in judged.limits]
    assert "No, 1 of 2 limits is missed." in plain(page_of("open"))


def test_met_requirement_says_yes():
    limits = encsim.Requirement(speeds=(0.01, 0.02), measured=1.0)
    told = []
    found = page.findings(stage(), None, limits, 0, lambda *step: told.append(step))
    assert [step[:2] for step in told] == [(step, 4) for step in (1, 2, 3, 4)]
    assert page_words.verdict(found.judgement, found.headline).startswith("Yes, every limit is met.")
    shown = page_answer.hero(found)
    assert shown.says[-1] == "Nothing has to change."
    assert shown.after == ""
    assert "→" not in shown.marks[0].text


def test_verdict_facts_picture_and_detail_tell_one_worst_speed():
    asked = encsim.Requirement(speeds=(1e-3, 0.5), relative=0.01, floor=50e-6, measured=0.9e-3)
    found = looked_into(stage(), requirement=asked)
    told = wording.quantity(found.headline.speed, "m/s", 3, strip=True)
    shown = page_answer.prepare_ripple(found.curve, asked)
    # told at a speed of two digits beside the worst one, where the ripple is the same but for half a per cent
    assert shown.headline.ranges == found.headline.ranges
    assert found.headline.speed == page_speeds.round_speed(shown.headline.speed, stage())
    assert shown.headline.share == pytest.approx(found.headline.share, rel=5e-3)
    assert found.headline.rms == encsim.ripple(stage(), found.headline.speed).rms
    assert found.detail.speed == found.headline.speed
    assert f" at {told}: " in page_words.verdict(found.judgement, found.headline)
    assert page_answer.hero(found).answer.endswith(f" at {told}")
    # the judgement's own, larger than all: no needle exceeds more
    worst = found.judgement.limit(found.judgement.binding)
    assert (found.headline.speed, found.headline.share) == pytest.approx((worst.speed, worst.share), rel=1e-9)


def test_unstable_loop_is_told_first():
    control = encsim.Control(60.0, 1e6, integral_time=12e-3, delay=60e-6)
    axis = stage(load=encsim.Load(5.0), control=control)
    found = looked_into(axis, [0.01])
    assert found.unstable
    assert any("unstable" in reason for reason in found.doubts)
    assert page_answer.hero(found).says[-1].startswith("First make the loop stable")


def test_closed_curve_is_measured_ripple_of_the_loop():
    axis, curve = closed_stage(), results("closed").curve
    again = encsim.smoothness(axis, curve.speed).measured
    np.testing.assert_allclose(curve.rms, again, rtol=1e-12)
    squares = sum(part**2 for part in curve.parts.values())
    # the parts are those of the loop too: rounding alone differs
    np.testing.assert_allclose(squares, curve.rms**2, rtol=1e-9)


@pytest.mark.parametrize(("speeds", "shown"), [
    (None, (8e-7, 1.104)),
    ([0.0], (8e-7, 1.104)),
    ([-2.0, 0.0], (8e-7, 2.0)),
    ([1e-8], (1e-8, 1.104)),
    (np.geomspace(1e-3, 0.1, 20), (1e-3, 0.1)),
])  # fmt: skip
def test_few_speeds_widen_the_usual_range_and_many_are_the_range(speeds, shown):
    found = page_speeds.shown_speeds(stage(), speeds)
    # the usual range: from a hundredth of a count (5 nm) a sample to 3.45 periods a sample, at 16 kHz
    np.testing.assert_allclose([found[0], found[-1]], shown, rtol=1e-9)


@pytest.mark.parametrize(("asked", "shown"), [
    ((0.0, 0.1), (1e-4, 0.1)), ((0.01, 0.1), (0.01, 0.1)), ((0.1, 0.1), (0.1, 0.1)),
])  # fmt: skip
def test_requirement_sets_the_range(asked, shown):
    limits = encsim.Requirement(speeds=asked, measured=1.0)
    found = page_speeds.shown_speeds(stage(), None, limits)
    np.testing.assert_allclose([found[0], found[-1]], shown, rtol=1e-12)


@pytest.mark.parametrize("seed", range(6))
def test_frames_are_ten_a_decade_with_names_of_their_own(seed):
    rng = np.random.default_rng(seed)
    low = 10.0 ** rng.uniform(-7, -3)
    high, own = low * 10.0 ** rng.uniform(1, 6), low * 10.0 ** rng.uniform(0, 1, 3)
    speeds = page_speeds.spread_speeds(stage(), low, high, own, own[0])
    names = [page_speeds.speed_name(speed, stage()) for speed in speeds]
    wanted = 10.0 * np.log10(high / low) + 1.0
    assert len(set(names)) == len(names) == max(min(round(wanted), page_speeds.MOST), page_speeds.FEWEST)
    assert set(own) <= set(speeds)
    assert speeds == sorted(speeds)
    assert (speeds[0], speeds[-1]) == (low, high)


def test_frames_hold_the_speeds_at_which_strong_lines_vanish():
    axis = stage()
    speeds = page_speeds.spread_speeds(axis, 1e-4, 1.0, [], 0.005)
    for harmonic in (1, 2):
        assert encsim.vanishing_speeds(axis, harmonic, 1)[0] in speeds


def framed(axis, speed, **more):
    """A frame of an axis at a speed."""
    return page_frames.slider(axis, [speed], encsim.ripple(axis, [speed]).rms, speed, **more).frames[0]


def test_frames_say_what_ripple_and_lines_say():
    axis, speeds = stage(), [0.002, 0.072, 0.32]
    slider = page_frames.slider(axis, speeds, encsim.ripple(axis, speeds).rms, 0.072)
    assert [frame.first for frame in slider.frames] == [False, True, False]
    assert "harmonic 3: 10.8\u202fkHz, aliased to 5.2\u202fkHz" in slider.frames[1].panels[2].alt
    assert "harmonic 1: 16\u202fkHz, null speed" in slider.frames[2].line_words
    assert slider.frames[0].caption.startswith(
        f"Ripple {wording.quantity(encsim.ripple(axis, 0.002).rms, 'm/s')} rms"
    )


def points(path):
    """Corners of a path of straight lines: a place and steps."""
    found = np.array([float(text) for text in re.findall(r"-?[\d.]+", path)]).reshape(-1, 2)
    return np.cumsum(found, axis=0)


def dots(frame):
    """Places of the dots."""
    return np.array([float(text) for text in re.findall(r"-?\d+", frame.dots.replace("h0", ""))]).reshape(
        -1, 2
    )


# slow, direct, aliased, beside and on a null speed of the first harmonic, faster than one period a sample
MANY = np.concatenate([np.geomspace(1e-5, 1.0, 22), [0.0721, 0.16, 0.32]])


@pytest.mark.parametrize("speed", MANY)
def test_dots_lie_on_the_wave_and_on_the_one_they_seem_to_draw(speed):
    frame = framed(stage(), speed)
    places = dots(frame)
    assert 12 <= len(places) <= page_frames.DOTS
    for wave in filter(None, [None if frame.dense else frame.wave, frame.seen]):
        drawn = points(wave)
        assert (drawn[0, 0], drawn[-1, 0]) == (0.0, 1000.0)
        assert drawn[:, 1].min() >= 0.0
        assert drawn[:, 1].max() <= 1000.0
        # both are written in whole units: on a wave that rises 860 within 30 of them half a unit along is 15 in height
        nearest = [np.hypot(*(_along(drawn, place) - place)) for place in places]
        assert max(nearest) <= 1.5


def _along(drawn, place):
    """The point of a line that is nearest to a place."""
    start, step = drawn[:-1], np.diff(drawn, axis=0)
    share = np.clip(
        np.sum((place - start) * step, axis=1) / np.maximum(np.sum(step**2, axis=1), 1e-9), 0.0, 1.0
    )
    found = start + share[:, None] * step
    return found[np.argmin(np.hypot(*(found - place).T))]


@pytest.mark.parametrize("speed", [0.002, 0.0721, 0.29])
def test_wave_is_the_error_of_the_encoder(speed):
    axis = stage()
    frame = framed(axis, speed)
    known = encsim.position_error(axis, speed)
    samples = np.arange(len(dots(frame))) * frame.every
    error = np.interp(samples * speed / 20e-6 / 16e3 % 1.0, known.phase, known.error, period=1.0)
    height = (500.0 - dots(frame)[:, 1]) / 500.0 / page_frames.FILLED
    # harmonics below a hundredth of the largest are left out
    assert np.corrcoef(error, height)[0, 1] > 0.999


def test_sticks_stand_where_the_spectrum_has_its_peaks():
    axis = stage(signal=encsim.Signal(gain=0.02, jitter=1e-11), interpolation=encsim.Interpolation())
    frame = framed(axis, 0.0683)
    outline = points(frame.spectrum.split("H")[0])
    left, top = (float(part) for part in frame.sticks[0][:2])
    peak = outline[np.argmin(outline[:, 1])]
    # the outline has 80 parts of the width; its height is that of a Hann window, up to 15 % of 4 decades lower
    assert abs(peak[0] - left) <= 1000.0 / 80.0
    assert -2.0 <= peak[1] - top <= 20.0


def test_sticks_of_a_closed_loop_stand_where_its_run_has_its_peaks():
    axis = stage(**stage_x.SLIDE, estimator=encsim.LowPass(800.0))
    found = page_speeds.simulated_speed(axis, 0.01, 1e-4, 0, closed=True)
    for index in found.drawn[:2]:
        near = np.abs(found.frequency - found.lines.alias[index]) < 20.0
        # between two points of the spectrum a Hann window shows up to 15 % less
        assert 0.84 < found.size[near].max() / found.lines.velocity[index] < 1.03


def test_more_waves_than_dots_become_a_band():
    frame = framed(stage(), 10.0)
    assert frame.dense
    assert len(frame.wave) < 40


def test_hero_tells_one_ripple_for_one_speed():
    read = Reader(page_of("open"))
    found = re.findall(r'<b class="mark"[^>]*>(.*?)</b>', page_of("open"))
    captions = re.findall(r"<b>At (.*?)</b> Ripple (.*?) rms", page_of("open"))
    assert len(found) == len(captions) >= 25
    for mark, (speed, size) in zip(found, captions, strict=True):
        number, unit = size.split("\u202f")
        assert mark.startswith(f"{speed}: {number}")
        assert mark.endswith(unit)
    assert "Above the limit" in read.text


@EACH
def test_names_in_the_hero_are_clear_of_the_line_of_the_working_speed(kind):
    found = results(kind)
    shown = page_answer.hero(found)
    line = shown.marks[found.detail_place].left
    for label in shown.labels:
        for name, (dots, _, letters) in page_answer.LAYOUTS.items():
            text, left, _ = getattr(label, name)
            # the limit is not named there on paper, which is narrower
            dots = dots if label.role == "limit" else min(dots, page_answer.PAPER)
            half = 50.0 * page_answer.letters_wide(text, letters) / dots
            assert not text or abs(left - line) > half, (text, name)


@pytest.mark.parametrize(("speed", "named", "others"), [
    (0.002, ["Line: the true", "every 14th sample", "sticks"], ["thick", "hollow", "Band"]),
    (0.15, ["Thin: the true", "dots: the samples", "thick", "hollow"], ["Line", "Band"]),
    (10.0, ["Band: the true", "thick", "hollow"], ["Line", "Thin"]),
])  # fmt: skip
def test_a_frame_explains_the_marks_that_it_shows_and_no_others(speed, named, others):
    key = framed(stage(), speed).key
    assert [word for word in named if word not in key] == []
    assert [word for word in others if word in key] == []


def marked(text):
    """A text whose letters are marks, all but those in places to be filled in."""
    return re.sub(r"(\{\w*\})|[A-Za-zµ]", lambda match: match[1] or "¶", text)


@pytest.fixture
def without_letters():
    """A language in which no word has a letter: marks for every entry of the table, those of results too."""
    known = page_words.language("en")
    words = {
        key: marked(text) if isinstance(text, str) else [*map(marked, text)]
        for key, text in known.words.items()
    }
    with page_words.speaking(
        page_words.Language("en", words, {text: marked(text) for text in known.results})
    ):
        yield


# units as the page shows them, with those of the axis file and of angles within texts
OF_UNITS = {*wording.UNITS["m"], "cm", "kg", "N", "rad", "mrad", "nrad", "arcsec", "deg", "dB", "A"}.union(
    *wording.UNITS.values()
)


def words_left(text):
    """Words of a page that a marked language leaves unmarked, names of units and of the axis file apart."""
    text = re.sub(r"<pre.*?</pre>|<dd>(encsim [\d.]+|[0-9a-f]{64})</dd>", "", text, flags=re.S)
    read = Reader(text)
    shown = [found[key] for _, found in read.elements for key in ("aria-label", "alt", "title", "content", "data-name")
             if key in found and "http-equiv" not in found and found.get("name") not in
             ("viewport", "color-scheme", "referrer")]  # fmt: skip
    said = " ".join([*read.texts, *shown])
    assert said.count("¶") > 2000
    found = re.findall(r"[A-Za-zµ]+", re.sub(r"\b[a-z]+\.[a-z_]+\b", "", said))
    return sorted(set(found) - {part for unit in OF_UNITS for part in re.findall(r"[A-Za-zµ]+", unit)})


def test_a_language_can_say_every_word_of_a_page(without_letters, cases):
    # a ring in a loop, with limits: a page of all parts
    loop = {"load": encsim.Load(0.02), "control": encsim.Control(60.0, 6.0, integral_time=0.018, delay=60e-6)}
    limits = encsim.Requirement(speeds=(0.01, 10.0), relative=0.001)
    of_all = looked_into(table(estimator=encsim.Tracking(500.0), **loop), requirement=limits)
    assert words_left(page.rendered([("", of_all)], "7", dated=False)) == []
    for kind in cases([], [*KINDS, *SHIPPED]):
        made, asked = {**KINDS, **SHIPPED}[kind]
        assert (
            words_left(page.rendered([("", looked_into(made(), requirement=asked))], "7", dated=False)) == []
        )


def test_every_entry_of_the_table_is_used_and_every_one_asked_for_is_there():
    folder = Path(page_words.__file__).parent
    source = "\n".join(
        path.read_text() for path in [*folder.glob("page*.py"), *folder.glob("templates/*.html")]
    )
    known = {key for key in page_words.spoken().words if not key.startswith(("axis.", "meanings."))}
    asked = set(re.findall(r"(?:say|several)\(\s*\"([a-z_]+\.[a-z_]+)\"", source))
    assert asked <= set(page_words.spoken().words)
    # some are put together: "detail." and a kind
    made = [re.sub(r"\{.*?\}", ".*", key) for key in re.findall(r"say\(\s*f\"([^\"]+)\"", source)]
    unused = {
        key for key in known if f'"{key}"' not in source and not any(re.match(one, key) for one in made)
    }
    assert unused == set()


def test_hero_draws_the_ripple_over_its_limit():
    axis, found = stage(), results("open")
    shown = page_answer.hero(found)
    (low, high), ticks = shown.speeds, {name: top for top, name in shown.y_ticks}
    assert ticks["limit"] == pytest.approx(shown.limit, abs=0.01)
    decade = (ticks["10\u202f%"] - ticks["limit"]) / 100.0
    for mark, frame in zip(shown.marks, found.slider.frames, strict=True):
        assert mark.left == pytest.approx(100.0 * np.log(frame.speed / low) / np.log(high / low), abs=0.01)
        if mark.now is not None:
            ratio = encsim.ripple(axis, frame.speed).rms / LIMITS.limit_at(frame.speed)
            assert mark.now == pytest.approx(shown.limit - 100.0 * decade * np.log10(ratio), abs=0.05)
    # what the sentence says of the measures holds for the axis that they make
    assert (
        shown.says[-1].endswith("Then the limit is met at every speed.")
        == LIMITS.judge(found.measures.axis).limit("relative").met
    )


@pytest.mark.parametrize(("axis", "told"), [
    (stage(), ["Signal period 20 µm", "amplitude mismatch 2\u202f%", "16 kHz loop", "First difference"]),
    (table(), ["Signal periods per revolution: 9000", "off centre by 2 µm"]),
    (closed_stage(), ["mass or inertia 5 kg", "velocity gain 2 kN s/m", "800\u202fHz low-pass"]),
])  # fmt: skip
def test_axis_is_told_in_words(axis, told):
    words = " ".join(text for _, text in page_words.axis_rows(axis))
    assert [each for each in told if each not in words] == []


def test_every_key_of_an_axis_file_has_words():
    from encsim.model.axis import PARTS

    keys = [f"axis.{part}.{key.name}" for part, made in PARTS.items() if part != "estimator"
            for key in dataclasses.fields(made)]  # fmt: skip
    assert [key for key in keys if key not in page_words.spoken().words] == []


def test_what_is_reached_stands_in_the_unit_of_its_limit():
    assert page_words.in_unit(2e-4, "s") == "200\u202fµs"
    assert page_words.in_unit(2e-4, "s", other=3e-3) == "0.200\u202fms"


@pytest.mark.parametrize(("word", "meaning"), page_words.spoken().meanings.items())
def test_words_are_explained_in_at_most_twelve(word, meaning):
    assert len(meaning.split()) <= 12


@pytest.mark.parametrize(("text", "kept"), [
    ("goes from 88.1 µm/s to 21 %", "goes from 88.1\u202fµm/s to 21\u202f%"),
    ("order 1 a turn, 3 mm", "order 1 a turn, 3\u202fmm"),
    ("1 of 2 limits; 4 readings", "1 of 2 limits; 4 readings"),
])  # fmt: skip
def test_numbers_keep_their_units_at_the_end_of_a_line(text, kept):
    assert page.joined(text) == kept


def test_text_in_pictures_is_text():
    drawn = re.findall(r'<svg class="drawing".*?</svg>', page_of("closed"), flags=re.S)
    assert len(drawn) >= 10
    for each in drawn:
        assert len(re.findall(r"<text[^>]*>[^<]+</text>", each)) >= 5
    assert "<use" not in "".join(re.findall(r"<g[^>]*><text.*?</g>", "".join(drawn)))
    assert any(">total</text>" in each for each in drawn)


def test_words_of_the_ribbon_have_a_rim_of_the_colour_behind_them():
    drawn = re.search(
        r'<svg class="drawing"[^>]*aria-labelledby="ripple-wide-t.*?</svg>', page_of("open"), flags=re.S
    )[0]
    assert re.search(
        r'<g class="rim" style="--rim:var\(--counts\)">(?:(?!</text>).)*quantisation', drawn, flags=re.S
    )


def test_pictures_hold_no_colours_but_roles():
    drawn = "".join(re.findall(r'<svg class="drawing".*?</svg>', page_of("closed"), flags=re.S))
    looks = re.findall(r"^\.k\d+\{(.*)\}$", page_of("closed"), flags=re.M)
    assert len(looks) > 20
    assert not re.search(r"#[0-9a-fA-F]{3,6}[;\"]", drawn)
    assert not any("#" in look for look in looks)


def test_tolerance_that_is_given_is_shown(quick):
    spread = {"signal.gain": encsim.Normal(0.01)}
    drawn = encsim.tolerance(stage(), spread, [0.001, 0.01, 0.1], 20)
    text = page.rendered([("", page.replace(quick, tolerance=drawn))])
    assert '<figure class="picture" id="tolerance">' in text


def test_report_writes_the_page_and_returns_the_path(tmp_path, monkeypatch):
    axis = encsim.Axis(encsim.Scale(period=20e-6), sampling=encsim.Sampling(1e3))
    target = tmp_path / "<b> & 'page'.html"
    assert encsim.report(axis, target) == target
    assert target.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    with pytest.raises(InputError, match=r"output must not exist yet.*force"):
        encsim.report(axis, target)
    monkeypatch.setattr(page, "page", lambda *given, **more: "again")
    assert encsim.report(axis, str(target), force=True) == str(target)
    assert target.read_text() == "again"


@pytest.mark.parametrize(("arguments", "rule"), [
    ({"speeds": [float("nan")]}, "report.speeds must be finite"),
    ({"speeds": ["2 rpm"]}, "report.speeds must have a unit of linear speed"),
    ({"speeds": []}, "report.speeds must hold at least one number"),
    ({"requirement": encsim.Requirement(speeds=(0.1, 1.0), torque=1.0)}, "Requirement.torque must be left out"),
    ({"requirement": "1 %"}, "report.requirement must be a Requirement"),
    ({"seed": -1}, "report.seed must"),
])  # fmt: skip
def test_bad_input_is_refused_before_any_file_is_written(arguments, rule, tmp_path):
    given = {"axis": stage(), "path": tmp_path / "page.html"} | arguments
    with pytest.raises(InputError, match=rule):
        encsim.report(**given)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("force", [True, False])
def test_folder_that_is_not_there_is_refused_at_once(force, tmp_path):
    with pytest.raises(InputError, match="output must lie in a folder that exists"):
        encsim.report(stage(), tmp_path / "no" / "page.html", force=force)


def test_speeds_of_the_user_stand_in_the_curves():
    own = np.array([0.005, 0.072])
    assert set(own) <= set(page_speeds.curve_speeds(stage(), own, LIMITS))
    assert set(own) <= set(page_speeds.curve_speeds(stage(), own, None))


def test_doubts_of_the_frames_are_told():
    axis = stage(signal=encsim.Signal(amplitude=2.0), interpolation=encsim.Interpolation(factor=400, bits=10))
    slider = page_frames.slider(axis, [0.01], np.array([1e-4]), 0.01)
    assert any("clip" in reason for reason in slider.reasons)


def test_doubts_of_a_loop_are_told_once_and_in_plain_words():
    text = plain(page_of("closed"))
    found = encsim.smoothness(closed_stage(), np.geomspace(1e-6, 0.5, 50))
    assert found.reasons
    assert not any(reason in text for reason in found.reasons)
    assert text.count("is not reliable:") == 1
    assert text.count("The controller reacts to single counts or steps") == 1
    assert "What is hatched, from 0.001 mm/s to" in text
    assert "The reasons for doubt given above hold here too." in text


def looked_at(axis, own=(), judged=None):
    """The headline, and the speed that a page about the axis would look at, from 1 um/s to 1 m/s."""
    curve = encsim.ripple(axis, np.geomspace(1e-6, 1.0, 300)).refined()
    found = headline(curve.speed, curve.rms, doubtful=curve.doubtful)
    return found, page_speeds.detail_speed(found, judged, own, axis)


def test_without_a_limit_a_page_looks_where_ripple_is_a_large_share_of_the_speed():
    found, detail = looked_at(stage())
    (low, high), _ = found.ranges[0], found.shares
    assert (found.kind, detail.why) == ("range", "range")
    assert low < detail.speed < high
    # two digits, so that it reads well
    assert float(f"{detail.speed:.1e}") == pytest.approx(detail.speed, rel=1e-12)


def test_where_no_range_stands_out_a_page_looks_at_the_threshold():
    axis = stage(signal=encsim.Signal(jitter=5e-9), sampling=encsim.Sampling(16e3, jitter=1e-9))
    found, detail = looked_at(axis)
    assert (found.kind, detail.why) == ("threshold", "threshold")
    assert encsim.ripple(axis, detail.speed).relative == pytest.approx(0.01, rel=0.1)


@pytest.mark.parametrize(
    ("own", "why", "speed"),
    [([0.004], "named", 0.004), ([1e-5, 0.01, 1.0], "nearest", 0.01), ([1e-5, 1e-4], "nearest", 1e-4)],
)
def test_a_page_looks_at_a_speed_of_the_user_as_it_was_named(own, why, speed):
    _, detail = looked_at(stage(), own)
    assert (detail.why, detail.speed) == (why, speed)


def test_page_says_which_speed_it_looks_at_and_why():
    assert "where ripple is a large share of the speed" in Reader(page_of("ring")).text
    assert "where a limit is nearest or most exceeded" in Reader(page_of("open")).text


@pytest.mark.parametrize(
    ("factor", "told"), [(1, ", 1 count per period,"), (4000, ", 4000 counts per period,")]
)
def test_one_count_a_period_is_told_as_one(factor, told):
    assert told in page_words.axis_sentence(stage(interpolation=encsim.Interpolation(factor=factor)))


def test_ladder_of_the_page_is_that_of_the_measures():
    found = results("open")
    rows = rows_of(page_of("open"), "Measures, step by step")
    steps = remedies.ladder(found.explanation, found.curve.speed, LIMITS)
    assert [row[0] for row in rows][:1] == ["Now"]
    assert len(rows) == len(steps) > 1
    for row, step in zip(rows, steps, strict=True):
        assert (row[1] == "all met") == step.met
        after = step.remedy.after["measured"] if step.remedy else found.explanation.values["measured"]
        assert number(row[3]) == pytest.approx(after, rel=6e-3)
    # the first step that meets every limit is what the hero draws, and names in its sentence
    told = next(step for step in steps if step.met)
    assert told.axis == found.measures.axis
    name = told.measures[0].name
    assert f"every limit is met: {name}" in plain(page_of("open"))
    assert f"What to do: {name}. Then the limit is met at every speed." in plain(page_of("open"))


def test_axes_that_pass_are_told_for_each_step(quick):
    found = results("open")
    spread = encsim.tolerance(
        stage(), {"signal.gain": encsim.Normal(0.01)}, np.geomspace(1e-3, 0.1, 12), 40, requirement=LIMITS
    )
    shown = page.with_spread(found, spread)
    assert len(shown.yields) == len(found.ladder)
    assert shown.yields[0] == spread.yield_fraction
    assert shown.yields[-1] > shown.yields[0]
    # without a requirement nothing can pass
    assert page.with_spread(quick, spread).yields == ()


@pytest.mark.parametrize(("asked", "told"), [((1e-6, 1e-3), True), ((1e-3, 0.05), False)])
def test_doubts_are_told_only_within_the_speeds_that_were_asked_for(asked, told):
    found = encsim.smoothness(closed_stage(), np.geomspace(1e-6, 0.5, 60))
    doubtful = found.speed[found.doubtful]
    assert doubtful.size
    assert np.any((doubtful >= asked[0]) & (doubtful <= asked[1])) == told
    assert bool(page_words.within(found, asked)) == told


def test_terms_are_explained_once_in_a_section_and_stay_text():
    terms = page_blocks.Terms()
    first = terms.explained("Ripple < aliased ripple", "hero")
    assert first.count("popovertarget") == 2
    assert "&lt;" in first
    assert "popovertarget" not in terms.explained("ripple", "hero")
    assert "popovertarget" in terms.explained("ripple", "help")


def test_page_has_a_description_and_names_its_sections():
    read = Reader(page_of("open"))
    told = next(found["content"] for found in read.all("meta") if found.get("name") == "description")
    assert "Above the limit" in told
    shown = [found for found in read.all("section") if "aria-hidden" not in found]
    assert all(found.get("aria-label") or found.get("aria-labelledby") for found in shown)
    assert len(shown) >= 6


def shown_cells(text, caption, row):
    """Cells of the first row of a table that begins with this text, by the head of their column."""
    body = text[text.index(f"<caption>{caption}</caption>") :]
    heads = re.findall(r'<th scope="col">(.*?)</th>', body[: body.index("</thead>")])
    return next(dict(zip(heads, cells, strict=True)) for cells in rows_of(text, caption) if cells[0] == row)


LIMITED = [kind for kind, (_, asked) in SHIPPED.items() if asked is not None]


def test_page_tells_one_number_for_one_thing(cases):
    for kind in cases(["open", "closed"], ["open", "closed", *LIMITED]):
        found, text = results(kind), page_of(kind)
        words, at = plain(text), page_speeds.speed_name(found.detail.speed, found.axis)
        # the worst speed: headline, verdict, section of details, table of limits, slider
        told = re.search(rf'class="answer">.*? at {re.escape(at)}\b', text)
        assert told, kind
        there = at.replace("\u202f", " ")
        assert f" at {there}: " in words
        assert f"What follows looks at {there}" in words
        mark = next(
            one for one in re.findall(r'<b class="mark"[^>]*>(.*?)</b>', text) if one.startswith(f"{at}: ")
        )
        now, _, after = mark.removeprefix(f"{at}: ").partition(" → ")
        unit = (after or now).partition("\u202f")[2]
        ripple = now if now.endswith(unit) else f"{now}\u202f{unit}"
        # the ripple there: mark, caption, table of all speeds, ladder, limits, verdict
        assert f"At {there} Ripple {ripple.replace(chr(0x202F), ' ')} rms" in words, kind
        assert shown_cells(text, "Every speed of the slider", at)["Ripple, rms"] == ripple
        ladder = shown_cells(text, "Measures, step by step", "Now")
        assert ladder[f"Ripple at {at}"] == ripple
        limits = [cells for cells in rows_of(text, "Every limit") if cells[3] == at]
        assert [cells[2] for cells in limits if cells[0].startswith("Measured")] == [ripple], kind
        # what the measures leave: mark and the step of the ladder that the sentence names
        if after:
            names = [cells[0] for cells in rows_of(text, "Measures, step by step")]
            steps = [step.remedy for step in found.ladder]
            row = names[next(place for place, one in enumerate(steps) if one is found.measures)]
            assert shown_cells(text, "Measures, step by step", row)[f"Ripple at {at}"] == after, kind


def test_pages_of_the_shipped_examples_are_below_a_megabyte(cases):
    kinds = cases(["open", "closed", "ring"], [*KINDS, *SHIPPED])
    assert max(len(page_of(kind).encode()) for kind in kinds) < 1e6


def test_two_axes_stand_on_one_page_with_ids_of_their_own():
    text = two()
    read = Reader(text)
    assert read.wrong == read.open == []
    ids = [attributes["id"] for _, attributes in read.elements if "id" in attributes]
    assert len(ids) == len(set(ids)) > 100
    pointed = [found[key] for _, found in read.elements for key in ("for", "aria-labelledby", "popovertarget")
               if key in found] + re.findall(r"url\(#([^)]+)\)", text)  # fmt: skip
    assert set(" ".join(pointed).split()) <= set(ids)
    # two groups of speeds and one of axes
    assert {found["name"] for found in read.all("input") if found.get("type") == "radio"} == {
        "axis", "a0-speed", "a1-speed"}  # fmt: skip
    assert "<b>trimmed" not in text  # a name stays text
    rows = rows_of(text, "The axes compared")
    assert [row[0] for row in rows] == ["as built", "&lt;b&gt;trimmed&lt;/b&gt;"]
    assert rows[1][1] == "Amplitude mismatch 0.2\u202f% (was 2\u202f%)"
    assert [row[3] for row in rows] == ["1 of 2 missed", "all met"]
    assert "Every limit is met by “<b>trimmed</b>”, not by “as built”." in read.text


@pytest.mark.parametrize(("given", "rule"), [
    ([], "report.axis must be an Axis, got"),
    ([stage()] * 7, "report.axis must be 1 to 6 axes, got 7"),
    ([stage(), table()], "report.axis must be axes that are all linear or all rotary"),
    ([stage(), "x.toml"], "report.axis must be an Axis"),
    ({}, "report.axis must be an Axis, got"),
])  # fmt: skip
def test_axes_that_cannot_stand_on_one_page_are_refused(given, rule, tmp_path):
    with pytest.raises(InputError, match=rule):
        encsim.report(given, tmp_path / "page.html")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("lang", ["de", "", "EN", "../en", 3])
def test_language_that_is_not_there_is_refused_with_those_that_are(lang, tmp_path):
    with pytest.raises(InputError, match=r"report.lang must be a language that there is \(en\)"):
        encsim.report(stage(), tmp_path / "page.html", lang=lang)
    assert list(tmp_path.iterdir()) == []


def test_what_a_result_says_is_found_by_its_pattern_and_its_parts_by_theirs():
    known = {"above the limit from {} to {}, mainly {}": "{2}: von {0} bis {1}", "cyclic error": "Fehler",
             "noise": "", "not reliable": "unsicher"}  # fmt: skip
    other = page_words.Language("xx", {"page.and": "{first} und {last}"}, known)
    assert (
        other.told("Above the limit from 2.4 to 14 mm/s, mainly cyclic error")
        == "Fehler: von 2.4 bis 14 mm/s"
    )
    # lists, ends of sentences, capital letters; an empty entry is English
    assert other.told("Cyclic error and noise. Not reliable.") == "Fehler und noise. Unsicher."
    # no entry for a part: nothing of it is said
    assert (
        other.told("above the limit from 1 to 2 m/s, mainly rust")
        == "above the limit from 1 to 2 m/s, mainly rust"
    )


def test_colours_of_text_stand_out_from_what_is_behind_them():
    from encsim.open_loop.causes import REGIMES
    from encsim.presentation.canvas import COLOURS

    folder = page_words.TEMPLATES
    rules = "".join(path.read_text() for path in folder.glob("*.css"))
    letters = (
        set(re.findall(r"[^-]color: var\(--(\w+)\)", rules))
        | {"limit", "true", "ink"}
        | set(page_answer.COMPARED)
    )
    for colours in COLOURS.values():
        pairs = {(role, "paper") for role in letters - {"paper", "noise"}} | {("paper", "cyclic")}
        pairs |= {(each.ink, each.role) for each in REGIMES.values() if each.key != "noise"}
        low = {pair: contrast(*(colours[role] for role in pair)) for pair in pairs}
        # level AA of the accessibility guidelines of the web, from memory
        assert min(low.values()) >= 4.5, low


def contrast(first, second):
    """Contrast of two colours ``#rrggbb``, (L1 + 0.05)/(L2 + 0.05) of relative luminances."""
    high, low = sorted((luminance(first), luminance(second)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def luminance(colour):
    parts = [int(colour[place : place + 2], 16) / 255.0 for place in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return float(np.dot([0.2126, 0.7152, 0.0722], linear))


def test_cause_is_that_at_the_speed_of_the_answer(tmp_path):
    # a single speed is judged, others are drawn: the first of them, slow, is noise
    axis = encsim.Axis(
        encsim.Scale(period=20e-6),
        signal=encsim.Signal(sde={1: 80e-9}, jitter=2e-9),
        sampling=encsim.Sampling(16e3),
    )
    limits = encsim.Requirement(speeds=(5e-3, 5e-3), relative=0.01)
    target = tmp_path / "page.html"
    encsim.report(axis, target, requirement=limits)
    assert "Why: cyclic" in Reader(target.read_text(encoding="utf-8")).text
