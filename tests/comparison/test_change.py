"""The estimate of a change: signs, words, intervals, and the published difference of means."""

from __future__ import annotations

import math
import warnings
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audiodiag.comparison.change import (
    UNCHANGED_WITHIN_DB,
    Measured,
    Prior,
    SymptomChange,
    change_of,
    mirrored,
)
from audiodiag.comparison.likeness import CONTRADICTED_DB
from audiodiag.comparison.order_changes import ChangeMaps, OrderChange
from audiodiag.comparison.ruler import RulerPrior, engine_ruler
from audiodiag.comparison.strengths import Strengths
from audiodiag.comparison.trend import change_points
from audiodiag.records import SYMPTOMS
from audiodiag.statistics import welch_difference

HZ = np.geomspace(300.0, 8000.0, 12)
ENGINE_HZ = np.geomspace(80.0, 9000.0, 16)


def recording(
    level_db: float, *, phone_db: np.ndarray | float = 0.0, gain_db: float = 0.0, error: float = 1e-5
) -> Measured:
    """One recording whose phone adds ``phone_db`` at the engine's bands, interpolated at the symptom's."""
    curve = np.broadcast_to(np.asarray(phone_db, float), ENGINE_HZ.shape) + gain_db
    at = np.interp(np.log(HZ), np.log(ENGINE_HZ), curve)
    power = 10.0 ** (0.1 * (level_db - 3.0 * np.log2(HZ / 1000.0) + at))
    engine = 10.0 ** (0.1 * (-2.0 * np.log2(ENGINE_HZ / 1000.0) + curve))
    return Measured(
        Strengths(HZ, power, np.full(len(HZ), error)), Strengths(ENGINE_HZ, engine, 0.02 * engine)
    )


@pytest.mark.parametrize("swapped", [False, True])
def test_a_side_that_holds_nothing_at_all_is_infinitely_low_without_a_warning(swapped: bool) -> None:
    loud = recording(0.0)
    nothing = replace(loud, symptom=Strengths(HZ, np.zeros(len(HZ)), np.zeros(len(HZ))))
    sides = ([nothing], [loud]) if swapped else ([loud], [nothing])
    found = change_of("cavitation_groan", *sides)
    assert (found.heard_before, found.heard_after) == (not swapped, swapped)
    assert (found.before_db if swapped else found.after_db) == (-math.inf,)


def test_one_recording_that_holds_nothing_at_all_scatters_no_level() -> None:
    mute = replace(recording(0.0), symptom=Strengths(HZ, np.zeros(len(HZ)), np.zeros(len(HZ))))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = change_of("relief_hiss", [recording(0.0), recording(0.5), mute], [recording(-20.0)] * 3)
    assert found.before_db[2] == -math.inf
    assert found.word in ("quieter", "gone") and not math.isnan(found.high_db)


@pytest.mark.parametrize("odds", [0.0, 20.0])
@pytest.mark.parametrize("swapped", [False, True])
def test_a_recording_without_an_engine_to_follow_does_not_count(odds: float, swapped: bool) -> None:
    """Nobody knows its gain, so it must neither move the estimate nor pass for a repetition."""
    engine = recording(-10.0).engine
    lost = replace(recording(30.0), engine=Strengths(engine.hz, engine.power, engine.power))
    one, two = [recording(0.0)], [recording(-10.0)]
    alone = change_of("cavitation_groan", one, two, odds=odds)
    sides = (one, [*two, lost]) if swapped else ([*one, lost], two)
    assert change_of("cavitation_groan", *sides, odds=odds) == alone
    assert alone.change_db is not None and alone.repeatability == "prior"


def test_a_band_of_unbounded_error_is_no_ruler_and_warns_of_nothing() -> None:
    one, two = recording(0.0), recording(-10.0)
    engine = one.engine
    lost = np.arange(len(engine.hz)) == 3
    endless, missing = (
        replace(one, engine=replace(engine, error=np.where(lost, value, engine.error)))
        for value in (math.inf, math.nan)
    )
    found = change_of("cavitation_groan", [endless], [two])
    assert found == change_of("cavitation_groan", [missing], [two])
    assert found.references == len(engine.hz) - 1


def of_a_kind(*times: float) -> Measured:
    """A recording whose symptom's power stands so many standard errors high in every place."""
    plain = recording(0.0)
    error = 0.01 * np.ones(len(HZ))
    power = error * np.resize(times, len(HZ))
    return replace(plain, symptom=Strengths(HZ, power, error))


def test_what_a_healthy_engine_has_on_both_sides_cannot_hide_that_its_sum_has_fallen() -> None:
    """Taken off in full it hides both sides; but it is the same on both, so what fell is the symptom."""
    hides = Prior(healthy=10.0, residue=2.5)
    loud, soft = ([of_a_kind(t) for t in times] for times in ((9.0, 8.6, 9.3, 8.9), (2.4, 2.0, 2.2, 2.1)))
    found = change_of("", loud, soft, prior=hides)
    assert found.word == "quieter" and found.heard_before and found.heard_after
    assert found.change_db is None and found.low_db == -math.inf
    assert -10.0 * math.log10(9.0 / 2.2) < found.high_db < -2.0
    assert change_of("", soft, loud, prior=hides) == mirrored(found)
    silent = [of_a_kind(0.0, 0.3, -0.2) for _ in range(4)]
    assert change_of("", loud, silent, prior=hides).word == "gone"
    for same in (loud, soft):
        assert change_of("", same, same[::-1], prior=hides).word == "cannot_tell"


def test_a_sound_elsewhere_on_the_softer_side_is_not_the_symptom() -> None:
    """A squeal of one place, and on the other side another sound far from it in frequency."""
    prior = Prior(hidden_db=1.0)
    loud = [of_a_kind(400.0, *[0.0] * 11) for _ in range(3)]
    soft = [of_a_kind(25.0, *[0.0] * 7, 120.0, 120.0, 120.0, 0.0) for _ in range(3)]
    alone = [of_a_kind(25.0, *[0.0] * 11) for _ in range(3)]
    found = change_of("", loud, soft, prior=prior)
    assert found.change_db is not None
    assert found.change_db == pytest.approx(change_of("", loud, alone, prior=prior).change_db, abs=0.5)
    beside = [of_a_kind(0.0, 25.0, *[0.0] * 10) for _ in range(3)]
    hopped = change_of("", loud, beside, prior=prior).change_db
    assert hopped is not None and hopped == pytest.approx(found.change_db, abs=1.5)


def test_a_tone_that_another_sound_fills_does_not_hide_that_the_others_have_fallen() -> None:
    """Four tones of a whine fall by 12 dB; in the place of the loudest something else then stands."""
    hz = np.array([240.0, 480.0, 720.0, 960.0])
    engine = recording(-10.0).engine
    loud, soft = np.array([0.4, 0.3, 0.2, 0.1]), np.array([0.2, 0.019, 0.0126, 0.0063])
    before, after = (
        [Measured(Strengths(hz, power * 10.0 ** (0.1 * k), np.full(4, 1e-5)), engine) for k in (-0.5, 0.5)]
        for power in (loud, soft)
    )
    whine, hiss = (change_of(name, before, after) for name in ("pump_whine", "relief_hiss"))
    assert whine.change_db is not None and hiss.change_db is not None
    assert hiss.change_db == pytest.approx(-6.2, abs=0.5)  # the sum of the powers
    assert whine.change_db < -8.0
    assert np.mean(whine.after_db) - np.mean(whine.before_db) == pytest.approx(whine.change_db, abs=0.1)
    assert np.mean(whine.before_db) == pytest.approx(0.0, abs=0.1)


def test_recordings_in_which_it_does_not_squeal_say_nothing_of_how_loud_it_is() -> None:
    loud = [of_a_kind(400.0) for _ in range(4)]
    soft = [of_a_kind(100.0) for _ in range(4)]
    mute = of_a_kind(0.0, 0.2, -0.1)
    often, seldom = (
        change_of("", loud, [*soft, mute], prior=Prior(hidden_db=1.0, seldom=seldom)).change_db
        for seldom in (False, True)
    )
    assert often is not None and seldom is not None
    assert seldom == pytest.approx(-6.02, abs=0.1) and often < -7.0


def test_more_recordings_than_anybody_is_sent_to_make_still_find_a_change() -> None:
    """Nine a side find 6 dB no worse than eight do, so that nobody is told that more would not do."""
    sides = ([recording(level) for _ in range(9)] for level in (0.0, -10.0))
    assert change_of("relief_hiss", *sides, odds=20.0).needed == 9


def test_published_difference_of_means() -> None:
    """CHECK_VALUES 13: by hand, uncertainties, GTC and scipy."""
    found = welch_difference([62.1, 61.8, 62.5, 62.0, 61.9], [58.7, 59.1, 58.4, 59.0, 58.9])
    assert found.difference == pytest.approx(3.2400, abs=1e-4)
    assert found.standard_uncertainty == pytest.approx(0.173205, abs=1e-4)
    assert found.degrees_of_freedom == pytest.approx(7.994315, abs=1e-4)
    assert (found.low, found.high) == pytest.approx((2.84054, 3.63946), abs=1e-4)
    assert found.t == pytest.approx(18.7061, abs=1e-3)


def test_estimate_becomes_the_published_one_where_nothing_is_held_beforehand() -> None:
    """With a sure ruler and no prior, five recordings a side give the interval of the published example."""
    prior = Prior(
        repeat_db=1e-9,
        weight=1e-9,
        place_db=0.0,
        ruler=RulerPrior(0.0, (1e-6,), 0.8, (1e-6,)),
        ruler_weight=1e9,
    )
    before = [recording(x - 60.0) for x in (62.1, 61.8, 62.5, 62.0, 61.9)]
    after = [recording(x - 60.0) for x in (58.7, 59.1, 58.4, 59.0, 58.9)]
    found = change_of("cavitation_groan", before, after, prior=prior)
    assert found.change_db == pytest.approx(-3.24, abs=0.02)  # powers are averaged, not decibels
    assert (found.low_db, found.high_db) == pytest.approx((-3.639, -2.841), abs=0.02)
    assert found.repeatability == "measured"


@given(
    st.sampled_from(SYMPTOMS),
    st.lists(st.floats(-12, 12), min_size=1, max_size=3),
    st.lists(st.floats(-40, 12), min_size=1, max_size=3),
    st.lists(st.floats(-8, 8), min_size=len(ENGINE_HZ), max_size=len(ENGINE_HZ)),
    st.floats(-30, 30),
    st.sampled_from([1e-6, 1e-3, 1e-2]),
    st.sampled_from([0.0, 3.0, 20.0]),
)
@settings(max_examples=30, deadline=None)
def test_swapped_sides_flip_every_sign_and_change_nothing_else(
    name: str, one: list[float], two: list[float], phone: list[float], gain: float, error: float, odds: float
) -> None:
    first = [recording(level, error=error) for level in one]
    second = [recording(level, phone_db=np.array(phone), gain_db=gain, error=error) for level in two]
    forth = change_of(name, first, second, odds=odds)
    back = mirrored(change_of(name, second, first, odds=odds))
    assert forth.alike == pytest.approx(back.alike, abs=1e-6)
    for key in ("name", "word", "heard_before", "heard_after", "references", "reason"):
        assert getattr(forth, key) == getattr(back, key), key
    assert (forth.change_db is None) == (back.change_db is None)
    assert (forth.smallest_db is None) == (back.smallest_db is None)
    for key in ("change_db", "low_db", "high_db", "smallest_db", "before_db", "after_db"):
        assert getattr(forth, key) == pytest.approx(getattr(back, key), abs=1e-6), key


@given(st.floats(-35, 40), st.floats(-3, 3))
@settings(max_examples=20, deadline=None)
def test_gain_changes_nothing_and_a_tilted_phone_little(gain: float, tilt: float) -> None:
    """From 39 dB down the symptom falls under the floor of silence and is no longer heard after."""
    plain = change_of("cavitation_groan", [recording(0.0)], [recording(-6.0)])
    curve = tilt * np.log2(ENGINE_HZ / 1000.0)
    other = change_of("cavitation_groan", [recording(0.0)], [recording(-6.0, phone_db=curve, gain_db=gain)])
    assert plain.change_db is not None and other.change_db is not None
    assert plain.change_db == pytest.approx(-6.0, abs=0.1)
    assert other.change_db == pytest.approx(-6.0, abs=0.4)


@pytest.mark.parametrize(
    ("after_db", "word"), [(-20.0, "quieter"), (0.0, "unchanged"), (20.0, "louder"), (-200.0, "gone")]
)
def test_words(after_db: float, word: str) -> None:
    before, after = ([recording(level, error=1e-3)] * 4 for level in (0.0, after_db))
    found = change_of("cavitation_groan", before, after)
    assert found.word == word
    if word == "gone":
        assert found.change_db is None and found.low_db == -math.inf and found.high_db < -6.0


def test_unchanged_is_said_only_where_six_decibels_are_ruled_out() -> None:
    for repeat_db, word in ((3.0, "cannot_tell"), (1.0, "unchanged")):
        prior = Prior(repeat_db=repeat_db)
        found = change_of("cavitation_groan", [recording(0.0)], [recording(0.0)], prior=prior)
        assert found.change_db == pytest.approx(0.0, abs=0.01)
        assert found.smallest_db is not None
        assert (found.smallest_db > UNCHANGED_WITHIN_DB) == (word == "cannot_tell")
        assert found.word == word


def test_below_hearing_on_both_sides_is_cannot_tell() -> None:
    found = change_of("cavitation_groan", [recording(-60.0, error=1.0)], [recording(-70.0, error=1.0)])
    assert found.word == "cannot_tell" and "below hearing" in found.reason


def test_without_an_engine_there_is_no_ruler() -> None:
    silent = recording(0.0)
    none = Measured(silent.symptom, Strengths(ENGINE_HZ, np.full(16, np.nan), np.full(16, np.nan)))
    found = change_of("cavitation_groan", [none], [recording(-6.0)])
    assert found.word == "cannot_tell" and "no ruler" in found.reason


def test_more_recordings_narrow_the_interval_but_not_below_the_phones() -> None:
    one = change_of("cavitation_groan", [recording(0.0)], [recording(-3.0)])
    many = change_of("cavitation_groan", [recording(0.0)] * 3, [recording(-3.0)] * 3)
    assert one.smallest_db is not None and many.smallest_db is not None
    assert 0.5 * one.smallest_db < many.smallest_db < one.smallest_db


@pytest.mark.parametrize("name", SYMPTOMS)
def test_one_phone_at_one_place_narrows_the_interval_and_more_recordings_narrow_it_further(name: str) -> None:
    """With two phones, recordings from one place each do not make smaller what the place hides."""

    def width(count: int, odds: float) -> float:
        found = change_of(name, [recording(0.0)] * count, [recording(-3.0)] * count, odds=odds)
        assert (found.alike > 0.9) == (odds > 0.0) and found.smallest_db is not None
        return found.smallest_db

    assert width(1, 3.0) < 0.8 * width(1, 0.0)
    assert width(3, 3.0) < 0.9 * width(1, 3.0)
    assert width(3, 3.0) / width(1, 3.0) < width(3, 0.0) / width(1, 0.0)


@pytest.mark.parametrize("name", SYMPTOMS)
def test_other_places_narrow_the_interval_and_the_same_phones_on_both_sides_more_so(name: str) -> None:
    """Four recordings a side, each at another place; the phones' curve goes out where both are on both."""
    rng = np.random.default_rng(3)
    places = 2.0 * rng.standard_normal((8, len(ENGINE_HZ)))
    curve = 6.0 * np.sin(np.linspace(0.0, 5.0, len(ENGINE_HZ)))

    def width(phones: str, places: np.ndarray) -> float:
        sides = [
            [
                recording(level, phone_db=place + (curve if phone == "b" else 0.0))
                for place, phone in zip(places[4 * k :], phones[4 * k : 4 * k + 4], strict=False)
            ]
            for k, level in enumerate((0.0, -3.0))
        ]
        found = change_of(name, *sides, odds=0.3)
        assert found.smallest_db is not None and found.alike < 0.5
        return found.smallest_db

    apart, shared = (width(phones, places) for phones in ("aaaabbbb", "abababab"))
    single = change_of(
        name, [recording(0.0, phone_db=places[0])], [recording(-3.0, phone_db=places[4] + curve)], odds=0.3
    )
    assert single.smallest_db is not None
    assert apart < 0.8 * single.smallest_db
    assert shared < (1.02 if name == "belt_squeal" else 1.0) * apart  # a squeal hops, whoever records it
    assert apart < 0.9 * width("aaaabbbb", np.zeros_like(places))


def test_a_band_that_one_recording_lacks_still_serves_the_others() -> None:
    """The phones' bump lies in a band of which one recording shows nothing; its lack moves no mean."""
    bump = np.where(np.arange(len(ENGINE_HZ)) > 9, 5.0, 0.0)
    whole = [recording(0.0, gain_db=gain) for gain in (-6.0, 0.0, 6.0)]
    poor = whole[2]
    lacking = replace(poor, engine=replace(poor.engine, power=np.where(bump > 0, np.nan, poor.engine.power)))
    after = [recording(-3.0, phone_db=bump, gain_db=gain) for gain in (3.0, 0.0, -3.0)]
    full = change_of("relief_hiss", whole, after)
    less = change_of("relief_hiss", [*whole[:2], lacking], after)
    assert full.references == less.references == len(ENGINE_HZ)
    assert full.change_db is not None
    assert less.change_db == pytest.approx(full.change_db, abs=0.7)


def test_how_many_recordings_are_needed_is_what_they_then_show() -> None:
    rng = np.random.default_rng(5)

    def found(count: int) -> SymptomChange:
        sides = [
            [
                recording(level + 0.3 * i, phone_db=2.0 * rng.standard_normal(len(ENGINE_HZ)))
                for i in range(count)
            ]
            for level in (0.0, -3.0)
        ]
        return change_of("relief_hiss", *sides)

    one = found(1)
    assert one.smallest_db is not None and one.needed is not None and one.needed > 1
    many = found(one.needed + 1)
    assert many.smallest_db is not None and many.smallest_db < 0.75 * UNCHANGED_WITHIN_DB
    assert many.needed == one.needed + 1


def test_an_uneven_engine_is_another_phone_whatever_is_stated() -> None:
    uneven = 9.0 * np.sin(np.arange(len(ENGINE_HZ)) * 1.7)
    other = change_of("relief_hiss", [recording(0.0)], [recording(-3.0, phone_db=uneven)], odds=20.0)
    held = change_of("relief_hiss", [recording(0.0)], [recording(-3.0, phone_db=uneven)])
    assert other.alike < 0.1 and other.uneven_db > CONTRADICTED_DB
    assert other.smallest_db == pytest.approx(held.smallest_db, rel=0.1)


def test_scattered_recordings_widen_the_interval() -> None:
    calm = change_of("cavitation_groan", [recording(0.0)] * 4, [recording(-3.0)] * 4)
    wild = change_of(
        "cavitation_groan", [recording(x) for x in (-8, 8, -7, 7)], [recording(x) for x in (-9, 5, -10, 4)]
    )
    assert calm.smallest_db is not None and wild.smallest_db is not None
    assert wild.smallest_db > 1.5 * calm.smallest_db


def test_what_places_add_is_not_counted_beside_the_scatter_that_shows_it() -> None:
    """Eight places a side whose recordings scatter by 3 dB: what they hide is in that scatter already."""
    rng = np.random.default_rng(8)
    scatter = rng.permutation(np.linspace(-4.5, 4.5, 8))
    sides = [
        [recording(level + x, phone_db=3.0 * rng.standard_normal(len(ENGINE_HZ))) for x in scatter]
        for level in (0.0, -6.0)
    ]

    def variance(hidden_db: float, weight: float) -> float:
        found = change_of("relief_hiss", *sides, prior=Prior(weight=weight, hidden_db=hidden_db))
        assert found.smallest_db is not None and found.alike < 0.5
        return found.smallest_db**2

    lasting = variance(6.0, 1e-6) - variance(0.0, 1e-6)
    held = variance(6.0, 1e6) - variance(0.0, 1e6)
    assert 0.0 < lasting < 0.65 * held


def test_ruler_grows_unsure_away_from_its_bands() -> None:
    hz = np.array([100.0, 150.0, 200.0])
    found = engine_ruler(hz, np.full(3, 4.0), np.zeros(3), np.array([150.0, 6000.0]), RulerPrior())
    assert found.covariance[1, 1] > 4 * found.covariance[0, 0]


def test_orders_and_maps_flip() -> None:
    change = OrderChange(12.3, -8.0, -12.0, -4.0, False)
    assert change.changed and change.mirrored() == OrderChange(12.3, 8.0, 4.0, 12.0, False)
    maps = ChangeMaps(np.arange(3.0), np.arange(2.0), np.ones((3, 2)), np.zeros((3, 2)))
    assert np.array_equal(maps.mirrored().difference_db, -maps.difference_db)


def test_steps_are_not_seen_in_noise_more_often_than_said() -> None:
    rng = np.random.default_rng(4)
    found = sum(bool(change_points(np.arange(8.0), rng.normal(0, 3, 8), spread_db=3.0)) for _ in range(400))
    assert found <= 0.05 * 400 + 3 * math.sqrt(0.05 * 0.95 * 400)


def test_the_symptoms_own_spectrum_leads_the_ruler_across_a_gap_in_the_engines_bands() -> None:
    """A phone that hides 8 dB where no band of the engine is heard; the change itself stays unknown."""
    hz, places = np.geomspace(100.0, 500.0, 8), np.geomspace(500.0, 4000.0, 10)
    hidden = -8.0 * np.clip(np.log2(places / 500.0) / 3.0, 0.0, 1.0)
    seen, error = np.zeros(8), np.full(8, 0.3)
    alone = engine_ruler(hz, seen, error, places, RulerPrior())
    for change in (-12.0, 0.0):
        bridge = (hidden + change, np.full(10, 0.3))
        led = engine_ruler(hz, seen, error, places, RulerPrior(), bridge)
        miss = [float(np.abs(found.difference_db - hidden)[-3:].mean()) for found in (led, alone)]
        assert miss[0] < 0.7 * miss[1]
        assert led.covariance[-1, -1] < alone.covariance[-1, -1] and led.references == 8
