"""Simulated pairs: one car recorded before and after, with another phone, codec, distance, gain and speed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audiodiag.records import SYMPTOMS, Clip
from audiodiag.simulation import BaySettings, SimulatedClip, simulate

GONE = float("-inf")
CHANGES_DB: tuple[float, ...] = (0.0, -3.0, -6.0, -12.0, GONE)
TONAL = ("pump_whine", "belt_squeal", "belt_chirp")
STEERING = (
    ("centre", 2.4),
    ("turning", 1.3),
    ("stop", 1.3),
    ("turning", 1.8),
    ("stop", 1.3),
    ("turning", 1.0),
    ("centre", 1.4),
)
"""What the wheel does in every recording, as far as the driver's hands keep to it (seconds)."""
CODINGS: tuple[tuple[str, int, int | None], ...] = (
    ("m4a", 44100, 48_000),
    ("m4a", 48000, 64_000),
    ("m4a", 48000, 96_000),
    ("m4a", 44100, 128_000),
    ("opus", 48000, 24_000),
    ("opus", 48000, 32_000),
    ("opus", 48000, 64_000),
    ("mp3", 44100, 96_000),
    ("mp3", 44100, 128_000),
    ("wav", 44100, None),
    ("wav", 32000, None),
    ("flac", 48000, None),
)


@dataclass(frozen=True, eq=False)
class Pair:
    """Two sides of one simulated car; ``change_db``: how far the symptom's level re engine really moved."""

    seed: int
    symptom: str
    change_db: float
    level_db: float
    before: tuple[BaySettings, ...]
    after: tuple[BaySettings, ...]


def draw_pair(seed: int, *, recordings: int = 1) -> Pair:
    """Draw a pair; symptom and change go round so that thirty seeds in a row hold each combination once."""
    symptom = SYMPTOMS[seed % len(SYMPTOMS)]
    change = CHANGES_DB[seed // len(SYMPTOMS) % len(CHANGES_DB)]
    rng = np.random.default_rng([seed, 77])
    level = float(rng.uniform(-7.0, 1.0) if symptom in TONAL else rng.uniform(-3.0, 4.0))
    idle = float(rng.uniform(680.0, 950.0))
    sides = []
    for side, what in enumerate((level, level + change)):
        coding = CODINGS[int(rng.integers(len(CODINGS)))]
        phone = int(rng.integers(1, 2**31))
        speed = idle * (float(rng.uniform(0.88, 1.12)) if side else 1.0)
        around = [name for name, often in (("room", 0.4), ("street", 0.5)) if rng.random() < often]
        around += ["gain_control"] if rng.random() < 0.5 else []
        away = float(rng.uniform(-25.0, -10.0))
        one = []
        for _ in range(recordings):
            now, phases = 0.0, []
            for name, length in STEERING:
                end = now + length * float(rng.uniform(0.8, 1.2))
                phases.append((name, now, end))
                now = end
            one.append(
                BaySettings(
                    symptoms=(symptom,) if np.isfinite(what) else (),
                    levels_db={symptom: what} if np.isfinite(what) else None,
                    mode="idle",
                    idle_rpm=speed,
                    duration_s=round(now, 1),
                    phases=tuple(phases),
                    codec=coding[0],
                    sample_rate_hz=coding[1],
                    bit_rate=coding[2],
                    disturbances=tuple(around),
                    surroundings_db=away,
                    car_seed=seed,
                    phone_seed=phone,
                )
            )
        sides.append(tuple(one))
    return Pair(seed, symptom, change, level, sides[0], sides[1])


def recorded(pair: Pair) -> tuple[list[SimulatedClip], list[SimulatedClip]]:
    """Simulate the recordings of both sides."""
    first = pair.seed * 100
    return (
        [simulate(first + i, settings=settings) for i, settings in enumerate(pair.before)],
        [simulate(first + 50 + i, settings=settings) for i, settings in enumerate(pair.after)],
    )


def as_clip(made: SimulatedClip, name: str) -> Clip:
    """Give the simulated clip as if it had been read from a file."""
    return Clip(made.samples, made.sample_rate_hz, f"{name} (simulated)", name, str(made.truth["codec"]))
