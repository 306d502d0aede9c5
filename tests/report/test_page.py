"""The page's words, numbers and size; what a browser makes of it is in test_page_in_browser."""

from __future__ import annotations

import html
import json
import math
import re
import shutil
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest

from audiodiag.analysis import analyse
from audiodiag.cli import main
from audiodiag.comparison.change import SymptomChange
from audiodiag.comparison.compare import UNHEARD
from audiodiag.errors import UsageError
from audiodiag.orders.parts import ListeningParts
from audiodiag.records import PHASES, SYMPTOMS, Evidence, Note, Phases, SpeedAlternative, read_only
from audiodiag.report import language as language_room
from audiodiag.report import listened, wording
from audiodiag.report.figures import picture_svg
from audiodiag.report.jsonform import analysis_to_dict
from audiodiag.report.language import LANGUAGES, load_sentences
from audiodiag.report.page import MOST_PAGE_BYTES, PageClip, report_page
from audiodiag.report.page_change import _interval, _row
from audiodiag.report.page_view import _sound
from audiodiag.report.phase_levels import phase_rows
from audiodiag.resources import shipped_folder
from tests.report.examples import RATE_HZ, normal_analysis, simulated_clip, squeal_analysis
from tests.report.shown import shown_texts

DEMO = shipped_folder("recordings_demo")


def data_of(page: str) -> dict:
    held = re.search(r'<script type="application/json" id="analysis">(.*?)</script>', page, re.DOTALL)
    assert held is not None
    return json.loads(held.group(1))


def test_page_holds_the_numbers_of_json(tmp_path, capsys):
    clip, out = str(DEMO / "01_healthy.m4a"), tmp_path / "r.html"
    assert main(["report", clip, "--out", str(out), "--without-parts", "--cylinders", "4"]) == 0
    capsys.readouterr()
    assert main(["analyse", clip, "--json", "--cylinders", "4"]) == 0
    row = json.loads(capsys.readouterr().out)
    page = out.read_text(encoding="utf-8")
    assert data_of(page)["analyses"] == [row]
    assert f"{100 * row['speed']['confidence']:.0f}" in page or "> 99" in page
    for cause in row["causes"][:1]:
        assert wording.percent(cause["probability"]).replace(" ", "\u00a0").replace("<", "&lt;") in page
    assert f"{np.median([r for r in row['speed']['rpm'] if r]):.0f}\u00a0rpm" in page


def test_shown_percentages_are_those_of_the_analysis():
    analysis = squeal_analysis()
    page = report_page([PageClip(analysis)])
    assert data_of(page)["analyses"] == [analysis_to_dict(analysis)]
    for found in analysis.symptoms:
        shown = wording.percent(found.probability).replace(" ", "\u00a0").replace("<", "&lt;")
        assert shown in page


def test_page_needs_nothing_from_outside():
    page = report_page([PageClip(squeal_analysis())])
    addresses = re.findall(r'(?:src|href)="([^"]*)"', page)
    assert addresses and all(a.startswith(("data:", "#")) for a in addresses)
    assert "http:" not in page and "https:" not in page and "@import" not in page
    assert "default-src 'none'" in html.unescape(page)


@pytest.mark.parametrize("language", LANGUAGES)
def test_page_of_30_s_with_six_parts_is_small(language):
    rng = np.random.default_rng(5)
    samples = read_only((0.1 * rng.standard_normal(30 * 48000)).astype(np.float32))
    clip = replace(simulated_clip(), samples=samples, sample_rate_hz=48000)
    part = read_only((0.3 * samples).astype(np.float32))
    parts = ListeningParts(*[part] * 6)
    page = report_page([PageClip(squeal_analysis(clip), parts)], language=language)
    assert 1_000_000 < len(page.encode("utf-8")) < MOST_PAGE_BYTES
    assert page.count("data:audio/mp4") == 7


def test_names_cannot_break_the_page():
    evil = '"><script>alert(1)</script><img src=x onerror=alert(2)>.m4a'
    analysis = squeal_analysis(simulated_clip(name=evil))
    page = report_page([PageClip(analysis, file=evil)])
    assert "<script>alert" not in page and "<img src=x" not in page
    assert data_of(page)["analyses"][0]["clip"]["file"] == evil


def test_simulated_clips_are_called_so_at_the_top():
    page = report_page([PageClip(squeal_analysis())])
    assert page.index("a simulated clip") < page.index("<h2>")
    assert "eine simulierte Aufnahme" in report_page([PageClip(squeal_analysis())], language="de")


def test_cautions_are_all_there():
    analysis = squeal_analysis()
    page = report_page([PageClip(analysis)])
    for caution in analysis.cautions:
        assert caution.replace("'", "&#39;") in page.replace("\u00a0", " ")


def test_the_readme_says_where_the_evidence_stands():
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    assert f'"{load_sentences("en").say("sure.title")}" (at most three for, one against)' in readme
    assert "stand as `evidence` beside it in `--json`" in readme


FOR, AGAINST = " This speaks for it.", " This speaks against it."


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize(
    ("probability", "ends", "said"),
    [
        (0.3, (FOR, FOR), True),
        (0.49, (FOR, FOR, FOR, FOR), True),
        (0.5, (FOR, FOR), False),
        (0.9, (FOR,), False),
        (0.3, (FOR, AGAINST), False),
        (0.3, (FOR, ""), False),
        (0.3, (FOR, FOR, FOR, ""), True),
        (0.3, (), False),
    ],
)
def test_an_unlikely_sound_with_reasons_only_for_it_says_why_it_stays_unlikely(
    probability, ends, said, language
):
    s, analysis = load_sentences(language), squeal_analysis()
    evidence = tuple(
        Evidence(f"m{n}", 1.0 + n, "s", f"The longest high tone as of a squeal lasts {n}.0 s.{end}")
        for n, end in enumerate(ends)
    )
    found = replace(analysis.symptoms[2], probability=probability, evidence=evidence)
    reasons = _sound(1, found, analysis, s).reasons
    assert len(reasons) == min(len(ends), 3 + ends.count(AGAINST)) + said
    assert [one.text for one in reasons].count(s.say("sure.rare")) == said
    assert {one.language for one in reasons} <= {language}


def test_first_the_answer_then_how_sure_then_checks_then_cautions_then_evidence():
    page = report_page([PageClip(squeal_analysis())])
    order = [
        "<h1",
        "How sure, and why",
        "What to check next",
        "Take care",
        "The evidence",
        "How it was computed",
    ]
    places = [page.index(f"{text}") for text in order]
    assert places == sorted(places)


def test_catalogues_have_the_same_sentences_and_every_one_is_used():
    english = load_sentences("en")
    room = Path(language_room.__file__).parent
    sources = "".join(
        path.read_text(encoding="utf-8")
        for path in [
            *room.glob("page*.py"),
            *(room / "sheet").glob("*.html"),
            room.parent / "commands/report.py",
        ]
    )
    sounds = [*SYMPTOMS, *(f"{name}_what" for name in SYMPTOMS)]
    parts = [f.name for f in fields(ListeningParts)] + ["whole"]
    built = {
        *(f"sound.{name}" for name in sounds),
        *(f"evidence.{name}{more}" for name in parts for more in ("", "_what")),
        *(f"sure.source_{name}" for name in ("acoustic", "entered", "table", "tach", "none")),
        *(f"sure.cylinders_{name}" for name in ("entered", "heard", "unknown")),
        *(f"steering.{name}" for name in ("marked", "tabled", "inferred")),
        *(f"steering.{name}{more}" for name in PHASES for more in ("", "_short")),
        *(f"comparison.{name}" for name in ("gone", "quieter", "louder", "unchanged_word", "cannot_tell")),
        *(f"comparison.{name}" for name in ("sound", "verdict", "change", "interval", "smallest")),
        *(f"answer.{name}" for name in ("normal", "cannot_tell", "not_an_engine_bay")),
    }
    assert built <= english.texts.keys()
    unused = [
        name
        for name in english.texts.keys() - built
        if f'"{name}"' not in sources and f"'{name}'" not in sources
    ]
    assert unused == []
    for code in LANGUAGES:
        assert load_sentences(code).texts.keys() == english.texts.keys()


def test_names_of_sounds_are_those_of_the_other_reports():
    english = load_sentences("en")
    assert {name: english.say(f"sound.{name}") for name in SYMPTOMS} == wording.SYMPTOM_WORDS


def test_broken_catalogues_and_unknown_languages_are_refused(tmp_path, monkeypatch):
    with pytest.raises(UsageError, match="does not speak this language"):
        load_sentences("xx")
    shutil.copytree(language_room._FOLDER, tmp_path, dirs_exist_ok=True)
    text = (tmp_path / "de/page.toml").read_text(encoding="utf-8")
    (tmp_path / "de/page.toml").write_text(text.replace('title = "Vorsicht"\n', ""), encoding="utf-8")
    monkeypatch.setattr(language_room, "_FOLDER", tmp_path)
    load_sentences.cache_clear()
    try:
        with pytest.raises(UsageError, match="does not fit the English one"):
            load_sentences("de")
    finally:
        monkeypatch.undo()
        load_sentences.cache_clear()


def test_nothing_is_claimed_where_nothing_can_be_told():
    analysis = squeal_analysis()
    verdict = replace(analysis.verdict, kind="cannot_tell", text="The clip is unlike all others.")
    page = report_page([PageClip(replace(analysis, verdict=verdict, causes=(), next_checks=()))])
    assert "It cannot be told from this recording." in page
    assert "Heard:" not in page and 'class="on ' not in page
    assert "Nothing is claimed about any sound" in page


def test_levels_against_the_steering_find_a_louder_stop():
    analysis = squeal_analysis()
    time_s = np.arange(len(analysis.clip.samples)) / RATE_HZ
    gain = np.where((time_s >= 4) & (time_s < 6), 10 ** (12 / 20), 1.0)
    noise = np.random.default_rng(2).standard_normal(time_s.size)
    clip = replace(analysis.clip, samples=read_only((0.01 * gain * noise).astype(np.float32)))
    whole = phase_rows(replace(analysis, clip=clip))[0]
    middle = {level.phase: level.middle_db for level in whole.levels}
    assert abs(middle["stop"] - 12.0) < 0.5 and max(middle["centre"], middle["turning"]) < 0.5


def test_doubt_on_the_cylinders_stands_with_the_speed_and_once():
    analysis = squeal_analysis()
    doubt = Note("cylinders_ambiguous", "The number of cylinders cannot be told.")
    speed = replace(analysis.speed, notes=(doubt,), alternatives=(SpeedAlternative(1.0, 8, 0.06),))
    page = report_page([PageClip(replace(analysis, speed=speed))])
    body = page.split("<body", 1)[1].split("<script", 1)[0]
    assert "heard, not certain" in body
    assert "could also come from 8 cylinders at the same speed" in body
    assert doubt.text not in body


def test_normal_page_says_so():
    found = normal_analysis()
    assert "Only a hiss as of the relief valve is heard" in report_page([PageClip(found)])
    quiet = replace(found, symptoms=tuple(replace(one, probability=0.02) for one in found.symptoms))
    assert "Nothing wrong is heard." in report_page([PageClip(quiet)])


def test_number_of_clips_is_bounded():
    for clips in ([], [PageClip(squeal_analysis())] * 9):
        with pytest.raises(UsageError, match="cannot hold that many"):
            report_page(clips)


def test_report_must_be_told_where(capsys):
    assert main(["report", "a.m4a"]) == 2
    assert main(["report", "a.m4a", "--out", "a.pdf"]) == 2
    assert "ends in .html" in capsys.readouterr().err
    assert main(["report", str(DEMO / "01_healthy.m4a"), "--out", "a.html", "--language", "xx"]) == 2


def test_picture_as_svg_is_repeatable():
    first, second = picture_svg(normal_analysis()), picture_svg(normal_analysis())
    assert first == second and first.startswith("<?xml")


def test_two_sides_have_their_change_first(tmp_path):
    from audiodiag.comparison import compare_sides

    before, after = (analyse(DEMO / f"{name}_fluid_change.m4a") for name in ("09_before", "10_after"))
    found = compare_sides([before], [after])
    page = report_page([PageClip(before), PageClip(after)], comparison=found)
    assert page.index("Before and after") < page.index("How sure, and why")
    numbers = data_of(page)["comparison"]["symptoms"]
    for change in numbers:
        if change["verdict"] != "cannot_tell" and change["change_db"] is not None:
            assert f"{change['change_db']:+.1f}\u00a0dB".replace("-", "\u2212") in page
    assert len(page.encode("utf-8")) < MOST_PAGE_BYTES


def test_what_is_stated_of_the_sides_reaches_the_comparison(tmp_path, capsys):
    out, wheel = tmp_path / "report.html", "centre 0-2.5, turning 2.5-4.5, stop 4.5-6.5, turning 6.5-14"
    clips = [str(DEMO / f"{name}_fluid_change.m4a") for name in ("09_before", "10_after")]
    sides = [clips[0], "--after", clips[1], "--out", str(out), "--without-parts", "--one-phone"]
    facts = [
        "--before-steering",
        wheel,
        "--after-steering",
        wheel,
        "--before-rpm",
        "781",
        "--after-rpm",
        "771",
    ]
    assert main(["report", *sides, *facts]) == 0
    said = data_of(out.read_text(encoding="utf-8"))["comparison"]["conditions"]
    assert said["one_phone_stated"] is True
    assert "steering_not_stated" not in {note["code"] for note in said["notes"]}
    for odd in (["--before-rpm", "781"], ["--after", clips[1], "--rpm", "781", "--after-rpm", "771"]):
        assert main(["report", clips[0], "--out", str(out), *odd]) == 2
    refused = capsys.readouterr().err
    assert "--before-rpm belongs to one of two sides" in refused
    assert "stated twice (got --rpm and --after-rpm" in refused


def test_what_was_seen_before_the_work_says_nothing_of_the_clips_after_it(tmp_path, monkeypatch):
    taken = []

    def take(name, settings, *, parts):
        taken.append((name, settings.get("observations"), settings["speed_rpm"]))
        if len(taken) == 3:
            raise UsageError("enough", got="three", allowed="three", todo="stop")

    monkeypatch.setattr(listened, "page_clip", take)
    stated = ["--saw", "fluid_level=low", "--rpm", "780", "--out", str(tmp_path / "report.html")]
    assert main(["report", "a.m4a", "b.m4a", "--after", "c.m4a", *stated]) == 2
    low = {"fluid_level": "low"}
    assert taken == [("a.m4a", low, 780.0), ("b.m4a", low, 780.0), ("c.m4a", None, 780.0)]


def test_a_change_of_which_nothing_or_only_the_least_is_known_is_said_so():
    s = load_sentences("de")
    none = SymptomChange(
        "pump_whine", "cannot_tell", None, -math.inf, math.inf, None, False, False, (), (), 0, "prior",
        reason=UNHEARD,
    )  # fmt: skip
    why = _row(none, s).why
    assert why is not None and (why.text, why.language) == ("es ist auf keiner Seite zu hören", "de")
    gone = replace(none, word="gone", high_db=-12.2, reason="")
    louder = replace(none, word="louder", low_db=3.0, reason="")
    assert [_row(each, s).change for each in (gone, louder)] == ["mindestens 12,2 dB", "mindestens 3,0 dB"]
    assert _row(gone, s).why is None
    assert _row(replace(gone, smallest_db=10.1), s).smallest == ""
    assert _row(replace(gone, word="quieter", change_db=-12.0, smallest_db=4.1), s).smallest == "4,1 dB"


def test_numbers_stay_with_their_units_and_options_in_one_piece():
    page = report_page([PageClip(replace(normal_analysis(), phases=Phases("unknown")))], language="de")
    shown = [
        text for text in shown_texts(page) if text not in re.findall(r"(?:alt|label)=\"([^\"]*)\"", page)
    ]
    assert not [text for text in shown if re.search(r"\d (?:dB|Hz|kHz|1/min|min|%)(?!\w)", text)]
    assert '<code class="option">--steering</code>' in page


@pytest.mark.parametrize(
    ("low_db", "high_db", "said"),
    [
        (-16.5, -1.0, "−16,5 bis −1,0 dB"),
        (-math.inf, -8.6, "unter −8,6 dB"),
        (2.0, math.inf, "über +2,0 dB"),
        (-math.inf, math.inf, "beliebig"),
        (None, None, "beliebig"),
    ],
)
def test_open_intervals_are_said_in_words(low_db, high_db, said):
    assert _interval(low_db, high_db, load_sentences("de")) == said
