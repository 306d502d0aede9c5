"""Joined measures: each needs all that it joins, and is missing where that is missing."""

from __future__ import annotations

import math

import numpy as np
import pytest

from audiodiag.symptoms import measure_all
from audiodiag.symptoms.together import MEASURES, together

from . import bays

HISS = {"hiss_edge_db": 9.0, "hiss_plateau_s": 1.5, "hiss_unsteadiness_db": 0.3, "squeal_prominence_db": 0.0}
SQUEAL = {
    "squeal_prominence_db": 24.0,
    "squeal_wander_percent": 1.0,
    "squeal_hump_db": 12.0,
    "squeal_harmonic_db": 9.0,
}
GROWL = {
    "growl_order": 3.71,
    "growl_whole_db": 18.0,
    "growl_bare_db": 0.0,
    "growl_constancy": 0.95,
    "chirp_belt_order": 0.53,
    "chirp_belt_comb_db": 9.0,
    "whine_order": 7.42 + 0.4,
    "whine_comb_db": 14.0,
}
GROAN = {"groan_beat_db": 12.0, "groan_beat_gap_db": 8.0, "groan_beat_ratio": 1.21}
CHIRP = {"chirp_row_comb_db": 23.0, "chirp_row_spread": 0.15, "chirp_narrow_comb_db": 9.0}
WHINE = {"whine_comb_db": 20.0, "whine_order": 11.3, "whine_share_db": -3.0}


def test_nothing_measured_gives_nothing() -> None:
    assert set(together({})) == {each.name for each in MEASURES}
    assert all(math.isnan(value) for value in together({}).values())


@pytest.mark.parametrize(
    ("values", "name", "spoilt"),
    [
        (HISS, "hiss_merit_db", {"squeal_prominence_db": 26.0}),
        (HISS, "hiss_merit_db", {"hiss_edge_db": -1.0}),
        (HISS, "hiss_merit_db", {"hiss_plateau_s": 0.0}),
        (SQUEAL, "squeal_restless_db", {"squeal_wander_percent": 0.04}),
        (SQUEAL, "squeal_restless_db", {"squeal_wander_percent": math.nan}),
        (SQUEAL, "squeal_restless_db", {"squeal_hump_db": 1.0}),
        (SQUEAL, "squeal_restless_overtone_db", {"squeal_wander_percent": 0.04}),
        (CHIRP, "chirp_slim_row_db", {"chirp_row_spread": 0.9}),
        (CHIRP, "chirp_slim_row_db", {"chirp_row_comb_db": 10.0}),
        (CHIRP, "chirp_slim_comb_db", {"chirp_row_spread": 0.9}),
        (WHINE, "whine_free_comb_db", {"whine_order": 11.5}),
        (WHINE, "whine_loud_comb_db", {"whine_share_db": -30.0}),
        (GROWL | {"chirp_belt_order": 0.6}, "growl_lone_db", {"chirp_belt_order": 0.53}),
        (GROWL | {"chirp_belt_comb_db": 1.0}, "growl_lone_db", {"chirp_belt_comb_db": 4.0}),
        (GROWL | {"chirp_belt_order": 0.6}, "growl_lone_db", {"whine_order": 7.42}),
        (GROWL | {"chirp_belt_order": 0.6}, "growl_lone_db", {"whine_order": 3.71}),
        (GROWL | {"chirp_belt_order": 0.6}, "growl_lone_db", {"growl_bare_db": 9.0}),
        (
            GROWL | GROAN | {"chirp_belt_order": 0.6},
            "growl_lone_db",
            {"groan_beat_ratio": GROWL["growl_order"] / 3},
        ),
        (GROAN, "groan_own_gap_db", WHINE | {"whine_order": 11 * 1.21, "whine_share_db": 0.0}),
        (GROAN, "groan_own_beat_db", WHINE | {"whine_order": 11 * 1.21, "whine_share_db": 0.0}),
    ],
)
def test_one_that_is_lacking_takes_all_away(
    values: dict[str, float], name: str, spoilt: dict[str, float]
) -> None:
    assert together(values)[name] > 3.0
    assert together(values | spoilt)[name] == pytest.approx(0.0, abs=1e-9)


def test_strikes_that_come_and_go_count_half_and_nothing_heard_of_belt_and_pump_takes_nothing_off() -> None:
    alone = {name: value for name, value in GROWL.items() if name.startswith("growl")}
    assert together(alone)["growl_lone_db"] == 18.0
    assert together(alone | {"growl_constancy": 0.2})["growl_lone_db"] == 9.0
    far = alone | {"chirp_belt_order": 3.71 / 25, "chirp_belt_comb_db": 9.0}
    assert together(far)["growl_lone_db"] == 18.0


@pytest.mark.parametrize(
    ("values", "name"),
    [
        (HISS, "hiss_unsteadiness_db"),
        (HISS | {"hiss_low_rise_db": 1.0}, "hiss_low_rise_db"),
        (HISS | {"hiss_beat_change": 0.1}, "hiss_beat_change"),
    ],
)
def test_a_hiss_that_wavers_beats_or_lifts_the_lows_earns_less(values: dict[str, float], name: str) -> None:
    more = values | {name: values[name] + 0.4}
    assert together(more)["hiss_merit_db"] < together(values)["hiss_merit_db"]


@pytest.mark.parametrize("value", [math.inf, -math.inf, -1.0, -1.5, 0.0, 1e-9, 1e9])
@pytest.mark.parametrize("name", sorted({*HISS, *SQUEAL, *GROWL, *GROAN, *WHINE, *CHIRP}))
def test_what_cannot_be_breaks_nothing(name: str, value: float) -> None:
    with np.errstate(all="raise"):
        joined = together(HISS | SQUEAL | GROWL | GROAN | WHINE | CHIRP | {name: value})
    assert not any(math.isinf(each) for each in joined.values())
    assert not joined["hiss_merit_db"] < 0.0


def test_slim_bursts_count_in_full_and_too_few_to_tell_count_half() -> None:
    assert together(CHIRP)["chirp_slim_row_db"] == pytest.approx(12.0)
    assert together(CHIRP)["chirp_slim_comb_db"] == pytest.approx(9.0)
    untold = together(CHIRP | {"chirp_row_spread": math.nan})
    assert untold["chirp_slim_row_db"] == pytest.approx(6.0)
    assert math.isnan(together({"chirp_row_spread": 0.1})["chirp_slim_row_db"])


def test_a_comb_far_from_half_orders_counts_in_full() -> None:
    assert together(WHINE)["whine_free_comb_db"] == pytest.approx(20.0)
    assert together(WHINE)["whine_loud_comb_db"] == pytest.approx(20.0)


def test_whole_clips_keep_them_apart() -> None:
    def of(*sounds: object) -> dict[str, float]:
        sound = bays.engine() + sum(sounds)  # type: ignore[call-overload]
        return measure_all(bays.clip_of(sound), bays.quality(), bays.trace()).values

    clean, hiss, squeal, chime = of(), of(bays.hiss()), of(bays.squeal()), of(bays.chime())
    assert hiss["hiss_merit_db"] > max(clean["hiss_merit_db"], squeal["hiss_merit_db"]) + 2.0
    assert squeal["squeal_restless_db"] > max(clean["squeal_restless_db"], chime["squeal_restless_db"]) + 5.0
    geared, belted = of(bays.whine(order=12.0)), of(bays.whine(order=11.3))
    assert belted["whine_free_comb_db"] > 0.95 * belted["whine_comb_db"] > 5.0
    assert abs(geared["whine_free_comb_db"]) < 0.5 * belted["whine_free_comb_db"]


def test_strikes_once_a_pulley_turn_are_no_growl_at_twice_their_order() -> None:
    def of(order: float) -> dict[str, float]:
        sound = bays.engine() + bays.growl(order=order)
        return measure_all(bays.clip_of(sound), bays.quality(), bays.trace()).values

    bearing, pulley = of(4.77), of(1.37)
    assert bearing["growl_whole_db"] > 0.9 * bearing["growl_comb_db"] > 8.0
    assert pulley["growl_comb_db"] > 8.0
    assert pulley["growl_whole_db"] < 0.3 * pulley["growl_comb_db"]


def test_a_whine_that_is_no_whole_number_of_tones_or_soft_explains_half_of_the_pumps_beat() -> None:
    whole = together(GROAN)["groan_own_gap_db"]
    assert whole == GROAN["groan_beat_gap_db"]
    soft = together(GROAN | WHINE | {"whine_order": 11 * 1.21, "whine_share_db": -30.0})
    other = together(GROAN | WHINE | {"whine_order": 11.5 * 1.21, "whine_share_db": 0.0})
    assert soft["groan_own_gap_db"] == pytest.approx(0.5 * whole, abs=0.01)
    assert other["groan_own_gap_db"] == pytest.approx(0.5 * whole, abs=0.01)


def test_what_beats_without_slip_is_counted_as_the_other_beat_is() -> None:
    even = {name.replace("growl_", "growl_even_"): value for name, value in GROWL.items()}
    joined = together(GROWL | even | {"chirp_belt_order": 0.6})
    assert joined["growl_even_lone_db"] == joined["growl_lone_db"] > 5.0
