"""Simulated pairs: one car recorded before and after, with another phone, codec, distance, gain and speed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from unittest import mock

import numpy as np

from audiodiag.records import SYMPTOMS, Clip
from audiodiag.simulation import BaySettings, SimulatedClip, bay, simulate, through_codec
from audiodiag.simulation.plan import Plan, draw_plan
from audiodiag.simulation.yard import Yard
from tests.comparison.truth import moves_db

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
    """Two sides of one simulated car; ``change_db``: how far the symptom's level re engine really moved.

    places: for every recording of both sides, where the phone lay, as a seed; empty where each phone has its
    own place.
    """

    seed: int
    symptom: str
    change_db: float
    level_db: float
    before: tuple[BaySettings, ...]
    after: tuple[BaySettings, ...]
    places: tuple[tuple[int, ...], ...] = ()


def draw_pair(seed: int, *, recordings: int = 1, alike: bool = False) -> Pair:
    """Draw a pair; symptom and change go round so that thirty seeds in a row hold each combination once.

    ``alike``: both sides with one phone at one place, coded alike, in the same yard, as a workshop can have
    it; only the engine's speed and the manoeuvre differ.
    """
    symptom = SYMPTOMS[seed % len(SYMPTOMS)]
    change = CHANGES_DB[seed // len(SYMPTOMS) % len(CHANGES_DB)]
    rng = np.random.default_rng([seed, 77])
    level = float(rng.uniform(-7.0, 1.0) if symptom in TONAL else rng.uniform(-3.0, 4.0))
    idle = float(rng.uniform(680.0, 950.0))
    sides = []
    kept: tuple[tuple[str, int, int | None], int, list[str], float] | None = None
    for side, what in enumerate((level, level + change)):
        coding = CODINGS[int(rng.integers(len(CODINGS)))]
        phone = int(rng.integers(1, 2**31))
        speed = idle * (float(rng.uniform(0.88, 1.12)) if side else 1.0)
        around = [name for name, often in (("room", 0.4), ("street", 0.5)) if rng.random() < often]
        around += ["gain_control"] if rng.random() < 0.5 else []
        away = float(rng.uniform(-25.0, -10.0))
        if alike:
            coding, phone, around, away = kept = kept or (coding, phone, around, away)
        one = []
        for _ in range(recordings):
            phases = steered(rng)
            one.append(
                BaySettings(
                    symptoms=(symptom,) if np.isfinite(what) else (),
                    levels_db={symptom: what} if np.isfinite(what) else None,
                    mode="idle",
                    idle_rpm=speed,
                    duration_s=round(phases[-1][2], 1),
                    phases=phases,
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


def steered(rng: np.random.Generator) -> tuple[tuple[str, float, float], ...]:
    """Draw what the wheel does in one recording: spans of phases, in seconds."""
    now, phases = 0.0, []
    for name, length in STEERING:
        end = now + length * float(rng.uniform(0.8, 1.2))
        phases.append((name, now, end))
        now = end
    return tuple(phases)


def recorded(pair: Pair) -> tuple[list[SimulatedClip], list[SimulatedClip]]:
    """Simulate the recordings of both sides, with the symptom moved by exactly ``pair.change_db``.

    See :mod:`tests.comparison.truth` for what that means.
    """
    first = pair.seed * 100
    places = pair.places or ((None,) * len(pair.before), (None,) * len(pair.after))
    sides = tuple(
        [made_of(start + i, one, place) for i, (one, place) in enumerate(zip(side, lay, strict=True))]
        for start, side, lay in zip((first, first + 50), (pair.before, pair.after), places, strict=True)
    )
    moves = moves_db(pair.symptom, [[one.made for one in side] for side in sides], pair.change_db)
    return (
        [one.again(pair.symptom, move) for one, move in zip(sides[0], moves[0], strict=True)],
        [one.again(pair.symptom, move) for one, move in zip(sides[1], moves[1], strict=True)],
    )


class PlacedYard(Yard):
    """A yard in which the ways to the microphone and the room are drawn of the place, not of the phone."""

    def __init__(self, plan: Plan, settings: BaySettings, *, place: int) -> None:
        super().__init__(plan, settings)
        there = Yard(replace(plan, phone_seed=place), settings)
        self._tail_s, self._wet, self.bring = there._tail_s, there._wet, there.bring  # type: ignore[method-assign]


@dataclass(frozen=True, eq=False)
class Made:
    """A simulated recording whose sources can be mixed and recorded again."""

    settings: BaySettings
    made: SimulatedClip

    def again(self, symptom: str, move_db: float) -> SimulatedClip:
        """Record the same moment with one symptom moved by so many dB."""
        made = self.made
        assert made.parts is not None
        plan = draw_plan(int(made.truth["seed"]), self.settings)
        gain = {symptom: np.float32(10.0 ** (move_db / 20.0))}
        sounds = [gain.get(name, np.float32(1.0)) * part for name, part in made.parts.items()]
        total = np.asarray(np.sum(sounds, axis=0, dtype=np.float32))
        samples = Yard(plan, self.settings).record(total)
        heard = through_codec(
            samples, plan.sample_rate_hz, plan.codec, plan.bit_rate, quick=plan.quick_encoder
        )
        return replace(made, samples=heard, parts=None)


def made_of(seed: int, settings: BaySettings, place: int | None = None) -> Made:
    """Simulate one recording and keep its sources; ``place``: where the phone lay, as a seed."""
    yard = Yard if place is None else partial(PlacedYard, place=place)
    with mock.patch.object(bay, "Yard", yard):
        return Made(settings, simulate(seed, settings=settings, keep_parts=True))


def as_clip(made: SimulatedClip, name: str) -> Clip:
    """Give the simulated clip as if it had been read from a file."""
    return Clip(made.samples, made.sample_rate_hz, f"{name} (simulated)", name, str(made.truth["codec"]))
