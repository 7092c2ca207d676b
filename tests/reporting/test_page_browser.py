"""The page in a real browser: quiet, alone, moved by keys and by the slider, printed, in both lights."""

import base64
import functools
import re
import struct

import chromium
import numpy as np
import pytest
from pages import HOSTILE, KINDS, page_of, two

pytestmark = pytest.mark.skipif(
    chromium.found() is None, reason="no Chromium on this machine (Debian: chromium)"
)

SHOWN = (
    "JSON.stringify([...document.querySelectorAll('.captions .frame')]"
    ".filter(part => getComputedStyle(part).display != 'none').map(part => part.textContent))"
)
CHECKED = "[...document.querySelectorAll('input[name=speed]')].findIndex(radio => radio.checked)"


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """Path of a page of a kind, with a title that tries to be more than text; each once."""
    folder = tmp_path_factory.mktemp("page")

    @functools.cache
    def of(kind):
        target = folder / f'a page "of" <b>{kind} & co 100%.html'
        target.write_text(page_of(kind), encoding="utf-8")
        return target

    return of


@pytest.fixture(scope="module")
def path(written):
    """A page about an invented stage with its loop."""
    return written("closed")


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    running = chromium.Browser(tmp_path_factory.mktemp("profile"))
    yield running
    running.close()


@pytest.fixture
def page(browser, path):
    """The page freshly opened, 900 by 1200 dots, with a script, in light."""
    browser.call("Emulation.setScriptExecutionDisabled", value=False)
    screen(browser)
    media(browser)
    browser.open(path)
    return browser


def screen(browser, width=900, height=1200):
    browser.call(
        "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False
    )


def media(browser, **features):
    listed = [{"name": name.replace("_", "-"), "value": value} for name, value in features.items()]
    browser.call("Emulation.setEmulatedMedia", features=listed)


def test_page_opens_without_a_complaint(page):
    assert page.errors == []


def test_no_request_leaves_the_file(page):
    assert len(page.requests) == 1
    assert page.requests[0].startswith("file://")


def test_hostile_title_stays_text(page):
    assert page.value("window.broken") is None
    assert page.value("document.querySelector('h1').textContent") == HOSTILE
    assert page.value("document.title") == HOSTILE
    assert page.value("document.querySelectorAll('img').length") == 0


def test_the_page_lets_no_script_run_but_its_own(page):
    page.value("var more = document.createElement('script'); more.textContent = 'window.broken = 1';"
               "document.body.appendChild(more); 0")  # fmt: skip
    assert page.value("window.broken") is None
    # the rule that stops it is told on the console
    assert any("Content Security Policy" in text for text in page.errors)


def test_every_picture_that_is_seen_has_an_alternative_text(page):
    nodes = page.call("Accessibility.getFullAXTree")["nodes"]
    images = [node for node in nodes if node["role"]["value"] in ("image", "img", "graphics-document")]
    # hero, three panels of the frame shown, curve, error, channels, loop, remedies
    assert len(images) == 9
    assert all(len(node["name"]["value"]) > 20 for node in images)


BOTTOM = "Math.max(...[...document.querySelectorAll('{}')].map(part => part.getBoundingClientRect().bottom))"


@pytest.mark.parametrize(("size", "parts"), [
    ((1280, 800), ".hero, .panel"),
    ((390, 844), ".hero, .captions, .samples"),
])  # fmt: skip
def test_first_screen_holds_answer_hero_and_the_speed(page, size, parts):
    screen(page, *size)
    assert 0.0 < page.value(BOTTOM.format("#part-hero > p, " + parts)) <= size[1]
    assert page.value("document.querySelector('#part-hero > .answer').textContent").startswith(
        "Too rough. Above the limit"
    )


FRAME = (
    "JSON.stringify([...document.querySelectorAll('.hero .line, .captions .frame, .panel .frame')]"
    ".filter(part => part.getClientRects().length).map(part => part.outerHTML))"
)
NAMES = "[...document.querySelectorAll('{}')].find(part => part.getClientRects().length).textContent"


def test_pointer_on_the_hero_moves_marks_and_frames(page):
    screen(page, 1280, 800)
    before, box = page.value(FRAME), "document.querySelector('.hero .plot').getBoundingClientRect()"
    left, wide, top = (page.value(f"{box}.{name}") for name in ("left", "width", "top"))
    low = page.value(CHECKED)
    for kind, share in [("mousePressed", 0.3), ("mouseMoved", 0.8), ("mouseReleased", 0.8)]:
        page.call("Input.dispatchMouseEvent", type=kind, x=left + share * wide, y=top + 60, button="left",
                  buttons=1, clickCount=1)  # fmt: skip
    assert page.value(CHECKED) != low
    # the mark stands where the pointer was, within half a step of the speeds
    place = page.value("parseFloat([...document.querySelectorAll('.hero .line')]"
                       ".find(part => part.getClientRects().length).style.left)")  # fmt: skip
    assert abs(place - 80.0) < 100.0 / 25.0
    assert page.value(FRAME) != before
    assert page.value("document.activeElement.type") == "range"
    # and moves no more once the pointer is let go
    page.call("Input.dispatchMouseEvent", type="mouseMoved", x=left + 0.2 * wide, y=top + 60)
    assert page.value(NAMES.format(".captions .frame b")) in page.value(NAMES.format(".hero .mark")).join(
        ["At ", ""]
    )


@pytest.mark.parametrize("script", [True, False])
def test_arrow_keys_change_the_speed_with_and_without_a_script(page, path, script):
    page.call("Emulation.setScriptExecutionDisabled", value=not script)
    page.open(path)
    before, first = page.value(SHOWN), page.value(CHECKED)
    page.value(f"document.querySelector('{'.range' if script else 'input[name=speed]:checked'}').focus()")
    page.press("ArrowRight")
    # without a script there are a few buttons, with one every speed
    assert page.value(CHECKED) == first + 1 if script else page.value(CHECKED) > first
    assert page.value(SHOWN) != before
    page.press("ArrowLeft")
    assert page.value(SHOWN) == before
    assert page.value("document.querySelectorAll('.range').length") == int(script)
    buttons = "[...document.querySelectorAll('.speeds > label')].filter(part => part.getClientRects().length).length"
    assert page.value(buttons) in ([0] if script else [6, 7, 8])


def test_exactly_one_frame_is_seen(page):
    assert page.value("document.querySelectorAll('input[name=speed]').length") >= 25
    assert page.value(f"JSON.parse({SHOWN}).length") == 1


def test_tab_reaches_the_slider_and_shows_where_it_is(page):
    for _ in range(12):
        page.press("Tab")
        if page.value("document.activeElement.type") == "range":
            break
    assert page.value("document.activeElement.getAttribute('aria-label')") == "Speed"
    assert page.value("document.activeElement.getAttribute('aria-valuetext')") == page.value(
        NAMES.format(".hero .mark")
    )
    assert "2px" in page.value("getComputedStyle(document.querySelector('.hero .plot')).outline")


def test_samples_are_played_only_when_asked_and_can_be_paused(page):
    running = "document.getAnimations().map(one => one.playState).join()"
    assert page.value(running) == ""
    page.value("document.getElementById('play').focus()")
    page.press(" ")
    assert set(page.value(running).split(",")) == {"running"}
    page.value("document.getElementById('pause').focus()")
    page.press(" ")
    assert set(page.value(running).split(",")) == {"paused"}


def test_nothing_moves_where_less_motion_is_wanted(page):
    media(page, prefers_reduced_motion="reduce")
    page.value("document.getElementById('play').checked = true")
    assert page.value("document.getAnimations().length") == 0
    assert page.value("getComputedStyle(document.querySelector('label[for=play]')).display") == "none"


@pytest.mark.parametrize("width", [320, 375, 600, 900, 1600])
def test_nothing_is_wider_than_the_screen(page, width):
    screen(page, width)
    assert page.value("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize(("width", "seen", "hidden"), [(375, "phone", "wide"), (900, "wide", "phone")])
def test_pictures_are_laid_out_for_the_screen(page, width, seen, hidden):
    screen(page, width)
    read = "getComputedStyle(document.querySelector('.picture .{}')).display"
    assert page.value(read.format(seen)) == "block"
    assert page.value(read.format(hidden)) == "none"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_texts_stand_out_from_the_paper(page, scheme):
    media(page, prefers_color_scheme=scheme)
    pairs = page.value(
        "(() => { const behind = part => { const found = getComputedStyle(part).backgroundColor;"
        " return found != 'rgba(0, 0, 0, 0)' ? found : part.parentElement ? behind(part.parentElement) : found; };"
        "return [...document.querySelectorAll('main *')].filter(part => [...part.childNodes].some(node =>"
        " node.nodeType == 3 && node.textContent.trim()) && part.getClientRects().length && !part.closest('svg'))"
        ".map(part => [getComputedStyle(part).color, behind(part)]) })()"
    )
    assert len(pairs) > 100
    # 4.5 is what the accessibility guidelines of the web ask of text (level AA), from memory
    assert min(contrast(*pair) for pair in pairs) >= 4.5


def contrast(first, second):
    """Contrast of two colours, (L1 + 0.05)/(L2 + 0.05) of relative luminances."""
    high, low = sorted((luminance(first), luminance(second)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def luminance(colour):
    parts = [int(part) / 255.0 for part in re.findall(r"\d+", colour)[:3]]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


# Kinds of pages that every machine with a browser prints, and sides without the axis file; all with --thorough.
SIDES = {"open": 2, "closed": 3, "ring": 3}
ALL_SIDES = SIDES | {"stage": 2, "stage limit": 2, "spread": 3, "table": 3, "table limit": 3}
ALL_SIDES |= dict.fromkeys(("loop", "loop missed", "loop met"), 3)
PAPERS = {"A4": (8.27, 11.69), "Letter": (8.5, 11.0)}


def printed(page, paper):
    """A page as PDF on a paper."""
    wide, high = PAPERS[paper]
    answer = page.call("Page.printToPDF", paperWidth=wide, paperHeight=high, printBackground=True)
    return base64.b64decode(answer["data"])


@pytest.mark.parametrize("paper", PAPERS)
def test_paper_has_two_sides_or_three_with_a_loop_ring_or_spread_and_no_gap_above_a_third(
    page, written, cases, paper
):
    pdfium = pytest.importorskip("pypdfium2", reason="pypdfium2 makes pictures of the printed page")
    for kind, sides in cases(SIDES, ALL_SIDES).items():
        page.open(written(kind))
        document = pdfium.PdfDocument(printed(page, paper))
        # one more has the axis file and all speeds
        assert len(document) == sides + 1, kind
        for number in range(sides):
            sheet = document[number].render(scale=0.5, grayscale=True).to_numpy() < 200
            columns = [sheet] if number == 0 else np.array_split(sheet, 2, axis=1)
            for place, column in enumerate(columns):
                assert gap(column, last=number == sides - 1) < 1.0 / 3.0, (kind, number + 1, place)


def gap(sheet, last):
    """Largest height without ink as a share of a sheet; on the last one what follows its end does not count."""
    inked = np.flatnonzero(np.any(sheet, axis=1))
    edges = [0, *inked] if last else [0, *inked, len(sheet)]
    return np.diff(edges).max() / len(sheet)


def on_paper(page):
    """The page as it is printed on A4: 210 mm less twice 10 mm wide, at 96 dots an inch."""
    screen(page, round(190.0 / 25.4 * 96.0))
    page.call("Emulation.setEmulatedMedia", media="print")
    page.value("document.documentElement.style.overflow = 'hidden'")  # paper has no scroll bar


def test_print_is_light_and_shows_all_speeds(page):
    page.call("Emulation.setEmulatedMedia", media="print",
              features=[{"name": "prefers-color-scheme", "value": "dark"}])  # fmt: skip
    assert page.value("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)"
    speeds = page.value("document.querySelectorAll('input[name=speed]').length")
    assert page.value("document.querySelectorAll('.printed tbody tr').length") == speeds
    assert page.value("document.querySelector('.speeds > label').getClientRects().length") == 0


def test_letters_on_paper_have_eight_and_a_half_points_at_least(page):
    on_paper(page)
    sizes = page.value(
        "[...document.querySelectorAll('main *')].filter(part => [...part.childNodes].some(node => node.nodeType == 3"
        " && node.textContent.trim()) && part.getClientRects().length && !part.closest('svg'))"
        ".map(part => parseFloat(getComputedStyle(part).fontSize))"
    )
    assert len(sizes) > 100
    # in dots of 1/96 inch, which the browser rounds
    assert min(sizes) >= 8.5 / 72.0 * 96.0 - 0.01
    widths = page.value("[...document.querySelectorAll('.picture .phone')]"
                        ".map(part => part.getBoundingClientRect().width).filter(Boolean)")  # fmt: skip
    assert len(widths) >= 3
    # drawn 90 mm wide, their smallest letters 8.5 points
    assert min(widths) >= 0.99 * 90.0 / 25.4 * 96.0


def test_paper_shows_no_controls_and_no_explanations_of_terms(page):
    on_paper(page)
    seen = "[...document.querySelectorAll('{}')].filter(part => part.getClientRects().length).length"
    assert page.value(seen.format("input, .speeds > label, details, .meaning")) == 0
    assert page.value(seen.format(".printed pre")) == 1


@pytest.mark.parametrize("script", [True, False])
def test_terms_are_explained_where_they_stand_with_and_without_a_script(page, path, script):
    page.call("Emulation.setScriptExecutionDisabled", value=not script)
    page.open(path)
    told = "[...document.querySelectorAll('.meaning')].filter(one => one.matches(':popover-open'))"
    assert page.value(f"{told}.length") == 0
    page.value("document.querySelector('.term').focus()")
    page.press(" ")
    assert page.value(f"{told}.map(one => one.textContent)[0]").startswith("limit: the most ripple")
    place = (
        "(() => {const word = document.activeElement.getBoundingClientRect(),"
        f" card = {told}[0].getBoundingClientRect(); return card.top - word.bottom}})()"
    )
    assert 0.0 <= page.value(place) < 20.0


def test_ladder_on_a_phone_is_no_wider_than_its_column(page):
    screen(page, 390)
    wide = "[...document.querySelectorAll('.scroll:has(.ladder)')].map(part => part.scrollWidth - part.clientWidth)"
    assert page.value(wide) == [0]


def test_a_picture_of_the_page_holds_more_than_paper(page):
    shot = base64.b64decode(page.call("Page.captureScreenshot", format="png")["data"])
    assert struct.unpack(">II", shot[16:24]) == (900, 1200)
    assert len(shot) > 20_000


# What the rules of the web for everybody ask of the structure of a page, as far as a script can see it.
COMPLAINTS = """(() => {
  const all = name => [...document.querySelectorAll(name)], found = [];
  const say = (rule, part) => found.push(rule + ': ' + part.outerHTML.slice(0, 80));
  if (!document.documentElement.lang) found.push('no language');
  if (all('main').length != 1 || all('h1').length != 1) found.push('one main, one first heading');
  let last = 0;
  all('h1, h2, h3, h4').filter(part => !part.closest('[aria-hidden=true]')).forEach(part => {
    const level = +part.tagName[1];
    if (level > last + 1) say('heading skips a level', part);
    last = level;
  });
  const ids = all('[id]').map(part => part.id);
  if (new Set(ids).size != ids.length) found.push('an id twice');
  const named = part => part.getAttribute('aria-label') || (part.getAttribute('aria-labelledby') || '').split(' ')
    .map(id => (document.getElementById(id) || {}).textContent || '').join('').trim();
  all('section, [role=region], [role=img], nav, article').filter(part => part.getAttribute('aria-hidden') != 'true')
    .forEach(part => { if (!named(part)) say('no name', part); });
  all('input').forEach(part => { if (!part.labels.length && !named(part)) say('no label', part); });
  all('fieldset').forEach(part => { if (!part.querySelector('legend')) say('no legend', part); });
  all('button, summary, label, th, legend').forEach(part => { if (!part.textContent.trim()) say('empty', part); });
  all('[tabindex]').forEach(part => { if (part.tabIndex > 0) say('order of its own', part); });
  all('[aria-hidden=true] :is(a, button, input, [tabindex])').forEach(part => {
    if (part.getClientRects().length) say('hidden but reached by keys', part);
  });
  all('ul, ol').forEach(part => { if ([...part.children].some(one => one.tagName != 'LI')) say('no list', part); });
  all('table').forEach(part => { if (!part.querySelector('caption, th[scope]')) say('table without heads', part); });
  all('main > *, .one > *').forEach(part => {
    if (!part.matches('section, header, footer, fieldset, article, div, .rest')) say('outside of a part', part);
  });
  return JSON.stringify(found);
})()"""


def test_page_has_the_structure_that_readers_by_ear_and_by_keys_need(page, written):
    for kind in KINDS:
        page.open(written(kind))
        assert page.value(COMPLAINTS) == "[]"


@pytest.fixture
def compared(page, tmp_path):
    """A page that compares two axes, opened."""
    target = tmp_path / "two.html"
    target.write_text(two(), encoding="utf-8")
    page.open(target)
    return page


ARTICLES = "[...document.querySelectorAll('article')].map(part => part.getClientRects().length > 0)"


@pytest.mark.parametrize("script", [True, False])
def test_chooser_shows_one_axis_at_a_time_with_and_without_a_script(compared, script, tmp_path):
    compared.call("Emulation.setScriptExecutionDisabled", value=not script)
    compared.open(tmp_path / "two.html")
    assert compared.errors == []
    assert compared.value(ARTICLES) == [True, False]
    compared.value("document.getElementById('axis0').focus()")
    compared.press("ArrowRight")
    assert compared.value(ARTICLES) == [False, True]
    # the slider of the other axis moves on its own
    assert compared.value("document.querySelectorAll('.range').length") == (2 if script else 0)
    assert compared.value(COMPLAINTS) == "[]"


def test_paper_shows_every_axis(compared):
    on_paper(compared)
    assert compared.value(ARTICLES) == [True, True]
    assert compared.value("document.querySelector('.axes > label').getClientRects().length") == 0


@pytest.mark.parametrize("size", [(1280, 800), (390, 844)])
def test_first_screen_of_two_axes_holds_the_answer_and_the_table(compared, size):
    screen(compared, *size)
    assert 0.0 < compared.value(BOTTOM.format("#part-compare .ladder")) <= size[1]
