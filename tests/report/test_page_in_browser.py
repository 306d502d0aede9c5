"""What a real browser makes of the page: it opens, asks nobody, sounds, follows, reads, prints."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from audiodiag.causes import load_knowledge
from audiodiag.orders.parts import ListeningParts
from audiodiag.records import CauseFinding, CheckAdvice, Note
from audiodiag.report.page import PageClip, report_page
from tests.report.browser import accessibility_rules, chromium, shut
from tests.report.examples import findings, normal_analysis, squeal_analysis

pytestmark = pytest.mark.limit(120)
WIDTHS = (390, 1280)
FOCUSED = """(() => {
    const e = document.activeElement;
    return [e.tagName, e.className, e.textContent.slice(0, 40), e.type || ''];
})()"""
PLACES = 'a[href], button, input, summary, [tabindex="0"], audio[controls]'


def until(page, expression: str, seconds: float = 20.0) -> None:
    """Wait until an expression is true, asking again and again: the policy forbids the driver's own way."""
    for _ in range(round(20 * seconds)):
        if page.evaluate(expression):
            return
        page.wait_for_timeout(50)
    raise AssertionError(f"never true: {expression}")


@pytest.fixture(scope="module")
def browser():
    with chromium() as found:
        yield found


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages")
    analysis = squeal_analysis()
    sound = analysis.clip.samples
    parts = ListeningParts(*[sound * share for share in (0.3, 0.1, 0.1, 0.3, 0.1, 0.1)])
    made = {
        "symptoms-en": report_page([PageClip(analysis, parts)]),
        "symptoms-de": report_page([PageClip(analysis, parts)], language="de"),
        "normal-en": report_page([PageClip(normal_analysis())]),
    }
    places = {}
    for name, page in made.items():
        places[name] = folder / f"{name}.html"
        places[name].write_text(page, encoding="utf-8")
    return places


@pytest.fixture
def opened(browser, pages, request):
    """The page with symptoms in English, with all that it said and asked for."""
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.said, page.asked = [], []
    page.on("console", lambda message: page.said.append(message.text))
    page.on("pageerror", lambda problem: page.said.append(str(problem)))
    page.on("request", lambda asked: page.asked.append(asked.url))
    page.goto(pages["symptoms-en"].as_uri())
    yield page
    shut(page)


def test_opens_from_a_file_without_complaint_and_asks_nobody(opened, pages):
    opened.wait_for_timeout(300)
    assert opened.said == []
    outside = [url for url in opened.asked if not url.startswith(("data:", "blob:"))]
    assert outside == [pages["symptoms-en"].as_uri()]
    assert opened.evaluate("[...document.images].every((one) => one.complete && one.naturalWidth > 0)")


def test_policy_stops_what_would_ask(opened):
    """The test above can fail: what asks is seen, and the policy forbids it."""
    opened.evaluate(
        "() => { const i = new Image(); i.src = 'https://example.invalid/x.png'; document.body.append(i) }"
    )
    opened.wait_for_timeout(300)
    assert any("Content Security Policy" in text for text in opened.said)


def test_sound_plays_and_the_cursor_follows(opened):
    opened.get_by_role("button", name="Play").click()
    until(opened, "[...document.querySelectorAll('audio')][0].currentTime > 0.6")
    left = [float(opened.evaluate("parseFloat(document.querySelector('.cursor').style.left)"))]
    opened.wait_for_timeout(500)
    left.append(float(opened.evaluate("parseFloat(document.querySelector('.cursor').style.left)")))
    assert 0 < left[0] < left[1] < 100
    now_s = opened.evaluate("document.querySelector('audio').currentTime")
    place_s = opened.evaluate("parseFloat(document.querySelector('.cursor').style.left) / 100 * 10")
    assert abs(now_s - place_s) < 0.4
    opened.get_by_role("button", name="Pause").click()
    until(opened, "document.querySelector('audio').paused")


def test_another_part_goes_on_from_the_same_place(opened):
    opened.get_by_role("slider").fill("4.5")
    opened.get_by_role("radio", name="squeal").check()
    opened.get_by_role("button", name="Play").click()
    until(opened, "[...document.querySelectorAll('audio')].some((a) => !a.paused && a.currentTime > 4.7)")
    playing = opened.evaluate(
        "[...document.querySelectorAll('audio')].map((a) => [a.paused, a.currentTime, a.ariaLabel])"
    )
    (sounding,) = [one for one in playing if not one[0]]
    assert sounding[2] == "squeal" and 4.5 <= sounding[1] < 9


def test_click_on_a_picture_sets_the_place(opened):
    field = opened.locator(".tall .plot").first
    middle = 0.5 * field.bounding_box()["width"]
    field.click(position={"x": middle, "y": 20})
    assert abs(float(opened.get_by_role("slider").input_value()) - 5.0) < 0.2


def test_keyboard_reaches_everything_and_works(opened):
    groups = opened.evaluate(
        f"""() => [...document.querySelectorAll('{PLACES}')].filter((e) => e.checkVisibility() &&
        !(e.type === 'radio' && !e.checked)).length"""
    )
    seen = []
    for _ in range(groups + 2):
        opened.keyboard.press("Tab")
        at = opened.evaluate(FOCUSED)
        if at[0] == "BODY":
            break
        seen.append(tuple(at))
    assert len(seen) >= groups
    kinds = {one[0] for one in seen}
    assert {"A", "SUMMARY", "BUTTON", "INPUT"} <= kinds
    opened.get_by_role("slider").focus()
    opened.keyboard.press("ArrowRight")
    assert float(opened.get_by_role("slider").input_value()) > 0
    assert opened.evaluate("document.querySelector('.cursor').style.left") not in ("", "0%")
    opened.get_by_role("button", name="Play").focus()
    opened.keyboard.press("Space")
    until(opened, "!document.querySelector('audio').paused")
    opened.locator("summary").first.focus()
    opened.keyboard.press("Enter")
    assert opened.evaluate("document.querySelector('details').open")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", ["symptoms-en", "symptoms-de", "normal-en"])
def test_accessibility_rules_find_nothing_serious(browser, pages, name, scheme):
    context = browser.new_context(
        bypass_csp=True, color_scheme=scheme, viewport={"width": 390, "height": 800}
    )
    page = context.new_page()
    page.goto(pages[name].as_uri())
    page.evaluate("for (const one of document.querySelectorAll('details')) one.open = true")
    page.add_script_tag(content=accessibility_rules())
    found = page.evaluate("axe.run(document, { resultTypes: ['violations'] })")
    assert found["passes"], "the rules must have looked at something"
    serious = [
        (rule["id"], rule["nodes"][0]["html"][:200])
        for rule in found["violations"]
        if rule["impact"] in ("serious", "critical")
    ]
    shut(context)
    assert serious == []


def test_accessibility_rules_see_a_fault(browser):
    page = browser.new_page()
    page.set_content("<html><body><img src='data:,'><button></button></body></html>")
    page.add_script_tag(content=accessibility_rules())
    found = page.evaluate("axe.run()")
    shut(page)
    assert {"image-alt", "button-name"} <= {rule["id"] for rule in found["violations"]}


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", ["symptoms-en", "symptoms-de", "normal-en"])
def test_fits_the_width_and_follows_the_colour_scheme(browser, pages, name, width):
    brightness = {}
    for scheme in ("light", "dark"):
        page = browser.new_page(viewport={"width": width, "height": 800}, color_scheme=scheme)
        page.goto(pages[name].as_uri())
        assert page.evaluate("document.documentElement.scrollWidth") == width
        colour = page.evaluate("getComputedStyle(document.body).backgroundColor")
        brightness[scheme] = sum(map(int, re.findall(r"\d+", colour)[:3]))
        shut(page)
    assert brightness["dark"] < 200 < 600 < brightness["light"]


@pytest.mark.parametrize("name", ["symptoms-en", "symptoms-de", "normal-en"])
def test_prints_to_two_pages(browser, pages, name):
    page = browser.new_page()
    page.goto(pages[name].as_uri())
    printed = page.pdf(prefer_css_page_size=True, print_background=True)
    shut(page)
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 2


def test_prints_to_two_pages_with_much_to_say(browser, tmp_path):
    """Four sounds, five notes, four causes with three reasons each, four checks, all cautions."""
    known, analysis = load_knowledge(), squeal_analysis()
    long = "A remark that goes on, as remarks on tightly packed recordings do, for some three lines. " * 3
    because = tuple(
        f"A reason of some length, as reasons are that speak for a cause: number {n}." for n in range(3)
    )
    checks = tuple(
        CheckAdvice(c.name, c.title, c.minutes, c.cost_low, c.cost_high, c.currency, 0.3, ())
        for c in known.checks[:4]
    )
    full = replace(
        analysis,
        symptoms=findings(belt_squeal=0.9, pump_whine=0.8, cavitation_groan=0.7, belt_chirp=0.6),
        quality=replace(analysis.quality, notes=tuple(Note(f"n{n}", f"{n} {long}") for n in range(5))),
        causes=tuple(CauseFinding(c.name, c.title, 0.5, because) for c in known.causes[:4]),
        next_checks=checks,
        cautions=tuple(c.text for c in known.cautions),
    )
    (tmp_path / "full.html").write_text(report_page([PageClip(full)], language="de"), encoding="utf-8")
    page = browser.new_page()
    page.goto((tmp_path / "full.html").as_uri())
    printed = page.pdf(prefer_css_page_size=True, print_background=True)
    shut(page)
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 2


def test_works_without_its_script(browser, pages):
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(pages["symptoms-en"].as_uri())
    assert page.locator("audio[controls]").first.is_visible()
    assert not page.get_by_role("button", name="Play").is_visible()
    shut(context)
