"""Several recordings a side: what is drawn, and that phones of their own tell a change."""

from __future__ import annotations

import numpy as np
import pytest

from audiodiag.comparison.change import change_of
from tests.comparison.measured import row_of
from tests.comparison.pairs import CHANGES_DB
from tests.comparison.visits import Phones, draw_visits

SEED = 170086
"""A hiss 6 dB softer after."""


@pytest.mark.parametrize(("phones", "different"), [("apart", 2), ("shared", 2), ("mixed", 8)])
def test_phones_differ_as_named_and_every_recording_has_its_own_place(phones: Phones, different: int) -> None:
    for seed in range(30):
        pair = draw_visits(seed, 4, phones)
        sides = [[one.phone_seed for one in side] for side in (pair.before, pair.after)]
        assert len(set(sides[0] + sides[1])) == different
        assert bool(set(sides[0]) & set(sides[1])) == (phones == "shared")
        assert len({place for side in pair.places for place in side}) == 8
        rpm = [one.idle_rpm for one in (*pair.before, *pair.after)]
        assert max(rpm) / min(rpm) < 1.1 / 0.9  # type: ignore[type-var, operator]


def test_the_kinds_draw_the_same_but_for_the_phones() -> None:
    one, two = (draw_visits(7, 3, phones) for phones in ("apart", "mixed"))
    assert (one.symptom, one.change_db, one.level_db, one.places) == (
        two.symptom,
        two.change_db,
        two.level_db,
        two.places,
    )
    assert [s.codec for s in one.after] == [s.codec for s in two.after]
    assert {draw_visits(seed, 1, "mixed").change_db for seed in range(30)} == set(CHANGES_DB)


def test_recordings_with_phones_of_their_own_tell_what_single_ones_cannot() -> None:
    row = row_of(draw_visits(SEED, 3, "mixed"))
    assert row.comparable and row.change_db == -6.0
    found = change_of(row.symptom, row.before, row.after, odds=row.odds)
    assert found.word in ("quieter", "gone")
    assert found.low_db < row.change_db < found.high_db < 0.0
    singles = [
        change_of(row.symptom, [one], [two], odds=row.odds)
        for one, two in zip(row.before, row.after, strict=True)
    ]
    widths = [one.high_db - one.low_db for one in singles]
    assert found.high_db - found.low_db < 0.8 * float(np.median(widths))
