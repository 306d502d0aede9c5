"""The pump's drive is found in combs of known orders and in simulated clips, or said not to be told."""

from __future__ import annotations

import numpy as np
import pytest

from audiodiag.orders.drive import find_drive, likeliest_tone, pump_angle
from audiodiag.orders.drive_prior import hypotheses_of
from audiodiag.orders.drive_train import drive_finding, find_drive_train
from audiodiag.orders.tone_comb import tone_view
from audiodiag.records import Phases, PhaseSpan, SpeedTrace
from audiodiag.simulation import BaySettings, simulate
from audiodiag.vehicle import BeltDrivenPart, Vehicle
from tests.orders.synthetic import PER_REV, engine_and_pump


def trace_of(time_s: list[float], rpm: list[float]) -> SpeedTrace:
    t, r = np.array(time_s), np.array(rpm)
    return SpeedTrace("table", 1.0, t, r, r, r, np.ones(len(t)))


@pytest.mark.parametrize(("ratio", "vanes"), [(1.237, 10), (1.43, 8), (1.021, 12), (1.1133, 9), (1.213, 11)])
def test_ratio_and_vanes_follow_from_the_sidebands(ratio: float, vanes: int):
    found = find_drive(engine_and_pump(ratio, vanes))
    first = ratio * vanes * (1 if vanes % 2 == 0 else 2)
    assert found.heard
    assert found.order == pytest.approx(first, rel=0.002)
    assert abs(found.order - first) < 4 * found.order_sd
    assert (found.vanes, found.told_apart) == (vanes, True)
    assert found.ratio == pytest.approx(ratio, rel=0.002)
    assert found.readings[0].first_ripple_order == pytest.approx(first, rel=0.002)
    assert found.text.count("odd number of vanes sounds mostly at twice that number a turn") == vanes % 2


def test_without_sidebands_the_posterior_stays_wide_and_says_so():
    found = find_drive(engine_and_pump(1.237, 10, depth=0.0))
    assert found.order == pytest.approx(12.37, rel=0.002)
    assert not found.told_apart
    assert found.vanes is None and found.ratio is None
    assert "cannot be told apart" in found.text
    odd_is_listed = any(r.vanes % 2 for r in found.readings[:4])
    assert found.text.count("odd number of vanes") == int(odd_is_listed)
    assert {r.vanes for r in found.readings} >= {8, 10, 12}
    assert max(r.probability for r in found.readings) < 0.7
    assert sum(r.probability for r in found.readings) == pytest.approx(1.0, abs=0.03)


def test_a_stated_ratio_or_number_of_vanes_decides_what_the_sound_leaves_open():
    sound = engine_and_pump(1.237, 10, depth=0.0)
    by_vanes = find_drive(sound, vehicle=Vehicle(vanes=8))
    assert (by_vanes.vanes, round(by_vanes.ratio or 0, 2)) == (8, 1.55)
    by_ratio = find_drive(sound, vehicle=Vehicle(pump_ratio=1.03))
    assert (by_ratio.vanes, round(by_ratio.ratio or 0, 2)) == (12, 1.03)


@pytest.mark.parametrize("order", [12.03, 11.96])
def test_a_tone_beside_a_half_order_is_told_from_the_engine(order: float):
    found = find_drive(engine_and_pump(order / 10.0, 10, revolutions=360.0))
    assert found.order == pytest.approx(order, rel=0.0012)


def test_an_engine_alone_has_no_pump():
    assert not find_drive(engine_and_pump(1.2, 10, tone=0.0)).heard


def test_a_tone_that_follows_the_wheel_is_likelier_the_pumps_than_one_that_does_not():
    turns = np.arange(220 * PER_REV) / PER_REV
    load = np.where((turns // 44) % 2 == 0, 0.3, 1.0)
    spans = tuple(
        PhaseSpan("stop" if k % 2 else "centre", 44 * k / 12.5, 44 * (k + 1) / 12.5) for k in range(5)
    )
    away = tuple(
        PhaseSpan("centre" if k % 2 else "stop", 44 * k / 12.5, 44 * (k + 1) / 12.5) for k in range(5)
    )
    sound = engine_and_pump(1.237, 10, load=load, tone=0.08)
    with_it = find_drive(sound, phases=Phases("marked", spans, 1.0))
    against = find_drive(sound, phases=Phases("marked", away, 1.0))
    assert with_it.steering and against.steering
    assert with_it.presence > against.presence + 0.02


def test_a_tone_at_the_order_of_a_stated_other_part_is_doubted():
    sound = engine_and_pump(1.237, 10, depth=0.0, tone=0.1)
    alternator = Vehicle(other_parts=(BeltDrivenPart("alternator", 12.37 / 6.0, (6.0,)),))
    assert find_drive(sound, vehicle=alternator).presence < find_drive(sound).presence


def test_louder_recordings_and_other_speeds_change_nothing():
    one = engine_and_pump(1.237, 10)
    loud = find_drive(type(one)(one.values * 50.0, PER_REV, 0.0, one.time_s * 0.5, 56.0))
    assert loud.order == pytest.approx(find_drive(one).order, rel=1e-4)
    assert loud.vanes == 10


@pytest.mark.parametrize("revolutions", [5.0, 23.0])
def test_too_few_turns_are_no_answer(revolutions: float):
    found = find_drive(engine_and_pump(1.237, 10, revolutions=revolutions))
    assert (found.presence, found.order, found.readings) == (0.0, None, ())
    assert "cannot be told" in found.text


def test_the_likeliest_tone_is_the_pumps_and_has_poor_odds_without_one():
    bay, alone = engine_and_pump(1.237, 10), engine_and_pump(1.237, 10, tone=0.0)
    heard, none = (likeliest_tone(tone_view(sound)) for sound in (bay, alone))
    assert heard is not None and none is not None
    assert heard.order == pytest.approx(12.37, rel=0.002)
    assert heard.log_odds > 1.0 > none.log_odds + 1.0
    assert heard.sideband_db > none.sideband_db + 3.0


def test_no_speed_and_silence_are_no_answer():
    unknown = trace_of([0.0, 10.0], [np.nan, np.nan])
    assert pump_angle(np.zeros(80000), 8000, unknown) is None
    found = find_drive_train(np.zeros(80000), 8000, unknown)
    assert (found.pump.order, found.slip, found.belt.order) == (None, None, None)
    silent = find_drive_train(np.zeros(80000), 8000, trace_of([0.0, 10.0], [750.0, 750.0]))
    assert not silent.pump.heard and silent.slip is None and silent.belt.repeats == "none"


def test_every_reading_explains_its_tone():
    for order in (8.0, 12.4, 18.0, 22.2, 31.0):
        readings = hypotheses_of(order)
        assert readings
        assert all(h.ratio * h.tone_events == pytest.approx(order) for h in readings)
        assert all(0.7 < h.ratio < 1.95 for h in readings)


@pytest.mark.parametrize(
    ("seed", "ratio", "vanes", "mode"),
    [(300501, 1.243, 10, "idle"), (300502, 1.382, 8, "blips"), (300503, 1.083, 9, "run_up")],
)
def test_the_order_is_found_in_simulated_clips(seed: int, ratio: float, vanes: int, mode: str):
    clip = simulate(
        seed,
        settings=BaySettings(
            symptoms=("pump_whine",),
            levels_db={"pump_whine": 0.0},
            pulley_ratio=ratio,
            vanes=vanes,
            mode=mode,
            duration_s=10.0,
            sample_rate_hz=16000,
            codec="wav",
            disturbances=(),
        ),
    )
    speed = trace_of(clip.truth["time_s"], clip.truth["rpm"])
    found = find_drive_train(clip.samples, clip.sample_rate_hz, speed, vehicle=Vehicle(vanes=vanes)).pump
    first = ratio * vanes * (1 if vanes % 2 == 0 else 2)
    assert found.heard
    assert found.order == pytest.approx(first, rel=0.005)


def test_the_record_that_crosses_rooms_says_what_was_found():
    made = simulate(300_004, settings=BaySettings(symptoms=("pump_whine",), levels_db={"pump_whine": 2.0}))
    trace = trace_of(made.truth["time_s"], made.truth["rpm"])
    train = find_drive_train(made.samples, made.sample_rate_hz, trace)
    found = drive_finding(train)
    assert found.pump_order == train.pump.order and found.pump_presence == train.pump.presence
    assert [r.probability for r in found.readings] == [r.probability for r in train.pump.readings]
    assert bool(found.texts) == (train.pump.heard or train.belt.repeats != "none")
