"""Stated speed: one number, or a table."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audiodiag.errors import SpeedError
from audiodiag.speed.given import speed_from_number, speed_from_table, time_grid_s


def table(tmp_path: Path, text: str) -> Path:
    file = tmp_path / "speed.csv"
    file.write_text(text, encoding="utf-8")
    return file


def test_one_number_holds_for_the_clip_and_says_that_it_is_one_number() -> None:
    trace = speed_from_number(750, 4.0)
    assert trace.source == "entered"
    assert len(trace.time_s) == 41
    assert trace.time_s[-1] == pytest.approx(4.0)
    np.testing.assert_allclose(trace.rpm, 750)
    np.testing.assert_allclose(trace.rpm_low, 727.5)
    np.testing.assert_allclose(trace.rpm_high, 772.5)
    assert "one stated number, 750 rpm" in trace.notes[0].text
    assert 0 < trace.confidence < 1
    with pytest.raises(ValueError, match="read-only"):
        trace.rpm[0] = 1


@pytest.mark.parametrize("rpm", [0.0, -750.0, 99.0, 10001.0, float("nan"), float("inf")])
def test_a_number_that_is_no_engine_speed_is_refused(rpm: float) -> None:
    with pytest.raises(SpeedError, match=r"stated engine speed cannot be used \(got .*100 to 10000 rpm"):
        speed_from_number(rpm, 4.0)


@given(st.floats(0.1, 60))
def test_the_grid_stays_within_the_clip(duration_s: float) -> None:
    grid = time_grid_s(duration_s)
    assert grid[0] == 0
    assert duration_s - 0.1 - 1e-6 < grid[-1] <= duration_s + 1e-6


@pytest.mark.parametrize(
    "text",
    [
        "time_s,rpm\n0,700\n1,800\n2,900\n",
        "0,700\n1,800\n2,900\n",
        "time_s;rpm\n0,0;700,0\n1,0;800,0\n2,0;900,0\n",
        "0\t700\n1\t800\n2\t900\n",
        "rpm\ttime_s\n700\t0\n800\t1,0\n900\t2\n",
        "# from the scan tool\n\ufeffTime,note,Engine speed\n0,a,700\n1,b,800\n\n2,c,900\n".replace(
            "\ufeff", ""
        ),
        "\ufefftime_s,rpm\n0,700\n1,800\n2,900\n",
    ],
)
def test_all_usual_writings_of_a_table_give_the_same_trace(tmp_path: Path, text: str) -> None:
    trace = speed_from_table(table(tmp_path, text), 2.0)
    assert trace.source == "table"
    np.testing.assert_allclose(trace.rpm, 700 + 100 * trace.time_s)
    assert np.all(trace.rpm_low < trace.rpm)
    assert trace.rpm_high[0] == pytest.approx(707)
    assert trace.rpm_high[5] == pytest.approx(750 + 7.5 + 50)


def test_gaps_stay_unknown_and_are_noted(tmp_path: Path) -> None:
    trace = speed_from_table(table(tmp_path, "2,700\n3,700\n6,800\n7,800\n"), 10.0)
    known = np.isfinite(trace.rpm)
    inside = lambda low, high: known[(trace.time_s > low + 1e-6) & (trace.time_s < high - 1e-6)]  # noqa: E731
    assert not inside(-1, 0.95).any()
    assert inside(1.0, 3.05).all()
    assert not inside(3.05, 5.95).any()
    assert inside(5.95, 7.95).all()
    assert not inside(8.05, 11).any()
    gap = trace.notes[1]
    assert gap.code == "speed_table_gap"
    assert gap.spans_s == ((0.0, 0.9), (3.1, 5.9), (8.1, 10.0))
    assert trace.instant_confidence[40] == 0


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("0,700\n1,abc\n", ["line 2 of the speed table speed.csv", "got abc", "100 to 10000 rpm"]),
        ("0,700\nx,800\n", ["line 2", "time that cannot be used", "got x"]),
        ("time_s,rpm\n0,700\n\n1,-800\n", ["line 4", "got -800"]),
        ("0,700\n1,nan\n", ["line 2", "got nan"]),
        ("0,700\n1,\n", ["line 2", "got nothing"]),
        ("-1,700\n1,800\n", ["line 1", "got -1", "0 or more"]),
        ("0,700\n2,800\n1,900\n", ["line 3", "out of order", "got 1 s after 2 s"]),
        ("0,700\n1,800\n1,900\n", ["line 3", "out of order", "each only once"]),
        ("0,700\n", ["too few rows", "got 1 rows", "at least two"]),
        ("time_s,rpm\n", ["too few rows", "got 0 rows"]),
        ("", ["is empty", "got no rows"]),
        ("# nothing\n\n", ["is empty"]),
        ("0,5,750,2\n1,5,760,1\n", ["line 1", "got 4 columns", "use semicolons"]),
        ("when,what\n0,700\n1,800\n", ["line 1", "does not name its columns", "got when, what"]),
        ("100,700\n101,800\n", ["too few rows within the clip", "0 of 2 rows between 0 and 5.0 s"]),
    ],
)
def test_a_broken_table_is_refused_with_its_line(tmp_path: Path, text: str, words: list[str]) -> None:
    with pytest.raises(SpeedError) as caught:
        speed_from_table(table(tmp_path, text), 5.0)
    for word in words:
        assert word in str(caught.value)


def test_a_table_that_cannot_be_read_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SpeedError, match=r"none\.csv cannot be read"):
        speed_from_table(tmp_path / "none.csv", 5.0)
    binary = tmp_path / "photo.csv"
    binary.write_bytes(b"\xff\xd8\xff\xe0 0,700")
    with pytest.raises(SpeedError, match="got signs that are no UTF-8"):
        speed_from_table(binary, 5.0)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b'time_s,rpm\n0,"750\n1,760\n', "line 2 .* is no row of cells"),
        (b"time_s,rpm\n0," + b"7" * 300_000 + b"\n1,760\n", "line 2 .* is no row of cells"),
        ("time_s,rpm\n0,750\n".encode("utf-16"), "signs that are no UTF-8"),
    ],
)
def test_a_table_that_is_no_table_is_refused_in_words(tmp_path: Path, content: bytes, words: str) -> None:
    table = tmp_path / "speed.csv"
    table.write_bytes(content)
    with pytest.raises(SpeedError, match=words):
        speed_from_table(table, 10.0)
