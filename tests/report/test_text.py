from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest

from audiodiag.analysis import _with_weighed_readings
from audiodiag.causes import cautions_for, infer_causes, load_knowledge, next_checks
from audiodiag.clip.codecs import coding_notes
from audiodiag.records import (
    SYMPTOMS,
    Analysis,
    CauseFinding,
    DriveFinding,
    Note,
    Phases,
    PhaseSpan,
    PumpReading,
    Quality,
    SpeedAlternative,
    SpeedTrace,
    Verdict,
)
from audiodiag.report import wording
from audiodiag.report.jsonform import analysis_to_dict
from audiodiag.report.language import load_sentences
from audiodiag.report.page_words import speed_said
from audiodiag.report.text import MOST_LINES, text_report, verdict_line
from audiodiag.report.wording import NO_SUPPORT, recording_notes
from audiodiag.speed.readings import other_readings
from tests.report.examples import (
    CAUTIONS,
    cannot_tell_analysis,
    crowded_analysis,
    findings,
    normal_analysis,
    simulated_clip,
    speed_trace,
    squeal_analysis,
)
from tests.report.golden import GOLDEN, REPORTS

EXAMPLES = [squeal_analysis, normal_analysis, cannot_tell_analysis, crowded_analysis]
CAUSE_LINE = re.compile(r"\b[a-z] (?:[<>] )?\d+ % (?=[A-Z])")
"""Letter and probability with which the line of a cause begins, in a report on one line."""


def flat(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize("example", EXAMPLES)
def test_report_fits_one_screen(example):
    lines = text_report(example(), width=80).splitlines()
    assert 20 <= len(lines) <= MOST_LINES
    assert max(map(len, lines)) <= 80


@pytest.mark.parametrize("example", EXAMPLES)
def test_narrow_window_is_kept(example):
    assert max(len(line) for line in text_report(example(), width=44).splitlines()) <= 44


@pytest.mark.parametrize("example", EXAMPLES)
def test_cautions_are_never_left_out(example):
    text = flat(text_report(example()))
    assert all(caution in text for caution in CAUTIONS)


def test_report_says_what_how_sure_how_loud_and_when():
    text = flat(text_report(squeal_analysis()))
    assert "SOMETHING IS HEARD" in text
    assert "belt squeal, 93 % sure: 8 dB below the engine; 4.0 to 6.0, 7.1 to 7.3 s and 2 more times" in text
    assert "not heard (3 % at most): cavitation groan, belt chirp, relief valve hiss, bearing growl" in text


def test_report_says_speed_cylinders_and_the_other_reading():
    text = flat(text_report(squeal_analysis()))
    assert "about 793 rpm (757 to 830 over time), by ear, 93 % sure; 4 cylinders (heard)" in text
    assert "could also be 396 rpm with 8 cylinders (6 %)" in text
    assert "with 2 cylinders" not in text


def test_report_names_what_is_perhaps_heard():
    text = flat(text_report(replace(squeal_analysis(), symptoms=findings(belt_chirp=0.31))))
    assert "perhaps: belt chirp (31 %)" in text


def test_report_admits_a_speed_without_confidence():
    lost = replace(speed_trace(), confidence=math.nan)
    assert "not sure at all" in flat(text_report(replace(squeal_analysis(), speed=lost)))


def test_report_says_so_when_cylinders_are_unknown():
    unknown = replace(speed_trace(), cylinders=None, cylinders_source="unknown")
    assert "number of cylinders unknown" in flat(text_report(replace(squeal_analysis(), speed=unknown)))


def test_report_names_unknown_speed_and_steering():
    text = flat(text_report(cannot_tell_analysis()))
    assert "engine speed not found" in text
    assert "unknown when the wheel was turned" in text
    assert "nothing is claimed about any sound in this clip" in text
    assert "not heard" not in text


def test_report_gives_causes_and_checks_with_effort():
    text = flat(text_report(squeal_analysis()))
    assert "a 62 % Slipping belt: the squeal starts at the stops" in text
    assert "1. Press the belt, look for glaze and oil (5 min, free; tells whether a)" in text
    assert "(5 min, up to 5 EUR; tells apart b, c)" in text
    assert "othing wrong" not in text, "a cause of 1 % is not worth a line"


def judged(observations=None, **sure: float) -> Analysis:
    """The squeal's analysis with causes, checks and cautions as the knowledge gives them."""
    knowledge = load_knowledge()
    heard = dict.fromkeys(SYMPTOMS, 0.03) | sure
    checks = next_checks(heard, knowledge=knowledge, observations=observations)
    return replace(
        squeal_analysis(),
        quality=Quality(True, (), (100.0, 10000.0)),
        symptoms=findings(**sure),
        causes=infer_causes(heard, knowledge=knowledge, observations=observations),
        next_checks=checks,
        cautions=cautions_for(sure, checks, knowledge=knowledge),
    )


def test_groan_gives_reasons_and_the_check_that_tells_them_apart():
    text = flat(text_report(judged(cavitation_groan=0.9)))
    assert "% Fluid low or foaming: air bubbles drawn into the pump collapse there" in text
    assert "% Filter in the reservoir blocked: the pump draws against the filter" in text
    assert "A groan says suction side or air; only the reservoir, the hose and the bubbles say which." in text
    assert re.search(r"1\. Look at the fluid: .* \(5 min, free; tells apart a, b", text)


@pytest.mark.parametrize("sounds", [{"cavitation_groan": 0.9}, {"belt_squeal": 0.9}, {"pump_whine": 0.9}])
def test_the_title_says_how_many_of_the_causes_fit(sounds):
    analysis = judged(**sounds)
    text = text_report(analysis)
    likely = text[text.index("Likely causes") : text.index("Check first")]
    shown = len(re.findall(r"^  [a-d] +\S+ %", likely, re.MULTILINE))
    many = len(wording.causes_worth_a_line(analysis))
    title = "Likely causes" if shown == many else f"Likely causes ({shown} of {many}; all with --json)"
    assert likely.splitlines()[0] == title
    assert shown < many or sounds != {"cavitation_groan": 0.9}, "a groan has more causes than fit"


def test_causes_that_nothing_speaks_for_are_not_listed():
    analysis = judged(cavitation_groan=0.9)
    text = text_report(analysis)
    likely = flat(text[text.index("Likely causes") : text.index("Check first")])
    unsupported = [cause for cause in analysis.causes if cause.because[0].startswith(NO_SUPPORT)]
    assert len(unsupported) > 2, "or the words by which they are known have changed"
    for cause in unsupported:
        assert cause.title not in likely
    assert "Nothing heard or seen" not in likely
    assert ": against it" not in likely


def test_reason_of_the_surest_sound_comes_first():
    first = "Fluid low or foaming: air bubbles drawn into the pump collapse there"
    assert first in flat(text_report(judged(cavitation_groan=0.9, pump_whine=0.6)))
    first = "Fluid low or foaming: air in the oil makes the pump whine"
    assert first in flat(text_report(judged(cavitation_groan=0.6, pump_whine=0.9)))


def test_what_was_seen_comes_before_what_was_heard_and_what_is_against_it_last():
    cause = CauseFinding(
        "x",
        "X",
        0.5,
        (
            "A squeal is heard (probability 93 %): it slips.",
            "Seen or felt: it shines.",
            "Against it: no rust.",
        ),
    )
    analysis = replace(squeal_analysis(), causes=(cause,))
    assert "X: as seen or felt, it shines; it slips" in flat(text_report(analysis))
    by_ear = replace(cause, because=(cause.because[0], "Heard in the clip: it shines."))
    assert "X: as heard in the clip, it shines; it slips" in flat(
        text_report(replace(analysis, causes=(by_ear,)))
    )
    without = replace(cause, because=(cause.because[0], cause.because[2]))
    assert "X: it slips; but no rust" in flat(text_report(replace(analysis, causes=(without,))))


def test_no_title_of_a_cause_holds_a_colon_since_its_reason_follows_one():
    assert not [cause.title for cause in load_knowledge().causes if ":" in cause.title]


def test_only_one_colon_stands_in_the_line_of_a_cause():
    text = text_report(judged(belt_squeal=0.96, relief_hiss=0.45))
    likely = flat(text[text.index("Likely causes") : text.index("Check first")])
    valve = CAUSE_LINE.split(likely[likely.index("Relief valve at work") :])[0]
    assert (
        "(nothing to repair): perhaps there is a hiss at the stop (probability 45 %); at full lock" in valve
    )
    assert valve.count(":") == 1


def test_the_band_of_a_speech_coding_is_told_once():
    coded = coding_notes("amr_nb", bit_rate=12_200, channels=1, sample_rate_hz=8000)
    analysis = squeal_analysis()
    twice = replace(analysis, quality=replace(analysis.quality, notes=coded))
    codes = [note.code for note in recording_notes(twice)]
    assert "codec_speech" in codes and "rate_limits_band" not in codes
    assert "8000 samples" not in text_report(twice)
    plain = coding_notes("pcm_s16le", bit_rate=None, channels=1, sample_rate_hz=8000)
    alone = replace(analysis, quality=replace(analysis.quality, notes=plain))
    assert "rate_limits_band" in [note.code for note in recording_notes(alone)]


def test_normal_clip_lists_nothing_wrong_and_what_was_seen():
    normal = Verdict("normal", "No noise of the steering or its belt stands out.")
    text = flat(text_report(replace(judged(), verdict=normal)))
    likely = text[text.index("Likely causes") : text.index("Check first")]
    assert len(CAUSE_LINE.findall(likely)) == 1
    assert "Nothing wrong that can be heard: no symptom is probable" in likely
    assert "Causes that little here speaks for are left out." in likely
    seen = flat(text_report(replace(judged({"fluid_level": "low"}), verdict=normal)))
    assert "% Fluid low or foaming: as seen or felt," in seen


def test_cautions_are_said_in_their_short_words():
    for sure in ({"cavitation_groan": 0.9}, {"belt_squeal": 0.9, "pump_whine": 0.8}, {}):
        analysis = judged(**sure)
        text = flat(text_report(analysis))
        told = [caution for caution in load_knowledge().cautions if caution.text in analysis.cautions]
        assert len(told) == len(analysis.cautions) >= 5
        assert all(caution.short in text for caution in told)
        care = text_report(analysis, width=80).split("Take care\n")[1]
        assert len(care.splitlines()) <= 10


def test_every_mixture_of_sounds_keeps_three_checks_on_one_screen():
    for sure in ({name: 0.9} for name in SYMPTOMS):
        analysis = judged(**sure)
        text = text_report(analysis)
        assert len(text.splitlines()) <= MOST_LINES
        assert all(f"  {number}. " in text for number in range(1, 1 + min(3, len(analysis.next_checks))))
        assert re.search(r"^  a +\d+ %  .+: .+", text, re.MULTILINE)


def test_notes_end_with_a_sentence():
    text = (
        "The level of the whole sound moves by 12 dB, all pitches together. It may be the phone. "
        + "So. " * 99
    )
    crowded = crowded_analysis()
    noted = replace(crowded, quality=replace(crowded.quality, notes=(Note("level_moves", text),)))
    said = flat(text_report(noted))
    assert "all pitches together. It may be the phone. Likely causes" in said
    assert "..." not in said


def test_doubt_on_the_cylinders_stands_beside_them_and_once():
    doubt = Note("cylinders_ambiguous", "The number of cylinders cannot be told.")
    other = SpeedAlternative(1.0, 8, 0.06)
    speed = replace(speed_trace(), notes=(doubt,), alternatives=(other,))
    text = flat(text_report(replace(squeal_analysis(), speed=speed)))
    assert "4 cylinders (heard, not certain) could also have 8 cylinders at the same speed (6 %)" in text
    assert doubt.text not in text


def test_readings_that_were_weighed_stand_with_the_speed_and_not_with_what_is_wrong_with_the_clip():
    weighed = Note("readings_weighed", "The symptoms were measured as at about 400 rpm as well.")
    speed = replace(speed_trace(), notes=(weighed,), alternatives=(SpeedAlternative(0.5, 8, 0.3),))
    text = flat(text_report(replace(squeal_analysis(), speed=speed)))
    assert f"(30 %) {weighed.text} steering" in text
    assert text.count(weighed.text) == 1


def test_every_speed_that_was_weighed_has_its_line_with_all_that_it_may_be():
    """Six readings of four speeds: each of the two that were measured has a line, on a full screen too."""
    others = (
        SpeedAlternative(1.0, 6, 0.2),
        SpeedAlternative(0.5, 8, 0.15),
        SpeedAlternative(1.0, 8, 0.12),
        SpeedAlternative(1.503, 4, 0.07),
        SpeedAlternative(1.5, 3, 0.06),
        SpeedAlternative(2.0, 4, 0.04),
    )
    bare = replace(speed_trace(), alternatives=others)
    rpm = [other.median_rpm for other in other_readings(bare)]
    assert len(rpm) == 2
    speed = _with_weighed_readings(bare, rpm)
    for analysis in (normal_analysis(), squeal_analysis(), crowded_analysis()):
        text = text_report(replace(analysis, speed=speed))
        for one in rpm:
            assert f"be {one:.0f} rpm with" in flat(text)
        assert "3 or 4 cylinders (13 %)" in flat(text)
        assert f"{2 * speed.median_rpm:.0f} rpm" not in flat(text), "neither weighed nor likely"
        assert len(text.splitlines()) <= MOST_LINES
    text = flat(text_report(replace(normal_analysis(), speed=speed)))
    assert "have 6 or 8 cylinders at the same speed (32 %)" in text, "where there is room for it"
    told = " ".join(speed_said(replace(squeal_analysis(), speed=speed), load_sentences("de")))
    assert f"{rpm[1]:.0f} 1/min mit 3 oder 4 Zylindern sein (13\u00a0%)" in told


def test_worst_note_stands_first():
    refused = cannot_tell_analysis()
    quality = replace(refused.quality, notes=(*squeal_analysis().quality.notes, *refused.quality.notes))
    text = text_report(replace(refused, quality=quality))
    assert text.index("almost silent") < text.index("cut off")


def test_notes_left_out_are_counted():
    assert "; 8 more notes in --json" in flat(text_report(crowded_analysis()))


def test_sound_is_tied_to_the_phase_it_keeps_to():
    found = replace(findings(belt_squeal=0.9)[2], spans_s=((4.1, 5.9),))
    text = flat(text_report(replace(squeal_analysis(), symptoms=(found,))))
    assert "4.1 to 5.9 s, wheel at a stop" in text


def test_phase_that_lasts_all_through_ties_nothing():
    phases = Phases("inferred", (PhaseSpan("centre", 0.0, 10.0),), 0.5)
    assert wording.phase_words([(1.0, 2.0)], phases) == ""


def test_sound_that_goes_on_is_said_to():
    found = replace(findings(pump_whine=0.9)[0], spans_s=((0.0, 9.8),))
    assert "all through" in text_report(replace(squeal_analysis(), symptoms=(found,)))


def test_simulated_clip_is_called_simulated():
    assert "kitchen.m4a, a simulated clip" in text_report(cannot_tell_analysis())
    recorded = replace(simulated_clip(name="kitchen.m4a"), notes=())
    assert "simulated" not in text_report(replace(cannot_tell_analysis(), clip=recorded))


@pytest.mark.parametrize("name", sorted(REPORTS))
def test_report_is_the_one_that_was_kept(name):
    """Written by ``python -m tests.report.golden``; look at the difference before keeping a new one."""
    assert text_report(REPORTS[name]()) == (GOLDEN / f"{name}.txt").read_text(encoding="utf-8")


def test_colour_adds_nothing_but_colour():
    plain, coloured = (text_report(squeal_analysis(), colour=colour) for colour in (False, True))
    assert "\x1b" not in plain
    assert "\x1b[" in coloured
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured) == plain


def test_clip_name_cannot_steer_the_terminal():
    clip = replace(simulated_clip(), name="evil\x1b[2J\udcff.m4a")
    analysis = replace(squeal_analysis(), clip=clip)
    for text in (text_report(analysis), verdict_line(analysis)):
        assert "\x1b" not in text
        text.encode("utf-8")


def test_verdict_line_is_one_line():
    assert verdict_line(normal_analysis()).startswith(
        "simulated_squeal.m4a: nothing wrong is heard. The relief"
    )
    assert verdict_line(normal_analysis()).count("\n") == 1


def test_stated_speed_is_not_called_unsure():
    entered: SpeedTrace = replace(speed_trace(), source="entered", cylinders=None, alternatives=())
    text = flat(text_report(replace(squeal_analysis(), speed=entered)))
    assert "as stated" in text
    assert "rpm (757 to 830 over time), as stated steering" in text


def test_report_and_verdict_mean_the_same_by_heard():
    from audiodiag.analysis import HEARD

    assert wording.HEARD_FROM == HEARD


def test_drive_of_the_pump_is_told_where_it_stands_out():
    said = "The pump's tone lies at order 11.54 (give or take 0.01): 1.154 turns a crank turn with 10 vanes."
    drive = DriveFinding(
        pump_presence=0.97,
        pump_order=11.54,
        pump_order_sd=0.01,
        pump_order_probability=0.9,
        told_apart=True,
        readings=(PumpReading(1.154, 10, 0.9),),
        slip_percent=None,
        slip_sd_percent=None,
        slip_spans_s=(),
        belt_repeats="none",
        belt_order=None,
        belt_order_sd=None,
        belt_length_mm=None,
        texts=(said,),
    )
    told = replace(normal_analysis(), drive=drive)
    assert said in flat(text_report(told, width=100))
    assert said not in flat(text_report(normal_analysis(), width=100))
    row = analysis_to_dict(told)["drive"]
    assert row["readings"] == [{"ratio": 1.154, "vanes": 10, "probability": 0.9}]
    assert row["slip_percent"] is None and row["texts"] == [said]
