"""Stated steering phases: marks and tables."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audiodiag.errors import SteeringError
from audiodiag.records import PhaseSpan
from audiodiag.steering.given import phases_from_marks, phases_from_table, unknown_phases

EXPECTED = (PhaseSpan("centre", 0, 2), PhaseSpan("turning", 2, 4.3), PhaseSpan("stop", 4.3, 6))


def table(tmp_path: Path, text: str) -> Path:
    file = tmp_path / "steering.csv"
    file.write_text(text, encoding="utf-8")
    return file


@pytest.mark.parametrize(
    "text",
    [
        "centre 0-2, turning 2-4.3, stop 4.3-6",
        "stop 4.3-6,turning 2-4.3,centre 0-2",
        "Centre: 0 - 2 s; turning 2 to 4,3; stop 4,3–6 s;",
        "center 0-2\nturn 2-4.3\nlock 4.3-6.04",
        "centre 0-2.04, turning 2-4.3, stop 4.3-6".replace("2.04", "2.0"),
    ],
)
def test_marks_are_read_in_all_usual_writings(text: str) -> None:
    phases = phases_from_marks(text, 6.0)
    assert phases.source == "marked"
    assert phases.spans == EXPECTED
    assert phases.confidence == 0.95
    assert phases.notes == ()


@pytest.mark.parametrize(
    "text",
    [
        "phase,start_s,end_s\ncentre,0,2\nturning,2,4.3\nstop,4.3,6\n",
        "centre,0,2\nturning,2,4.3\nstop,4.3,6\n",
        "Phase;start_s;end_s\nstop;4,3;6,0\ncentre;0;2,0\nturning;2,0;4,3\n",
        "# read from the video\ncentre\t0\t2\nturning\t2\t4,3\nstop\t4.3\t6\n",
    ],
)
def test_tables_are_read_in_all_usual_writings(tmp_path: Path, text: str) -> None:
    phases = phases_from_table(table(tmp_path, text), 6.0)
    assert phases.source == "tabled"
    assert phases.spans == EXPECTED


def test_gaps_are_allowed_and_noted() -> None:
    phases = phases_from_marks("centre 0-2, stop 5-6", 10.0)
    assert [span.phase for span in phases.spans] == ["centre", "stop"]
    assert phases.notes[0].text == "The stated phases leave 7.0 s of the clip open."
    assert phases.notes[0].severity == "info"


def test_a_rounding_overlap_is_cut_off() -> None:
    phases = phases_from_marks("centre 0-2.03, turning 2-4", 4.0)
    assert phases.spans[1].start_s == 2.03


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ["marks are empty", 'got ""']),
        (" , ", ["marks are empty"]),
        ("centre", ["steering mark 1 cannot be read", 'got "centre"', '"turning 2-4.3"']),
        ("centre 0-2, turning 2", ["steering mark 2 cannot be read"]),
        ("centre -1-2", ["cannot be read"]),
        ("centre ٠-٢", ["steering mark 1 cannot be read", "centre ٠-٢"]),
        ("centre 0,5-2", ["cannot be read", "semicolons between the marks"]),
        ("turnin 0-2", ["phase that is not known", "got turnin", "did you mean turning?"]),
        ("parked 0-2", ["not known", "centre, turning, stop"]),
        ("centre 2-2", ["no usable span", "got 2 to 2 s"]),
        ("centre 3-2", ["no usable span", "a later end"]),
        ("centre 0-7", ["past the end of the clip", "got 0 to 7 s", "up to 6.00 s"]),
        ("centre 6-6.04", ["past the end of the clip"]),
        ("centre 0-3, stop 2-6", ["two steering spans overlap", "centre 0-3 s and stop 2-6 s"]),
        ("centre 0-6, stop 2-3", ["two steering spans overlap"]),
        ("centre 0-2, stop 0-2", ["two steering spans overlap"]),
    ],
)
def test_marks_that_cannot_be_used_are_refused_in_words(text: str, words: list[str]) -> None:
    with pytest.raises(SteeringError) as caught:
        phases_from_marks(text, 6.0)
    for word in words:
        assert word in str(caught.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("phase,start_s,end_s\n", ["has no rows", "got a header only"]),
        ("", ["is empty"]),
        ("centre,0\n", ["line 1 of the steering table steering.csv", "got 2 columns"]),
        ("centre,0,2\n\nturnning,2,4\n", ["line 3", "got turnning", "did you mean turning?"]),
        ("centre,0,x\n", ["line 1", "no usable span", "got 0 to x s"]),
        ("centre,0,2\nstop,1,3\n", ["overlap"]),
        ("centre,0,20\n", ["line 1", "past the end"]),
    ],
)
def test_broken_tables_are_refused_with_their_line(tmp_path: Path, text: str, words: list[str]) -> None:
    with pytest.raises(SteeringError) as caught:
        phases_from_table(table(tmp_path, text), 6.0)
    for word in words:
        assert word in str(caught.value)


def test_a_missing_table_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SteeringError, match=r"steering table none\.csv cannot be read"):
        phases_from_table(tmp_path / "none.csv", 6.0)


@given(st.lists(st.tuples(st.sampled_from(["centre", "turning", "stop"]), st.floats(0.2, 5)), min_size=1))
def test_what_is_written_is_read_back(parts: list[tuple[str, float]]) -> None:
    marks, start = [], 0.0
    for phase, length in parts:
        end = round(start + length, 2)
        marks.append(f"{phase} {start:.2f}-{end:.2f}")
        start = end
    spans = phases_from_marks(", ".join(marks), start).spans
    assert [f"{span.phase} {span.start_s:.2f}-{span.end_s:.2f}" for span in spans] == marks


def test_unknown_phases_claim_nothing() -> None:
    assert unknown_phases().spans == ()
    assert unknown_phases().confidence == 0
