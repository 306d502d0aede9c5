"""The work of the three people in a real browser; skipped in words where there is none."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from tests.desk.conftest import wait_for
from tests.desk.test_workforce import DEMO
from tests.report.browser import accessibility_rules, chromium, hearing, shut

pytestmark = pytest.mark.limit(300)
PLACES = (
    "/inbox", "/new", "/blocks", "/enter", "/nowhere", "/cases/{key}", "/cases/{key}?questions=all",
    "/api/1", "/cases/{key}/car", "/cases/{key}/record", "/cases/{key}/papers",
    "/cases/{key}/bench/{recording}", "/cases/{key}/compare",
)  # fmt: skip


@pytest.fixture(scope="module")
def sound(tmp_path_factory) -> Path:
    """A demo clip as the sound that the browser's microphone hears."""
    import soundfile

    from audiodiag.clip import read_clip

    clip = read_clip(DEMO / "05_belt_squeal.mp3")
    path = tmp_path_factory.mktemp("sound") / "microphone.wav"
    soundfile.write(path, clip.samples, clip.sample_rate_hz)
    return path


@pytest.fixture(scope="module")
def browser(sound):
    with chromium(hearing(sound)) as made:
        yield made


@pytest.fixture
def at(browser, served):
    """Open a page with a session; what its scripts complain of fails the test."""
    opened, said = [], []

    def open_page(width: int = 1280, scheme: str = "light"):
        context = browser.new_context(viewport={"width": width, "height": 800}, color_scheme=scheme)
        name, value = served.cookie.split("=", 1)
        context.add_cookies([{"name": name, "value": value, "url": served.base}])
        page = context.new_page()
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("console", lambda line: said.append(line.text) if line.type == "error" else None)
        opened.append(context)
        return page

    yield open_page
    for context in opened:
        shut(context)
    assert [line for line in said if "404" not in line and "ERR_INTERNET_DISCONNECTED" not in line] == []


def _case_with_clip(served, name: str) -> str:
    key = json.loads(served.ask("POST", "/api/1/cases", b'{"title": "the blue van"}'))["key"]
    served.ask("POST", f"/api/1/cases/{key}/recordings?name={name}", (DEMO / name).read_bytes())
    wait_for(lambda: b'"done"' in served.ask("GET", f"/api/1/cases/{key}/jobs"))
    return key


def _start_recording(page) -> None:
    """Start, and once more where the page says that it did not begin, until two steps are over."""
    again = iter([True])

    def two_are_over() -> bool:
        if "did not begin" in page.locator(".problem").inner_text() and next(again, False):
            page.get_by_role("button", name="Start the recording").click()
        return page.evaluate("document.querySelectorAll('.steps .over').length >= 2")

    page.get_by_role("button", name="Start the recording").click()
    try:
        wait_for(two_are_over, within_s=120.0)
    except AssertionError:
        pytest.fail(f"no two steps are over: {page.locator('main').inner_text()}")


def test_owner_is_told_that_a_recording_does_not_begin(at, served):
    key = json.loads(served.ask("POST", "/api/1/cases", b'{"title": "the still van"}'))["key"]
    shown = served.ask("GET", f"/cases/{key}/record").decode()
    assert shown.count('" disabled>') >= 2, "until its script has run nobody can press what it answers"
    page = at(390)
    page.goto(f"{served.base}/cases/{key}/record")
    page.evaluate("MediaRecorder.prototype.start = () => {}")
    page.get_by_role("button", name="Start the recording").click()
    page.get_by_text("The recording did not begin. Start it again").wait_for(timeout=60_000)
    assert page.get_by_role("button", name="Start the recording").is_visible()
    assert not page.get_by_role("button", name="Send this recording").is_visible()
    assert page.locator(".steps .over, .steps [aria-current]").count() == 0
    page.reload()
    _start_recording(page)


def test_owner_records_with_the_sequence_and_reads_the_answer(at, served):
    page = at(390)
    page.goto(f"{served.base}/new")
    page.get_by_label("What do you call the car?").fill("the red van")
    page.get_by_role("button", name="Open the case").click()
    page.get_by_role("link", name="Record here").click()
    _start_recording(page)
    assert float(page.locator("meter").evaluate("m => m.value")) > 0
    page.get_by_role("button", name="Stop and keep").click()
    page.get_by_role("button", name="Send this recording").click()
    page.get_by_text("The six sounds").wait_for(timeout=120_000)
    assert "said=received" in page.url
    phases = page.locator(".wave rect[class^=phase]").count()
    assert phases >= 2, "the times of the sequence became steering phases"
    assert page.locator("audio").evaluate("a => { a.load(); return a.error === null; }")


def test_sending_with_progress_and_questions_by_keyboard(at, served):
    page = at()
    page.goto(f"{served.base}/new")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.get_by_label("What do you call the car?").fill("estate car")
    page.keyboard.press("Enter")
    page.get_by_label("Recording or video").set_input_files(DEMO / "01_healthy.m4a")
    page.get_by_role("button", name="Send", exact=True).click()
    page.get_by_text("The six sounds").wait_for(timeout=120_000)
    before = page.locator(".causes").inner_text()
    page.locator(".answers input").first.focus()
    page.keyboard.press("Space")
    page.get_by_role("button", name="Answer", exact=True).press("Enter")
    page.get_by_text("Answered so far").wait_for()
    assert page.locator(".causes").inner_text() != before or page.locator(".answered li").count() == 1


def test_advisor_listens_marks_and_answers_by_keyboard(at, served):
    key = _case_with_clip(served, "05_belt_squeal.mp3")
    served.ask("POST", "/blocks", b"title=Belt&text=Look+at+the+belt+first.")
    page = at()
    page.goto(f"{served.base}/cases/{key}")
    page.get_by_role("link", name="Listen, mark").press("Enter")
    page.locator("#player").wait_for()
    page.wait_for_load_state()  # the sound may be there before the script that takes the keys
    wait_for(lambda: page.evaluate("document.getElementById('player').readyState >= 3"))
    page.keyboard.press("Space")
    wait_for(lambda: page.evaluate("document.getElementById('player').currentTime > 0.3"))
    page.keyboard.press("Space")
    page.keyboard.press("[")
    page.keyboard.press("ArrowRight")
    page.wait_for_timeout(300)
    page.keyboard.press("]")
    page.keyboard.press("3")
    page.keyboard.press("m")
    page.get_by_text("take away").first.wait_for()
    assert re.search(r"belt squeal \d\.\d\d to \d\.\d\d s", page.locator("main").inner_text())
    page.keyboard.press("a")
    page.get_by_role("button", name="+ Belt").first.press("Enter")
    assert page.get_by_label("To the owner").input_value() == "Look at the belt first."
    page.get_by_role("button", name="Send", exact=True).press("Enter")
    page.get_by_text("The answer is sent").wait_for()
    assert page.get_by_text("Look at the belt first.").is_visible()


def test_many_files_at_once_become_cases(at, served):
    page = at()
    page.goto(f"{served.base}/inbox")
    page.get_by_label("Many recordings").set_input_files(
        [DEMO / "01_healthy.m4a", DEMO / "03_pump_whine.m4a"]
    )
    page.get_by_role("link", name="03_pump_whine").wait_for(timeout=60_000)
    assert page.get_by_role("link", name="01_healthy").is_visible()


@pytest.mark.parametrize(
    ("width", "scheme"), [(360, "dark"), (360, "light"), (1280, "light"), (1280, "dark")]
)
def test_every_page_fits_and_can_be_read_by_everyone(at, served, width, scheme):
    """No page is wider than its screen; axe-core finds nothing serious, in both themes."""
    key, recording = _any_recording(served)
    page = at(width, scheme)
    wrong = []
    for place in PLACES:
        page.goto(served.base + place.replace("{key}", key).replace("{recording}", recording))
        if page.evaluate("document.documentElement.scrollWidth > innerWidth"):
            wrong.append(f"{place} is wider than {width}")
        found = _violations(page)
        wrong += [
            f"{place}: {each['id']} at {each['nodes'][0]['target']}"
            for each in found
            if each["impact"] in ("serious", "critical")
        ]
    assert wrong == []


def _violations(page) -> list[dict]:
    """Breaches of the general accessibility rules (axe-core) on a page."""
    page.evaluate(accessibility_rules())
    return page.evaluate("axe.run(document, { resultTypes: ['violations'] })")["violations"]


def _any_recording(served) -> tuple[str, str]:
    """Key and number of a recording that was listened to."""
    found = re.search(rb"/cases/([\w-]{20,})/bench/(\d+)", served.ask("GET", "/inbox?show=all"))
    if found:
        return found[1].decode(), found[2].decode()
    _case_with_clip(served, "05_belt_squeal.mp3")
    return _any_recording(served)


def test_axe_finds_what_is_planted(at, served):
    page = at()
    page.goto(f"{served.base}/new")
    page.evaluate(
        "document.querySelector('[name=title]').closest('label').replaceWith(document.createElement('input'))"
    )
    assert "label" in {each["id"] for each in _violations(page)}
