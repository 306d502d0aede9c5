"""Simulated bleeds: one car, the wheel from lock to lock again and again, the groan of air fading by a
schedule."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audiodiag.clip import assess_quality
from audiodiag.comparison.bleed import BleedWatch, watch_bleed
from audiodiag.records import (
    SYMPTOMS,
    Analysis,
    Clip,
    FloatArray,
    PhaseName,
    Phases,
    PhaseSpan,
    SpeedTrace,
    SymptomFinding,
    Verdict,
)
from audiodiag.simulation import BaySettings, simulate
from audiodiag.simulation.phone import gain_control

CYCLE: tuple[tuple[PhaseName, float], ...] = (
    ("turning", 1.1),
    ("stop", 0.7),
    ("turning", 1.1),
    ("stop", 0.7),
    ("centre", 1.0),
)
"""One cycle, seconds: to one lock, to the other, a moment at rest."""
BLED = 0.05
"""Share of the air from which on the fluid counts as bled."""


@dataclass(frozen=True)
class BleedResult:
    """truth: the second cycle (from 1) of those with all air out. said: when the watch said done, None
    if never."""

    seed: int
    truth: int
    said: int | None
    air_left_when_said: float
    watch: BleedWatch


def air_schedule(rng: np.random.Generator, cycles: int) -> FloatArray:
    """Share of the first cycle's air in each: falling evenly, by halves, or with a stay on the way."""
    out_after = int(rng.integers(3, cycles - 3))
    way = int(rng.integers(3))
    air = np.zeros(cycles)
    course = np.arange(out_after) / out_after
    if way == 0:
        air[:out_after] = 1.0 - course
    elif way == 1:
        air[:out_after] = 0.06**course
    else:
        stay = float(rng.uniform(0.35, 0.6))
        air[:out_after] = np.where(course < 0.25, 1.0, stay)
    return air


def bleed_clip(seed: int, cycles: int = 9) -> tuple[Analysis, FloatArray]:
    """Make one simulated bleeding as an analysed recording, and the air left in each cycle."""
    rng = np.random.default_rng([seed, 55])
    phases: list[tuple[PhaseName, float, float]] = []
    now, starts = 0.0, []
    for _ in range(cycles):
        starts.append(now)
        for name, length in CYCLE:
            end = now + length * float(rng.uniform(0.85, 1.15))
            phases.append((name, now, end))
            now = end
    duration = round(now, 1)
    settings = BaySettings(
        symptoms=("cavitation_groan",),
        levels_db={"cavitation_groan": float(rng.uniform(-2.0, 5.0))},
        mode="idle",
        duration_s=duration,
        sample_rate_hz=22050,
        codec="wav",
        disturbances=("street",) if rng.random() < 0.4 else (),
        surroundings_db=float(rng.uniform(-28.0, -16.0)),
        phases=tuple(phases),
        car_seed=seed,
    )
    made = simulate(seed, settings=settings, keep_parts=True)
    assert made.parts is not None
    air = air_schedule(rng, cycles)
    rate = int(made.truth["parts_rate_hz"])
    count = len(made.parts["engine"])
    time_s = np.arange(count) / rate
    edges = np.array([*starts, duration])
    middle = (edges[:-1] + edges[1:]) / 2
    left = np.interp(time_s, middle, air)
    left = np.where(time_s < edges[1], air[0], left)
    for i in range(cycles):
        inside = (time_s >= edges[i] + 0.25) & (time_s < edges[i + 1])
        left[inside] = air[i]
    sound = np.sum(
        [part * (np.sqrt(left) if name == "cavitation_groan" else 1.0) for name, part in made.parts.items()],
        axis=0,
    ).astype(np.float32)
    sound += np.float32(0.003 * np.sqrt(np.mean(sound**2))) * rng.standard_normal(count, dtype=np.float32)
    if rng.random() < 0.4:
        sound = gain_control(rng, sound, rate)
    sound *= np.float32(0.5 / np.abs(sound).max())
    clip = Clip(sound, rate, f"bleed {seed} (simulated)", f"bleed {seed}", "pcm_s16le")
    truth_s, truth_rpm = np.array(made.truth["time_s"]), np.array(made.truth["rpm"])
    speed = SpeedTrace(
        "table", 0.95, truth_s, truth_rpm, truth_rpm * 0.99, truth_rpm * 1.01, np.ones(len(truth_s)),
        cylinders=made.truth["cylinders"],
    )  # fmt: skip
    spans = tuple(PhaseSpan(*span) for span in phases)
    found = tuple(SymptomFinding(name, 0.0, None, (), ()) for name in SYMPTOMS)
    analysis = Analysis(
        clip, assess_quality(clip), speed, Phases("marked", spans, 0.95), found, Verdict("symptoms", ""),
        (), (), (), {"none": 0.0},
    )  # fmt: skip
    return analysis, air


def bleed_result(seed: int, cycles: int = 9) -> BleedResult:
    """Watch one simulated bleeding."""
    analysis, air = bleed_clip(seed, cycles)
    watch = watch_bleed([analysis])
    first_out = int(np.flatnonzero(air <= BLED)[0])
    said = watch.done_at
    return BleedResult(seed, first_out + 2, said, float(air[said - 1]) if said else 0.0, watch)
