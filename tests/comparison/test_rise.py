"""A sound that swells with the steering, told by how far each band rises."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from audiodiag.comparison.change import SymptomChange, change_of, mirrored
from audiodiag.comparison.rise import change_by_rise
from audiodiag.comparison.strengths import Strengths
from audiodiag.records import FloatArray
from tests.comparison.measured import PairRow, row_from_text, row_to_text
from tests.comparison.test_change import HZ, recording

SPECTRUM = 10.0 ** (0.1 * np.array([-12.0, -6.0, 0.0, 6.0, 10.0, 12.0, 8.0, 4.0, 2.0, -4.0, -8.0, -14.0]))


def rises(
    level_db: float, rng: np.random.Generator, *, left: float = 0.1, count: int = 8, way_db: float = 2.0
) -> list[FloatArray]:
    """Rises of some recordings: each with a gain control and ways to the microphone of its own."""
    found = []
    for _ in range(count):
        x = SPECTRUM * 10.0 ** (0.1 * (level_db + rng.normal(0.0, way_db, len(SPECTRUM))))
        moved = 10.0 ** (0.1 * (1.5 + rng.normal(0.0, 1.0) + rng.normal(0.0, 0.2, len(SPECTRUM))))
        found.append(moved * (1.0 + x) / (1.0 + left * x))
    return found


@pytest.mark.parametrize("left", [0.01, 0.1, 0.3])
@pytest.mark.parametrize("change_db", [0.0, -6.0, -12.0])
def test_planted_change_is_found_however_much_is_left_at_rest(left: float, change_db: float) -> None:
    """Within three and a half of the stated deviations each, within two of them in the mean of squares."""
    off = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        found = change_by_rise(rises(4.0, rng, left=left), rises(4.0 + change_db, rng, left=left))
        assert found is not None
        off.append((found.change_db - change_db) / math.hypot(found.deviation_db, 0.5))
    assert max(map(abs, off)) < 3.5
    assert float(np.sqrt(np.mean(np.square(off)))) < 2.0


def test_difference_of_the_rises_themselves_comes_out_too_small() -> None:
    """What the fit is for: with a third left at rest 6 dB less hardly shows in the rises."""
    rng = np.random.default_rng(1)
    one, two = rises(8.0, rng, left=0.3, way_db=0.0), rises(2.0, rng, left=0.3, way_db=0.0)
    shown = 10.0 * np.log10((np.mean(two, axis=0).max() - 1.0) / (np.mean(one, axis=0).max() - 1.0))
    assert shown > -3.0
    found = change_by_rise(one, two)
    assert found is not None and found.change_db == pytest.approx(-6.0, abs=1.5)


def test_sides_changed_over_give_the_other_sign() -> None:
    rng = np.random.default_rng(2)
    one, two = rises(3.0, rng), rises(-4.0, rng, count=5)
    there, back = change_by_rise(one, two), change_by_rise(two, one)
    assert there is not None and back is not None
    assert there.change_db == pytest.approx(-back.change_db, abs=1e-6)
    assert there.deviation_db == pytest.approx(back.deviation_db, abs=1e-6)
    assert there.left == pytest.approx(back.left, abs=1e-6)


def test_bands_that_a_recording_lacks_are_left_out_and_too_few_give_nothing() -> None:
    rng = np.random.default_rng(3)
    one, two = rises(3.0, rng), rises(-3.0, rng)
    whole = change_by_rise(one, two)
    one[0] = np.where(np.arange(len(SPECTRUM)) > 8, np.nan, one[0])
    lacking = change_by_rise(one, two)
    assert whole is not None and lacking is not None
    assert lacking.change_db == pytest.approx(whole.change_db, abs=1.0)
    assert change_by_rise([r[:5] for r in one], [r[:5] for r in two]) is None
    assert change_by_rise([np.full(len(SPECTRUM), np.nan), *one], two) is None


def groans(level_db: float, rise_db: float, rng: np.random.Generator, count: int) -> list:  # type: ignore[type-arg]
    """Recordings of other phones, whose strengths say one thing and whose rises another."""
    out = []
    for rise in rises(rise_db, rng, count=count):
        curve = rng.normal(0.0, 3.0, 16)
        made = recording(level_db + float(rng.normal(0.0, 0.5)), phone_db=curve)
        out.append(replace(made, rise=Strengths(HZ, rise, 0.01 * rise)))
    return out


def test_rises_and_ruler_are_weighed_from_four_recordings_a_side_on() -> None:
    """Where they disagree the change lies between, and less is sure of it than where they agree."""

    def found(count: int, ruled_db: float = -2.0) -> SymptomChange:
        rng = np.random.default_rng(4)
        return change_of("cavitation_groan", groans(0.0, 4.0, rng, count), groans(ruled_db, -4.0, rng, count))

    few, many, agreed = found(3), found(4), found(4, -8.0)
    assert few.change_db == pytest.approx(-2.0, abs=2.0)
    assert many.change_db is not None and -7.0 < many.change_db < -2.5
    assert many.low_db < many.change_db < many.high_db
    assert agreed.change_db == pytest.approx(-8.0, abs=1.5) and agreed.word == "quieter"
    assert many.smallest_db is not None and agreed.smallest_db is not None
    assert many.smallest_db > 1.1 * agreed.smallest_db
    levels = [float(np.mean(side)) for side in (many.before_db, many.after_db)]
    assert levels[1] - levels[0] == pytest.approx(many.change_db, abs=0.5)
    assert levels[0] == pytest.approx(0.0, abs=0.5)


def test_a_sound_that_hardly_stands_over_the_engine_is_left_to_the_ruler() -> None:
    def found(rise_db: float) -> tuple[float | None, float | None]:
        rng = np.random.default_rng(7)
        sides = groans(0.0, rise_db, rng, 5), groans(-2.0, rise_db - 8.0, rng, 5)
        alone = ([replace(made, rise=None) for made in side] for side in sides)
        return (
            change_of("cavitation_groan", *sides).change_db,
            change_of("cavitation_groan", *alone).change_db,
        )

    faint, loud = found(-12.0), found(4.0)
    assert faint[0] == faint[1]
    assert loud[0] != loud[1]


def test_swapped_sides_flip_what_the_rises_say() -> None:
    rng = np.random.default_rng(5)
    one, two = groans(0.0, 4.0, rng, 5), groans(-3.0, -3.0, rng, 4)
    there, back = change_of("cavitation_groan", one, two), change_of("cavitation_groan", two, one)
    turned = mirrored(back)
    assert turned.word == there.word == "quieter" and turned.needed == there.needed
    assert turned.change_db == pytest.approx(there.change_db, abs=1e-6)
    assert (turned.low_db, turned.high_db) == pytest.approx((there.low_db, there.high_db), abs=1e-6)
    assert turned.before_db == pytest.approx(there.before_db, abs=1e-6)
    assert turned.after_db == pytest.approx(there.after_db, abs=1e-6)


def test_a_row_keeps_its_rises_when_written_and_read() -> None:
    rng = np.random.default_rng(6)
    one, two = groans(0.0, 4.0, rng, 2), [recording(0.0)]
    row = PairRow(1, "cavitation_groan", -6.0, one, two, True, 0.0, 0.0, True)
    again = row_from_text(row_to_text(row))
    assert again.after[0].rise is None
    kept = again.before[1].rise
    assert kept is not None and kept.power.tolist() == one[1].rise.power.tolist()
