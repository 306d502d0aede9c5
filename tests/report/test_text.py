from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest

from audiodiag.records import Phases, PhaseSpan, SpeedTrace
from audiodiag.report import wording
from audiodiag.report.text import MOST_LINES, text_report, verdict_line
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

EXAMPLES = [squeal_analysis, normal_analysis, cannot_tell_analysis, crowded_analysis]


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
    assert "about 793 rpm (757 to 830), by ear from the clip, 93 % sure; 4 cylinders (heard)" in text
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
    assert "62 % Slipping belt: the squeal starts at the stops" in text
    assert "1. Press the belt, look for glaze and oil (5 min, free)" in text
    assert "(5 min, up to 5 EUR); tells apart: Low or foaming fluid, Worn pump" in text
    assert "Nothing wrong" not in text, "a cause of 1 % is not worth a line"


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
    assert "rpm (757 to 830), as stated steering" in text


def test_report_and_verdict_mean_the_same_by_heard():
    from audiodiag.analysis import HEARD

    assert wording.HEARD_FROM == HEARD
