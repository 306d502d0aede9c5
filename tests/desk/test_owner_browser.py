"""The owner's whole work in a real browser: heard, led, kept, sent; skipped in words where there is none."""

from __future__ import annotations

import base64
import json
import wave
from pathlib import Path

import numpy as np
import pytest

from audiodiag.causes import load_knowledge
from audiodiag.clip import read_clip
from tests.desk.conftest import wait_for
from tests.desk.sounds import RATE_HZ, at_rate, noises
from tests.desk.test_workforce import DEMO
from tests.report.browser import Sturdy, accessibility_rules, driver, hearing, launched, shut

pytestmark = pytest.mark.limit(300)
CLIPS = sorted(path for path in DEMO.iterdir() if path.suffix in (".m4a", ".mp3", ".opus", ".3gp"))
VOICE = """
window.saidAloud = [];
const voice = { lang: "en-GB", name: "made up", default: true };
window.SpeechSynthesisUtterance = class extends EventTarget {
  constructor(text) { super(); this.text = text; }
};
Object.defineProperty(window, "speechSynthesis", { value: {
  getVoices: () => [voice], cancel() {}, addEventListener() {},
  speak(words) {
    words.dispatchEvent(new Event("start"));
    saidAloud.push(words.text);
    setTimeout(() => words.dispatchEvent(new Event("end")), 700);
  },
} });
"""
"""A voice for browsers that have none: it takes 0.7 s for every sentence."""


def _sound(folder: Path, samples: np.ndarray) -> Path:
    """Write these samples as the sound of a browser's microphone."""
    path = folder / "microphone.wav"
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE_HZ)
        file.writeframes((np.clip(samples, -1, 1) * 32767).astype("<i2").tobytes())
    return path


@pytest.fixture(scope="module")
def play():
    with driver() as made:
        yield made


@pytest.fixture(scope="module")
def browser(play, tmp_path_factory):
    """A browser that hears a demo clip."""
    sound = _sound(tmp_path_factory.mktemp("sound"), at_rate(read_clip(DEMO / "03_pump_whine.m4a")))
    with Sturdy(lambda: launched(play, hearing(sound))) as made:
        yield made


@pytest.fixture
def at(browser, served):
    """Open pages with a session; what their scripts complain of fails the test."""
    opened, said = [], []

    def context_of(width: int = 1280, scheme: str = "light"):
        context = browser.new_context(viewport={"width": width, "height": 800}, color_scheme=scheme)
        context.add_cookies([_cookie(served)])
        context.on("weberror", lambda error: said.append(str(error.error)))
        opened.append(context)
        return context

    yield context_of
    for context in opened:
        shut(context)
    assert said == []


def _cookie(served) -> dict:
    name, value = served.cookie.split("=", 1)
    return {"name": name, "value": value, "url": served.base}


def _case(served, title: str = "the blue van") -> str:
    told = served.ask("POST", "/api/1/cases", json.dumps({"title": title}).encode())
    return json.loads(told)["key"]


def _recordings(served, key: str) -> list[dict]:
    return json.loads(served.ask("GET", f"/api/1/cases/{key}/recordings"))["recordings"]


def _notes(served, key: str) -> list[str]:
    return [each["text"] for each in json.loads(served.ask("GET", f"/api/1/cases/{key}/notes"))["notes"]]


def _states(page, samples: np.ndarray) -> list[str]:
    """What the light would say over these samples, one word a moment, the first moments left out."""
    sent = base64.b64encode((np.clip(samples, -1, 1) * 32767).astype("<i2").tobytes()).decode()
    return page.evaluate(
        """([sent, rate]) => {
          const bytes = Uint8Array.from(atob(sent), (sign) => sign.charCodeAt(0));
          const wave = Float32Array.from(new Int16Array(bytes.buffer), (value) => value / 32768);
          const hear = engine_ear(), said = [], hop = Math.round(rate * EAR.every_ms / 1000);
          for (let at = 0; at + EAR.moment <= wave.length; at += hop) {
            said.push(hear(wave.subarray(at, at + EAR.moment), rate).state);
          }
          return said.slice(EAR.kept);
        }""",
        [sent, RATE_HZ],
    )


def test_light_is_on_for_engines_and_off_for_noises(at, served):
    """Every demo clip (simulated) is heard as an engine most of the time; no noise made here is."""
    page = at().new_page()
    page.goto(f"{served.base}/cases/{_case(served)}/record")
    heard = {path.stem: _states(page, at_rate(read_clip(path), 6.0)) for path in CLIPS}
    shares = {name: states.count("engine") / len(states) for name, states in heard.items()}
    assert min(shares.values()) >= 0.6, "blips of the throttle put it out for a moment"
    assert sorted(shares.values())[2] >= 0.9, shares
    for name, (samples, wanted) in noises().items():
        states = _states(page, samples)
        assert states.count("engine") <= 0.2 * len(states), name
        pauses = states.count("quiet") if wanted != "quiet" else 0
        assert states.count(wanted) + pauses >= 0.8 * len(states), (name, states)
    loud = np.clip(30 * at_rate(read_clip(CLIPS[0]), 4.0), -1, 1)
    assert set(_states(page, loud)) == {"loud"}


@pytest.mark.parametrize(
    ("sound", "light"), [("engine", "Engine heard"), ("speech", "No engine heard"), ("silence", "Too quiet")]
)
def test_light_follows_the_microphone(play, served, tmp_path, sound, light):
    clip = at_rate(read_clip(DEMO / "01_healthy.m4a"))
    heard = _sound(tmp_path, clip if sound == "engine" else noises()[sound][0])
    with Sturdy(lambda: launched(play, hearing(heard))) as browser:
        context = browser.new_context()
        context.add_cookies([_cookie(served)])
        page = context.new_page()
        page.goto(f"{served.base}/cases/{_case(served)}/record")
        page.get_by_role("button", name="Try the microphone").press("Enter")
        page.get_by_text(light).wait_for(timeout=15_000)
        page.wait_for_timeout(1500)
        assert page.get_by_text(light).is_visible(), "and it stays"


def _record_at_own_pace(page, steps: int) -> None:
    page.get_by_label("My own").check()
    page.get_by_role("button", name="Start the recording").press("Enter")
    for step in range(steps):
        page.locator(f".steps li:nth-child({step + 1})[aria-current]").wait_for(timeout=15_000)
        wait_for(lambda: page.evaluate("running && marks.at(-1).end === null"))
        if page.locator(".count").inner_text():
            page.wait_for_timeout(1700)
            page.keyboard.press("Space")
        else:
            page.wait_for_timeout(3200)


def test_spoken_sequence_at_own_pace_gives_the_phases_of_the_analysis(at, served):
    """Keys alone, 360 px; where it spoke is no phase; what was done by the clock goes to the analysis."""
    context = at(360)
    context.add_init_script(VOICE)
    page = context.new_page()
    key = _case(served)
    page.goto(f"{served.base}/cases/{key}/record")
    page.get_by_text("Each step is spoken").wait_for()
    _record_at_own_pace(page, 4)
    assert page.evaluate("saidAloud")[:3] == ["Wheel straight", "Turn slowly to one stop", "Hold"]
    cues, marks = page.evaluate("cues"), page.evaluate("marks")
    page.get_by_role("button", name="Stop and keep").press("Enter")
    page.get_by_role("button", name="Send this recording").wait_for()
    assert page.evaluate("document.activeElement.className") == "send-it"
    page.keyboard.press("Enter")
    page.get_by_text("The six sounds").wait_for(timeout=120_000)
    recording = _recordings(served, key)[0]
    told = json.loads(served.ask("GET", f"/api/1/cases/{key}/recordings/{recording['recording']}/analysis"))
    phases = told["analysis"]["phases"]
    assert phases["source"] == "marked", "stated, not inferred"
    spans = [(each["phase"], each["start_s"], each["end_s"]) for each in phases["spans"]]
    assert [phase for phase, _, _ in spans] == ["centre", "turning", "stop", "turning"][: len(spans)]
    assert len(spans) >= 3
    for (_, start, end), mark in zip(spans, marks, strict=False):
        assert start == pytest.approx(mark["start"], abs=0.02)
        assert all(cue["end"] <= start + 0.02 or cue["start"] >= end - 0.02 for cue in cues)


def test_without_a_voice_tones_are_sounded_and_written_of(at, served):
    page = at().new_page()
    page.goto(f"{served.base}/cases/{_case(served)}/record")
    page.get_by_text("This browser has no voice: short tones").wait_for()
    _record_at_own_pace(page, 2)
    wait_for(lambda: len(page.evaluate("cues")) >= 2)
    assert all(0.1 < cue["end"] - cue["start"] < 1.0 for cue in page.evaluate("cues")), "short, and stored"
    page.get_by_role("button", name="Throw away").click()
    page.get_by_text("Thrown away").wait_for()
    wait_for(lambda: page.evaluate("all_sounds().then((kept) => kept.length)") == 0)


def test_recording_not_sent_survives_the_page(at, served):
    """Closed in the midst of recording: what was recorded is offered on the page of the case, and arrives."""
    context = at(390)
    page = context.new_page()
    key = _case(served)
    page.goto(f"{served.base}/cases/{key}/record")
    page.get_by_label("Not at all").check()
    page.get_by_role("button", name="Start the recording").click()
    wait_for(lambda: page.evaluate("sound !== null && sound.pieces.length >= 5"), within_s=30)
    page.wait_for_timeout(300)
    page.close(run_before_unload=False)
    page = context.new_page()
    page.goto(f"{served.base}/cases/{key}")
    page.get_by_text("kept on this device, not sent yet").wait_for()
    page.get_by_role("button", name="Send it").press("Enter")
    page.get_by_text("The six sounds").wait_for(timeout=120_000)
    assert page.get_by_text("kept on this device, not sent yet").count() == 0
    assert len(_recordings(served, key)) == 1


def test_upload_cut_off_goes_on_when_the_page_is_opened_again(at, served, tmp_path):
    """One piece arrives, the line is cut, the page closed: the rest alone is sent at the next visit."""
    path = tmp_path / "long.wav"
    clip = np.tile(at_rate(read_clip(DEMO / "01_healthy.m4a")), 4)
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE_HZ)
        file.writeframes((clip[: 30 * RATE_HZ] * 32767).astype("<i2").tobytes())
    context, offsets = at(), []
    context.on("request", lambda asked: offsets.append(asked.url) if asked.method == "PATCH" else None)
    context.route(
        "**/uploads/**",
        lambda route: route.abort() if "offset=2097152" in route.request.url else route.continue_(),
    )
    page = context.new_page()
    key = _case(served)
    page.goto(f"{served.base}/cases/{key}")
    page.get_by_label("Recording or video").set_input_files(path)
    page.get_by_role("button", name="Send", exact=True).press("Enter")
    page.get_by_text("what has arrived stays").first.wait_for(timeout=30_000)
    assert page.locator("#offline").is_visible()
    page.close(run_before_unload=False)
    context.unroute("**/uploads/**")
    offsets.clear()
    page = context.new_page()
    page.goto(f"{served.base}/cases/{key}")
    wait_for(lambda: len(_recordings(served, key)) == 1, within_s=60)
    page.get_by_role("link", name="long.wav").wait_for(timeout=120_000)
    assert offsets
    assert all("offset=0" not in url for url in offsets), "what had arrived was not sent again"
    assert _recordings(served, key)[0]["size_bytes"] == path.stat().st_size


def _typed_and_left(context, served) -> str:
    """Open a new case, type a note, close the page unsent; give the case's key."""
    page = context.new_page()
    key = _case(served)
    page.goto(f"{served.base}/cases/{key}")
    page.get_by_label("A note").fill("groans when I park")
    page.get_by_text("Kept on this device until it is sent").wait_for()
    shut(page)
    return key


def test_what_is_typed_is_kept_and_sent_once(at, served):
    """A note survives a reload, waits while offline, and is taken once although its first answer was lost."""
    context = at(360, "dark")
    key = _typed_and_left(context, served)
    page = context.new_page()
    page.goto(f"{served.base}/cases/{key}")
    assert page.get_by_label("A note").input_value() == "groans when I park"
    assert page.get_by_text("What you typed before is still here").is_visible()
    context.set_offline(True)
    page.get_by_text("This device is offline").wait_for()
    page.get_by_role("button", name="Keep the note").press("Enter")
    page.get_by_text("Not sent: the desk cannot be reached").wait_for()
    assert _violations(page) == []
    context.set_offline(False)
    page.get_by_text("Kept.", exact=True).wait_for(timeout=15_000)
    page.wait_for_load_state()  # the words may be there before the script that sends the form
    assert _notes(served, key) == ["groans when I park"]
    assert page.get_by_label("A note").input_value() == ""

    lost = []

    def lose(route) -> None:
        if not lost:
            lost.append(route.fetch(max_redirects=0).status)
            route.abort()
        else:
            route.continue_()

    context.route("**/notes", lose)
    page.get_by_label("A note").fill("worse in the cold")
    page.get_by_role("button", name="Keep the note").press("Enter")
    page.get_by_text("Kept.", exact=True).wait_for(timeout=15_000)
    wait_for(lambda: page.get_by_label("A note").input_value() == "")
    assert lost == [303]
    assert _notes(served, key).count("worse in the cold") == 1


def test_what_is_typed_before_the_script_is_there_wins_over_an_older_draft(at, served):
    """On a slow line the page stands before its script does; whoever types then is not overwritten."""
    context = at(360)
    key = _typed_and_left(context, served)
    held = []
    context.route("**/drafts.js*", lambda route: held.append(route))
    page = context.new_page()
    page.goto(f"{served.base}/cases/{key}", wait_until="commit")
    note = page.get_by_label("A note")
    note.fill("groans at the stops")
    assert held, "the script is still on its way"
    held[0].continue_()
    page.get_by_text("Kept on this device until it is sent").wait_for()
    assert note.input_value() == "groans at the stops"
    shut(page)
    context.unroute("**/drafts.js*")
    page = context.new_page()
    page.goto(f"{served.base}/cases/{key}")
    assert page.get_by_label("A note").input_value() == "groans at the stops"


def test_refused_form_keeps_its_words_and_says_why(at, served):
    page = at(360).new_page()
    key = _case(served)
    page.goto(f"{served.base}/cases/{key}/car")
    page.locator("[name=cylinders]").fill("four")
    page.get_by_role("button", name="Keep").press("Enter")
    page.get_by_text("Not taken:").wait_for()
    assert "whole number" in page.locator(".draft-words").inner_text()
    assert page.locator("[name=cylinders]").input_value() == "four"
    page.locator("[name=cylinders]").fill("4")
    page.get_by_role("button", name="Keep").press("Enter")
    page.get_by_text("4 cylinders").wait_for()


def test_question_stands_beside_its_drawing_and_is_answered_by_keyboard(at, served):
    page = at(360).new_page()
    key = _case(served)
    page.goto(f"{served.base}/cases/{key}")
    drawing = page.get_by_role("img", name="Hydraulic power steering, schematic")
    assert drawing.bounding_box()["width"] > 200
    assert page.locator(".schematic .here").count() >= 1
    before = page.locator(".answers legend").inner_text()
    page.locator(".answers input").first.focus()
    page.keyboard.press("Space")
    page.get_by_role("button", name="Answer", exact=True).press("Enter")
    page.get_by_text("Answered so far").wait_for()
    assert page.locator(".answers legend").inner_text() != before
    page.goto(f"{served.base}/cases/{key}?questions=all")
    assert page.locator(".where").count() == len(load_knowledge().observations)
    page.locator(".where summary").first.press("Enter")
    assert page.locator(".where .schematic").first.is_visible()


def test_parcel_is_handed_over_by_keyboard_and_a_broken_one_is_refused(at, served, tmp_path):
    key = _case(served, "the sender's")
    name = "12_whine_old_phone.3gp"
    told = served.ask("POST", f"/api/1/cases/{key}/recordings?name=a.3gp", (DEMO / name).read_bytes())
    number = json.loads(told)["recording"]
    served.ask("POST", f"/cases/{key}/papers", f"kind=parcel&recording={number}&note=It+whines".encode())
    page = at(360).new_page()
    page.goto(f"{served.base}/cases/{key}/papers")
    page.get_by_role("link", name="Save parcel.zip").wait_for(timeout=120_000)
    with page.expect_download() as saved:
        page.get_by_role("link", name="Save parcel.zip").click()
    parcel = tmp_path / "parcel.zip"
    saved.value.save_as(parcel)
    other = _case(served, "the receiver's")
    place = f"{served.base}/cases/{other}/papers"
    page.goto(place)
    page.get_by_label("Parcel (a file").set_input_files(DEMO / name)
    page.get_by_role("button", name="Hand it over").press("Enter")
    page.get_by_text("is not a parcel").wait_for()
    page.get_by_label("Parcel (a file").set_input_files(parcel)
    page.get_by_role("button", name="Hand it over").press("Enter")
    page.get_by_text("its recordings and words have joined this case").wait_for(timeout=60_000)
    assert len(_recordings(served, other)) == 1
    assert any("It whines" in text for text in _notes(served, other))
    broken = bytearray(parcel.read_bytes())
    broken[len(broken) // 2] ^= 255
    (tmp_path / "broken.zip").write_bytes(broken)
    page.get_by_label("Parcel (a file").set_input_files(tmp_path / "broken.zip")
    page.get_by_role("button", name="Hand it over").press("Enter")
    page.locator(".parcel-in .refused").wait_for(timeout=60_000)
    assert "What to do:" in page.locator(".parcel-in .refused").inner_text()
    assert _violations(page) == []
    assert len(_recordings(served, other)) == 1


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_states_of_the_owners_pages_can_be_read_by_everyone(at, served, scheme):
    """Not the pages at rest (test_browser.py has those), but recording, kept, lost, all unfolded."""
    page = at(360, scheme).new_page()
    key = _case(served)
    page.goto(f"{served.base}/cases/{key}/record")
    page.get_by_label("Short tones").check()
    page.get_by_role("button", name="Start the recording").click()
    wait_for(lambda: page.evaluate("running && sound.pieces.length > 0"))
    page.get_by_text("Engine heard").wait_for(timeout=15_000)
    assert _violations(page) == []
    page.get_by_role("button", name="Stop and keep").click()
    page.get_by_role("button", name="Send this recording").wait_for()
    page.evaluate("desk_lost()")
    assert _violations(page) == []
    page.goto(f"{served.base}/cases/{key}?questions=all")
    page.get_by_text("kept on this device, not sent yet").wait_for()
    page.evaluate("for (const each of document.querySelectorAll('details')) each.open = true")
    assert _violations(page) == []
    assert not page.evaluate("document.documentElement.scrollWidth > innerWidth")


def _violations(page) -> list[str]:
    """Serious breaches of the general accessibility rules (axe-core) on a page."""
    page.evaluate(accessibility_rules())
    found = page.evaluate("axe.run(document, { resultTypes: ['violations'] })")["violations"]
    return [
        f"{each['id']} at {each['nodes'][0]['target']}"
        for each in found
        if each["impact"] in ("serious", "critical")
    ]
