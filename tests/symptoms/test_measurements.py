"""Each symptom planted into a plain engine bay is measured on the right side of the clean one."""

from __future__ import annotations

import functools
import math
import re

import numpy as np
import pytest
from scipy.signal import resample_poly

from audiodiag.records import Clip, Phases, PhaseSpan, Quality, SpeedTrace
from audiodiag.speed.given import speed_from_number
from audiodiag.symptoms import (
    MEASUREMENT_NAMES,
    MEASUREMENTS,
    Measurements,
    build_scene,
    measure_all,
    measure_scene,
)
from audiodiag.symptoms.measures import evidence_of, worded
from audiodiag.symptoms.ridges import FILLED_NOISE_DB, NOISE_DB, levels_filled
from audiodiag.vehicle import BeltDrivenPart, Vehicle

from . import bays

PLANTED = {
    "clean": None,
    "pump_whine": bays.whine,
    "cavitation_groan": bays.groan,
    "belt_squeal": bays.squeal,
    "rough squeal": bays.rough_squeal,
    "belt_chirp": bays.chirp,
    "relief_hiss": bays.hiss,
    "bearing_growl": bays.growl,
    "chime": bays.chime,
    "ticks": bays.ticks,
    "draught": bays.draught,
}


@functools.cache
def bay(name: str) -> np.ndarray:
    make = PLANTED[name]
    return bays.engine() + (make() if make else 0.0)


@functools.cache
def measured(name: str) -> Measurements:
    return measure_all(bays.clip_of(bay(name)), bays.quality(), bays.trace())


@pytest.mark.parametrize(
    ("symptom", "name", "least_more"),
    [
        ("pump_whine", "whine_merit_db", 8.0),
        ("pump_whine", "whine_line_db", 6.0),
        ("pump_whine", "whine_sideband_db", 3.0),
        ("pump_whine", "whine_growth_db", 3.0),
        ("cavitation_groan", "groan_rise_db", 3.0),
        ("cavitation_groan", "groan_roughness", 0.1),
        ("cavitation_groan", "groan_beat_db", 4.0),
        ("cavitation_groan", "groan_swing_db", 0.7),
        ("belt_squeal", "squeal_prominence_db", 8.0),
        ("belt_squeal", "squeal_longest_s", 0.5),
        ("belt_squeal", "squeal_narrow_hump_db", 5.0),
        ("rough squeal", "squeal_narrow_hump_db", 4.0),
        ("belt_chirp", "chirp_belt_comb_db", 6.0),
        ("belt_chirp", "chirp_burst_rate_hz", 2.0),
        ("belt_chirp", "chirp_burst_height_db", 2.0),
        ("relief_hiss", "hiss_rise_db", 4.0),
        ("relief_hiss", "hiss_edge_db", 4.0),
        ("belt_chirp", "chirp_fit_db", 3.0),
        ("bearing_growl", "growl_comb_db", 8.0),
        ("bearing_growl", "growl_depth", 0.1),
    ],
)
def test_a_planted_symptom_raises_its_own_measurement(symptom: str, name: str, least_more: float) -> None:
    clean, planted = measured("clean").values[name], measured(symptom).values[name]
    assert planted - clean > least_more, f"{name}: clean {clean:.2f}, planted {planted:.2f}"


def test_orders_are_found_where_they_were_planted() -> None:
    assert measured("pump_whine").values["whine_order"] == pytest.approx(11.3, abs=0.03)
    assert measured("belt_chirp").values["chirp_belt_order"] == pytest.approx(0.31, abs=0.01)
    assert measured("bearing_growl").values["growl_order"] == pytest.approx(4.77, abs=0.03)
    assert measured("belt_squeal").values["squeal_frequency_hz"] == pytest.approx(3100, rel=0.06)


def test_an_engine_order_is_no_pump() -> None:
    sound = bay("clean") + 0.3 * np.cos(2 * np.pi * 12.0 * bays.turns())
    values = measure_all(bays.clip_of(sound), bays.quality(), bays.trace()).values
    assert values["whine_line_db"] < measured("pump_whine").values["whine_line_db"] or (
        values["whine_half_order_distance"] < 0.05
    )


def test_a_chime_holds_its_pitch_and_a_squeal_does_not() -> None:
    chime, squeal = measured("chime").values, measured("belt_squeal").values
    assert chime["squeal_pitch_residual_percent"] < 0.12
    assert squeal["squeal_pitch_residual_percent"] > 0.3
    assert squeal["squeal_restlessness_hz"] > chime["squeal_restlessness_hz"] + 1.0


def test_the_holes_that_a_coder_leaves_make_no_squeal_and_hide_none() -> None:
    engine, squealing = (
        measure_all(bays.clip_of(bays.with_holes(bay(name))), bays.quality(), bays.trace()).values
        for name in ("clean", "belt_squeal")
    )
    assert engine["squeal_total_s"] < 0.2
    assert engine["squeal_prominence_db"] < 3.0
    assert engine["squeal_narrow_hump_db"] < 7.0
    plain = measured("belt_squeal").values
    assert squealing["squeal_total_s"] == pytest.approx(plain["squeal_total_s"], abs=0.4)
    assert squealing["squeal_frequency_hz"] == pytest.approx(plain["squeal_frequency_hz"], rel=0.02)


def test_noise_is_as_high_with_holes_filled_as_without() -> None:
    scene = build_scene(
        bays.clip_of(bays.coloured(np.random.default_rng(4), len(bays.moments()), 0.0, bays.RATE / 2)),
        bays.quality(),
        bays.trace(),
    )
    inside = (scene.tone_hz > 500.0) & (scene.tone_hz < 0.95 * scene.tone_hz[-1])
    plain, filled = (
        10 * np.log10(scene.tone[:, inside].mean()) - float(level[:, inside].mean())
        for level in (10 * np.log10(scene.tone), levels_filled(scene))
    )
    assert plain == pytest.approx(NOISE_DB, abs=0.1)
    assert filled == pytest.approx(FILLED_NOISE_DB, abs=0.1)


@pytest.mark.parametrize("burst_db", [10.0, 20.0, 30.0])
@pytest.mark.parametrize("bursts", [[(1.6, 2.1)], [(k, k + 0.3) for k in np.arange(0.5, 10.0)]])
def test_a_loud_sound_hides_no_squeal_beside_it(burst_db: float, bursts: list[tuple[float, float]]) -> None:
    loud = np.max([bays.stretch(*span, 0.01) for span in bursts], axis=0)
    noise = 10 ** (burst_db / 20) * 0.3 * np.random.default_rng(5).standard_normal(len(loud))
    found = measure_all(bays.clip_of(bay("belt_squeal") + noise * loud), bays.quality(), bays.trace()).values
    plain = measured("belt_squeal").values
    assert found["squeal_total_s"] > 0.55 * plain["squeal_total_s"]
    assert found["squeal_prominence_db"] > plain["squeal_prominence_db"] - 2.0
    assert found["squeal_frequency_hz"] == pytest.approx(plain["squeal_frequency_hz"], rel=0.03)


def test_the_overtone_of_a_squeal_is_sought_over_its_lower_tone_too() -> None:
    tone = bays.squeal()
    third = 0.8 * np.cos(
        2 * np.pi * np.cumsum(9300.0 + 90.0 * np.sin(2 * np.pi * 1.3 * bays.moments())) / bays.RATE
    )
    sounding = np.abs(tone) > 0.0
    loud = measure_all(
        bays.clip_of(bay("clean") + tone + third * sounding), bays.quality(), bays.trace()
    ).values
    assert loud["squeal_frequency_hz"] > 9000.0
    assert loud["squeal_harmonic_db"] > 3.0


@pytest.mark.parametrize("of_level", [0.0, 3e-4])
def test_silence_in_parts_of_a_clip_leaves_the_level_of_a_squeal_as_it_is(of_level: float) -> None:
    """Digital silence, or the noise of a converter 70 dB below the engine."""
    sound = bay("belt_squeal").copy()
    quiet = of_level * np.std(sound) * np.random.default_rng(8).standard_normal(len(sound))
    whole = measure_all(bays.clip_of(sound), bays.quality(), bays.trace()).values["squeal_share_db"]
    for part in (slice(0, len(sound) // 5), slice(len(sound) * 2 // 5, len(sound) * 3 // 5)):
        sound[part] = quiet[part]
    cut = measure_all(bays.clip_of(sound), bays.quality(), bays.trace()).values["squeal_share_db"]
    assert cut == pytest.approx(whole, abs=2.0)


def test_an_engine_far_below_a_loud_sound_is_no_silence() -> None:
    """A rush 46 dB louder than the engine for half of the clip; powers are relative to the whole clip's."""
    engine, sound = bay("clean"), bay("clean").copy()
    alone = build_scene(bays.clip_of(engine), bays.quality(), bays.trace()).engine_power
    rush = 200.0 * np.std(sound) * np.random.default_rng(9).standard_normal(len(sound))
    sound[len(sound) // 2 :] += rush[len(sound) // 2 :]
    beside = build_scene(bays.clip_of(1e-3 * sound), bays.quality(), bays.trace()).engine_power
    power = np.mean(sound**2) / np.mean(engine**2)
    assert 10.0 * math.log10(power * beside / alone) == pytest.approx(0.0, abs=2.0)


def test_an_overtone_that_is_not_recorded_is_unknown_and_speaks_against_no_squeal() -> None:
    assert measured("belt_squeal").values["squeal_harmonic_db"] > 3.0
    half = resample_poly(bay("belt_squeal"), 1, 3)
    for samples, rate, top_hz in ((half, bays.RATE // 3, 5200.0), (bay("belt_squeal"), bays.RATE, 5500.0)):
        clip = Clip(samples.astype(np.float32), rate, "squeal", "", "pcm")
        found = measure_all(clip, Quality(True, (), (20.0, top_hz)), bays.trace()).values
        assert found["squeal_prominence_db"] > 8.0
        assert math.isnan(found["squeal_harmonic_db"])
        assert math.isnan(found["squeal_restless_overtone_db"])


def test_ticks_of_the_valve_gear_are_no_chirp() -> None:
    assert (
        measured("ticks").values["chirp_belt_comb_db"]
        < measured("belt_chirp").values["chirp_belt_comb_db"] - 5
    )
    assert measured("ticks").values["chirp_burst_rate_hz"] < 1.0


def test_the_draught_of_blades_beats_bare_and_a_struck_bearing_does_not() -> None:
    draught, growl = measured("draught").values, measured("bearing_growl").values
    assert draught["growl_order"] == pytest.approx(4.77, abs=0.03)
    assert draught["growl_line_db"] > 10.0
    assert draught["growl_bare_db"] > growl["growl_bare_db"] + 5.0
    assert growl["growl_bare_db"] < 1.0


def test_strikes_have_overtones_in_fast_envelopes_and_blades_hardly() -> None:
    draught, growl = measured("draught").values, measured("bearing_growl").values
    for name in ("growl_overtone_db", "growl_even_overtone_db", "growl_even_wide_overtone_db"):
        assert growl[name] > draught[name] + 4.0, name


def test_every_measure_of_even_strikes_is_filled() -> None:
    values = measured("bearing_growl").values
    even = {name: value for name, value in values.items() if name.startswith("growl_even_")}
    assert len(even) > 10
    assert [name for name, value in even.items() if not math.isfinite(value)] == []


def test_overtones_beyond_the_beats_are_unknown() -> None:
    """The slower envelopes end at order 22, the fast ones at 64."""
    high = measure_all(bays.clip_of(bays.engine() + bays.growl(6.3)), bays.quality(), bays.trace()).values
    assert high["growl_even_order"] == pytest.approx(6.3, abs=0.05)
    assert math.isnan(high["growl_even_fourth_db"])
    assert high["growl_even_wide_overtone_db"] > 3.0 and high["growl_even_overtone_db"] > 3.0


def test_only_what_a_person_states_of_the_wheel_and_the_belt_moves_the_odds_of_the_tone() -> None:
    sound = bays.clip_of(bay("pump_whine"))
    times = (0.0, 1.8, 4.2, 5.8, 8.7, 10.0)

    def turned(first: str, second: str) -> tuple[PhaseSpan, ...]:
        names = (first, second, first, second, first)
        return tuple(PhaseSpan(n, a, b) for n, a, b in zip(names, times[:-1], times[1:], strict=True))  # type: ignore[arg-type]

    def odds_db(phases: Phases | None = None, vehicle: Vehicle | None = None) -> float:
        scene = build_scene(sound, bays.quality(), bays.trace(), phases, vehicle)
        return measure_scene(scene).values["whine_likely_db"]

    plain, loaded, eased = odds_db(), turned("centre", "stop"), turned("stop", "centre")
    assert odds_db(Phases("marked", loaded)) > odds_db(Phases("marked", eased)) + 3.0
    assert odds_db(Phases("inferred", eased)) == plain
    other = Vehicle(other_parts=(BeltDrivenPart("alternator", 1.13, (10.0,)),))
    assert odds_db(vehicle=other) < plain - 5.0


def test_balls_that_slip_have_no_fourth_line_over_many_turns() -> None:
    even, slipping = (
        measure_all(bays.clip_of(bays.engine() + sound), bays.quality(), bays.trace()).values
        for sound in (bays.growl(), bays.growl(slip=0.02))
    )
    assert slipping["growl_even_order"] == pytest.approx(4.77, abs=0.05)
    assert even["growl_even_fourth_db"] > slipping["growl_even_fourth_db"] + 3.0


def test_the_likeliest_tone_has_better_odds_with_a_pump_than_without() -> None:
    whine, healthy = measured("pump_whine").values, measured("clean").values
    assert whine["whine_likely_db"] > 5.0 > healthy["whine_likely_db"] + 5.0
    assert whine["whine_likely_over_engine_db"] > healthy["whine_likely_over_engine_db"] + 10.0


def test_a_narrow_chirp_stands_out_of_a_narrow_band_where_wide_ones_hide_it() -> None:
    faint = 0.25 * bays.chirp()
    with_chirp, without = (
        measure_all(bays.clip_of(bays.engine() + sound), bays.quality(), bays.trace()).values
        for sound in (faint, 0.0 * faint)
    )
    narrow, wide = (
        with_chirp[name] - without[name] for name in ("chirp_narrow_comb_db", "chirp_belt_comb_db")
    )
    assert narrow > wide + 5.0
    assert with_chirp["chirp_narrow_rate_hz"] > without["chirp_narrow_rate_hz"] + 0.5
    assert with_chirp["chirp_narrow_peakiness"] > without["chirp_narrow_peakiness"]


@pytest.mark.parametrize(
    ("symptom", "truth"),
    [
        ("pump_whine", ((0.0, bays.SECONDS),)),
        ("belt_squeal", ((2.5, 3.6), (7.0, 7.8))),
        ("relief_hiss", ((3.0, 4.6), (7.2, 8.6))),
        ("cavitation_groan", ((2.0, 4.5), (7.0, 9.0))),
    ],
)
def test_spans_lie_where_the_sound_was(symptom: str, truth: tuple[tuple[float, float], ...]) -> None:
    grid = np.arange(0.0, bays.SECONDS, 0.02)
    there = np.any([(grid >= a) & (grid < b) for a, b in truth], axis=0)
    spans = measured(symptom).symptoms[symptom].spans_s
    found = np.any([(grid >= a) & (grid < b) for a, b in spans], axis=0)
    assert (there & found).sum() / (there | found).sum() > 0.6
    assert all(abs(10 * edge - round(10 * edge)) < 1e-6 for span in spans for edge in span)


@pytest.mark.parametrize("name", ["pump_whine", "belt_squeal", "belt_chirp"])
def test_gain_changes_no_measurement(name: str) -> None:
    for gain_db in (-20.0, 20.0):
        clip = bays.clip_of(bay(name) * 10 ** (gain_db / 20))
        other = measure_all(clip, bays.quality(), bays.trace()).values
        for key, value in measured(name).values.items():
            if math.isfinite(value) or math.isfinite(other[key]):
                assert other[key] == pytest.approx(value, rel=1e-3, abs=1e-3), key


def test_a_later_start_moves_the_spans_and_little_else() -> None:
    cut = int(0.8 * bays.RATE)
    speed = bays.trace()
    late = SpeedTrace(
        "acoustic",
        0.9,
        speed.time_s - 0.8,
        speed.rpm,
        speed.rpm_low,
        speed.rpm_high,
        speed.instant_confidence,
        4,
    )
    shifted = measure_all(bays.clip_of(bay("relief_hiss")[cut:]), bays.quality(), late)
    before, after = measured("relief_hiss"), shifted
    assert after.values["hiss_rise_db"] == pytest.approx(before.values["hiss_rise_db"], abs=1.0)
    first = before.symptoms["relief_hiss"].spans_s[0][0]
    assert after.symptoms["relief_hiss"].spans_s[0][0] == pytest.approx(first - 0.8, abs=0.15)


def test_the_confidence_in_the_speed_is_a_measure() -> None:
    assert measured("pump_whine").values["speed_confidence"] == bays.trace().confidence
    unknown = measure_all(bays.clip_of(bay("pump_whine")), bays.quality(), bays.trace(known=False))
    assert unknown.values["speed_confidence"] == 0.0


def test_without_a_speed_orders_are_missing_and_the_rest_is_measured() -> None:
    values = measure_all(bays.clip_of(bay("relief_hiss")), bays.quality(), bays.trace(known=False)).values
    for name in ("whine_comb_db", "growl_comb_db", "chirp_belt_comb_db", "groan_beat_db", "engine_comb_db"):
        assert math.isnan(values[name]), name
    assert values["hiss_rise_db"] > 3.0
    assert values["speed_known_share"] == 0.0


@pytest.mark.parametrize(
    ("samples", "rate"),
    [
        (np.zeros(48000), 16000),
        (np.zeros(0), 48000),
        (np.ones(100), 8000),
        (np.random.default_rng(1).standard_normal(20000), 8000),
        (np.r_[np.zeros(24000), np.random.default_rng(2).standard_normal(400), np.zeros(24000)], 16000),
        (np.cos(2 * np.pi * 1000 * np.arange(64000) / 16000), 16000),
    ],
    ids=["silent", "empty", "short", "8 kHz", "one click", "one tone"],
)
@pytest.mark.parametrize("known", [True, False])
def test_odd_clips_give_numbers_or_nothing_and_never_a_warning(
    samples: np.ndarray, rate: int, known: bool
) -> None:
    speed = bays.trace(known, max(len(samples) / rate, 0.3))
    found = measure_all(bays.clip_of(samples, rate), Quality(True, (), (50.0, rate / 2)), speed)
    assert tuple(found.values) == MEASUREMENT_NAMES
    assert not any(math.isinf(value) for value in found.values.values())


def test_a_recording_that_ends_below_the_narrow_bands_is_measured() -> None:
    dull = Quality(True, (), (50.0, 700.0))
    values = measure_all(bays.clip_of(bays.engine()), dull, bays.trace()).values
    assert np.isfinite(values["engine_comb_db"])
    assert np.isnan(values["growl_comb_db"]) and np.isnan(values["chirp_narrow_comb_db"])


def test_a_dozen_turns_are_enough_for_a_growl_to_be_sought() -> None:
    clip = bays.clip_of(bays.engine()[: int(3.05 * bays.RATE)])
    values = measure_all(clip, bays.quality(), speed_from_number(250.0, clip.duration_s)).values
    assert np.isfinite(values["growl_comb_db"])


def test_bands_beyond_the_recording_are_left_out() -> None:
    scene = build_scene(bays.clip_of(bay("clean")), bays.quality(4000.0), bays.trace())
    assert scene.level_hz.max() < 4100.0 and scene.beat_hz.max() < 4200.0 and scene.tone_hz.max() <= 4000.0


def test_stated_phases_become_the_load() -> None:
    phases = Phases("marked", (PhaseSpan("centre", 0.0, 2.0), PhaseSpan("stop", 2.0, 4.0)), 1.0)
    scene = build_scene(
        bays.clip_of(bay("clean")), bays.quality(), bays.trace(), phases, Vehicle(cylinders=5)
    )
    assert scene.steering_load is not None and scene.cylinders == 5
    assert scene.steering_load[10] == 0.0 and scene.steering_load[60] == 1.0
    assert math.isnan(scene.steering_load[-1])


def test_names_are_unique_and_sentences_can_be_filled() -> None:
    assert len(set(MEASUREMENT_NAMES)) == len(MEASUREMENT_NAMES)
    for measure in MEASUREMENTS:
        assert measure.unit
        assert "{" not in measure.text.format(value=1.5)


def test_evidence_repeats_the_measured_numbers() -> None:
    whine = measured("pump_whine").symptoms["pump_whine"]
    assert {e.measure for e in whine.evidence} >= {"whine_comb_db", "whine_order"}
    for evidence in whine.evidence:
        assert evidence.value == whine.values[evidence.measure]
    assert any("11.3" in e.text for e in whine.evidence)


def test_level_follows_the_planted_level() -> None:
    quiet = (
        measure_all(bays.clip_of(bays.engine() + 0.4 * bays.hiss()), bays.quality(), bays.trace())
        .symptoms["relief_hiss"]
        .level_db
    )
    loud = measured("relief_hiss").symptoms["relief_hiss"].level_db
    assert quiet is not None and loud is not None
    assert loud - quiet == pytest.approx(20 * math.log10(1 / 0.4), abs=1.5)


def test_every_measure_has_a_label_of_its_own_in_plain_words() -> None:
    labels = [each.label for each in MEASUREMENTS]
    assert len(set(labels)) == len(labels)
    for label in labels:
        assert label[0].isupper(), label
        assert "_" not in label, label
        assert not label.endswith("."), label
        assert len(label) <= 52, label


AS_IF_THERE = re.compile(r"\bthe (?:bursts|chirp|hiss|strikes|squeal|squealing tones|groan)\b", re.I)
"""A sound that is only looked for, spoken of as one that is there."""


def test_no_sentence_takes_a_sound_for_granted() -> None:
    assert [each.text for each in MEASUREMENTS if AS_IF_THERE.search(each.text)] == []
    assert AS_IF_THERE.search("The hiss lies at 3 dB.")
    assert AS_IF_THERE.search("In the bands of the bursts the sound rises.")


def test_a_correlation_says_what_lies_below_nothing() -> None:
    told = [each for each in MEASUREMENTS if each.name.endswith(("_correlation", "_repetition"))]
    assert len(told) == 5
    assert [each.name for each in told if "below 0: the other way)" not in each.text] == []


def test_a_band_that_a_phone_may_cut_off_ends_at_most_where_it_says() -> None:
    """The narrowest clips end at 3.4 kHz."""
    upper = re.compile(r"\bto (?:(at most) )?(?:8|11) kHz( at most)?|\bto (?:(at most) )?5000 Hz( at most)?")
    found = [(each.name, upper.search(words)) for each in MEASUREMENTS for words in (each.text, each.label)]
    ends = [(name, match) for name, match in found if match]
    assert len(ends) >= 7
    assert [name for name, match in ends if not any(match.groups())] == []


def test_the_mean_number_of_tones_at_once_is_said_as_a_whole_number() -> None:
    text = next(each.text for each in MEASUREMENTS if each.name == "squeal_tones_at_once")
    assert worded(text, 53.9) == "The number of high tones that sound at once is 54 on average."


def test_a_share_stands_before_its_sign_with_a_space() -> None:
    shares = [each for each in MEASUREMENTS if each.share]
    assert len(shares) > 12
    for each in shares:
        assert "34 %" in worded(each.text, 0.34) and "4%" not in worded(each.text, 0.34), each.name
    assert any("34 %" in each.text for each in evidence_of(tuple(shares), {shares[0].name: 0.34}))
