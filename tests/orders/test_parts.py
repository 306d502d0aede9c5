"""The parts to listen to: they add up, and each planted source is clearer in its part than in the clip."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from audiodiag.orders.parts import gain_over_others_db, plan_parts, pump_tone_orders
from audiodiag.orders.swelling import _evidence
from audiodiag.simulation import BaySettings, simulate

PART_OF = {
    "pump_whine": "pump",
    "cavitation_groan": "groan",
    "belt_squeal": "squeal",
    "belt_chirp": "chirp",
}
CASES = (
    # symptom, seed, level re engine, variant, rate in Hz
    ("pump_whine", 901, -8.0, "harmonics", 44100),
    ("cavitation_groan", 903, -5.0, "mid", 44100),
    ("belt_squeal", 905, -8.0, "smooth", 44100),
    ("belt_chirp", 902, -5.0, "noisy", 44100),
    ("pump_whine", 911, -5.0, "ripple", 22050),
    ("cavitation_groan", 912, -6.0, "rough_low", 22050),
    ("cavitation_groan", 913, -1.0, "bursts", 22050),
    ("belt_chirp", 915, -8.0, "tonal", 22050),
)
TONAL_ENGINES = frozenset({901, 902, 903, 905})
"""Seeds of engines whose power is mostly tones: one that is more noise keeps less in its part."""
LEAST_GAIN_DB = 10.0


def separated(symptom: str, seed: int, level_db: float, variant: str, rate_hz: int):
    made = simulate(
        seed,
        settings=BaySettings(
            symptoms=(symptom,),
            levels_db={symptom: level_db},
            variants={symptom: variant},
            mode="idle",
            duration_s=7.0,
            disturbances=(),
            codec="wav",
            sample_rate_hz=rate_hz,
        ),
        keep_parts=True,
    )
    assert made.parts is not None
    rate = made.truth["parts_rate_hz"]
    clip = np.sum(list(made.parts.values()), axis=0, dtype=np.float32)
    ratio, vanes = made.truth["pulley_ratio"], made.truth["vanes"]
    plan = plan_parts(
        clip,
        rate,
        time_s=made.truth["time_s"],
        rpm=made.truth["rpm"],
        pump_orders=pump_tone_orders(ratio * vanes, ratio),
        pump_ratio=ratio,
        cylinders=made.truth["cylinders"],
        chirp=symptom == "belt_chirp",
        chirp_first=symptom == "belt_chirp",
    )
    return made, clip, rate, plan


def power(sound) -> float:
    return float(np.mean(np.asarray(sound, dtype=np.float64) ** 2))


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case[0]}-{case[1]}")
def test_each_planted_source_is_clearer_of_the_others_in_its_part_and_keeps_most_of_itself(case):
    symptom = case[0]
    made, clip, rate, plan = separated(*case)
    whole = plan.split(clip, rate)
    sources = [(made.parts[symptom], PART_OF[symptom])]
    if case[1] in TONAL_ENGINES:
        sources.append((made.parts["engine"], "engine"))
    for source, name in sources:
        mine = getattr(plan.split(source, rate), name)
        others = getattr(whole, name) - mine  # splitting is linear
        before = power(source) / power(clip - source)
        assert 10 * np.log10(power(mine) / power(others) / before) > LEAST_GAIN_DB, name
        assert power(mine) > 0.25 * power(source), name
    error = power(whole.total().astype(np.float64) - clip)
    assert 10 * np.log10(error / power(clip)) < -120.0, "the parts add up to the clip"


def test_a_frame_that_is_loud_in_all_bands_speaks_for_groan_in_each_of_its_cells():
    groan, calm = np.ones((40, 20)), np.ones((40, 20))
    near = np.full((40, 20), 2.0)  # as the model says
    near[10, :] = 6.0  # air: loud in all bands
    near[30, 5] = 6.0  # as loud, but in one band alone
    odds = _evidence(groan, calm, near, np.ones(20), 0.006)
    assert odds[10, 5] > odds[30, 5] + 2.0
    assert odds[30, 5] > odds[30, 6] > odds[20, 5], "the cell itself counts most, its frame a little"


def test_the_gain_counts_what_leaks_in_full():
    engine, noise, rate = tone_and_noise()
    plan = plan_parts(engine + noise, rate, time_s=[0, 6], rpm=[750, 750], squeal=False, groan=False)
    gain_db = gain_over_others_db(plan, "engine", engine, noise, rate)
    leaked = power(plan.split(noise, rate).engine) / power(noise)
    kept = power(plan.split(engine, rate).engine) / power(engine)
    assert gain_db == pytest.approx(10 * np.log10(kept / leaked), abs=0.01)
    assert gain_db > 15.0


def tone_and_noise(seconds: float = 6.0, rate: int = 8000):
    time_s = np.arange(int(seconds * rate)) / rate
    rng = np.random.default_rng(5)
    engine = 0.3 * np.cos(2 * np.pi * 25.0 * time_s) + 0.1 * np.cos(2 * np.pi * 50.0 * time_s)
    return engine.astype(np.float32), (0.05 * rng.standard_normal(len(time_s))).astype(np.float32), rate


def test_splitting_is_linear_once_the_masks_are_found():
    engine, noise, rate = tone_and_noise()
    plan = plan_parts(engine + noise, rate, time_s=[0, 6], rpm=[750, 750])
    both, one, two = plan.split(engine + noise, rate), plan.split(engine, rate), plan.split(noise, rate)
    for (_, part), (_, first), (_, second) in zip(both.items(), one.items(), two.items(), strict=True):
        assert np.abs(part - first - second).max() < 2e-6


def test_gain_of_the_clip_changes_no_mask():
    engine, noise, rate = tone_and_noise()
    loud = plan_parts(engine + noise, rate, time_s=[0, 6], rpm=[750, 750])
    quiet = plan_parts((engine + noise) * 2**-8, rate, time_s=[0, 6], rpm=[750, 750])
    assert np.abs(loud.orders.engine - quiet.orders.engine).max() < 1e-4
    assert np.abs(loud.groan.gain - quiet.groan.gain).max() < 1e-4


def test_a_wrong_speed_leaves_the_engine_in_the_rest():
    engine, noise, rate = tone_and_noise()
    right = plan_parts(engine + noise, rate, time_s=[0, 6], rpm=[750, 750], squeal=False, groan=False)
    wrong = plan_parts(engine + noise, rate, time_s=[0, 6], rpm=[650, 650], squeal=False, groan=False)
    assert np.std(right.split(engine, rate).engine) > 0.95 * np.std(engine)
    assert np.std(wrong.split(engine, rate).engine) < 0.35 * np.std(engine)


def test_without_a_speed_engine_and_pump_are_silent_and_the_sum_still_holds():
    engine, noise, rate = tone_and_noise()
    parts = plan_parts(engine + noise, rate, pump_orders=(12.0,)).split(engine + noise, rate)
    assert not parts.engine.any()
    assert not parts.pump.any()
    assert np.abs(parts.total() - engine - noise).max() < 1e-6


def test_a_pump_order_on_a_half_order_is_told_apart_by_what_the_neighbours_make_likely():
    rate = 8000
    time_s = np.arange(10 * rate) / rate
    turned = 12.5 * time_s
    engine = sum(0.02 * np.cos(2 * np.pi * k / 2 * turned + k) for k in range(1, 60))
    pump = 0.3 * np.cos(2 * np.pi * 15.5 * turned)
    noise = 0.002 * np.random.default_rng(2).standard_normal(len(time_s))
    plan = plan_parts(
        engine + pump + noise, rate, time_s=[0, 10], rpm=[750, 750], pump_orders=(15.5,), cylinders=4
    )
    parts = plan.split(pump, rate)
    assert np.std(parts.pump) > 0.9 * np.std(pump)
    assert np.std(plan.split(engine, rate).engine) > 0.85 * np.std(engine)


@pytest.mark.parametrize("rate", [11025, 16000])
def test_a_burst_in_digital_silence_makes_no_part_silent_or_no_number(rate):
    clip = np.zeros(12 * rate, np.float32)
    clip[5 * rate : 5 * rate + rate // 10] = np.random.default_rng(3).standard_normal(rate // 10)
    clip[8 * rate] = 1.0
    parts = plan_parts(clip, rate, time_s=[0, 12], rpm=[800, 800], pump_ratio=1.1).split(clip, rate)
    assert all(np.isfinite(part).all() for _, part in parts.items())
    assert np.abs(parts.total() - clip).max() < 1e-5


@pytest.mark.parametrize("rate", [8000, 16000, 44100])
@pytest.mark.parametrize("speed", [{}, {"time_s": [0, 6], "rpm": [800, 800], "pump_ratio": 1.2}])
@pytest.mark.parametrize("kind", ["bursts", "click", "tone"])
def test_loud_beside_nothing_gives_numbers_without_a_warning(rate, speed, kind):
    rng = np.random.default_rng(5)
    time_s = np.arange(6 * rate) / rate
    clip = np.zeros(6 * rate, np.float32)
    if kind == "click":
        clip[3 * rate] = 1.0
    elif kind == "tone":
        clip[2 * rate : 4 * rate] = np.sin(2 * np.pi * 440.0 * time_s[: 2 * rate])
    else:
        gates = (time_s * 4.5 % 1.0 < 0.1) & (time_s > 1.0) & (time_s < 5.0)
        clip[gates] = rng.standard_normal(int(gates.sum()))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        parts = plan_parts(clip, rate, **speed).split(clip, rate)
    assert all(np.isfinite(part).all() for _, part in parts.items())
    assert np.abs(parts.total() - clip).max() < 1e-5 * np.abs(clip).max()


def ticking_and_chirping(seconds: float = 8.0, rate: int = 32000):
    """Injectors that tick four times a cycle, a chirp at 0.37 of the crank's pace, and noise; 780 rpm."""
    rng = np.random.default_rng(4)
    time_s = np.arange(round(seconds * rate)) / rate
    turns = time_s * 13.0

    def bursts(per_turn: float, hertz: float, length_s: float, late: float):
        since_s = ((turns * per_turn + late) % 1.0) / (per_turn * 13.0)
        shape = np.exp(-0.5 * ((since_s - 3.0 * length_s) / length_s) ** 2)
        return shape * np.sin(2.0 * np.pi * hertz * time_s)

    ticks = 0.2 * bursts(2.0, 5200.0, 0.0015, 0.1)
    chirp = 0.08 * bursts(0.37, 3300.0, 0.008, 0.4)
    hum = 0.3 * np.cos(2.0 * np.pi * 26.0 * time_s)
    others = ticks + hum + 0.01 * rng.standard_normal(len(time_s))
    return chirp.astype(np.float32), others.astype(np.float32), rate


@pytest.mark.parametrize("chirp_first", [True, False])
def test_what_ticks_in_every_cycle_is_no_chirp(chirp_first):
    chirp, others, rate = ticking_and_chirping()
    speed = {"time_s": [0.0, 8.0], "rpm": [780.0, 780.0]}
    plan = plan_parts(
        chirp + others, rate, **speed, squeal=not chirp_first, groan=False, chirp_first=chirp_first
    )
    assert gain_over_others_db(plan, "chirp", chirp, others, rate) > 25.0
    assert power(plan.split(chirp, rate).chirp) > 0.5 * power(chirp)


@pytest.mark.parametrize("rate", [2000, 3500, 8000])
def test_a_rate_that_holds_little_or_nothing_of_the_bursts_band_gives_a_sum_all_the_same(rate):
    sound = np.random.default_rng(1).standard_normal(3 * rate).astype(np.float32)
    parts = plan_parts(sound, rate).split(sound, rate)
    assert np.isfinite(parts.chirp).all()
    assert np.abs(parts.total() - sound).max() < 1e-5
