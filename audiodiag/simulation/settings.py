"""What a caller may fix about a simulated clip, and what comes back: everything left None is drawn."""

from __future__ import annotations

import zlib
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from audiodiag.errors import UsageError
from audiodiag.records import PHASES, SYMPTOMS, FloatArray

__all__ = [
    "CODECS",
    "DISTURBANCES",
    "MODES",
    "BaySettings",
    "SimulatedClip",
    "allowed_names",
    "generator_for",
]

MODES: tuple[str, ...] = (
    "idle",
    "cold_idle",
    "raised",
    "blips",
    "run_up",
    "coast_down",
    "idle_then_raised",
)
"""What the engine speed does."""

CODECS: tuple[str, ...] = ("wav", "flac", "m4a", "opus", "mp3", "3gp")
"""File endings that can be written."""

DISTURBANCES: tuple[str, ...] = (
    "room",
    "street",
    "wind",
    "rain",
    "passing_car",
    "speech",
    "music",
    "chimes",
    "bumps",
    "hum",
    "birds",
    "hand",
    "gain_control",
    "noise_suppression",
    "clipping",
)
"""What else gets into the recording, or is done to it by the phone."""


@dataclass(frozen=True)
class BaySettings:
    """What the caller fixes; None is drawn from the seed.

    Attributes
    ----------
    symptoms:
        Names out of ``records.SYMPTOMS``; empty for a healthy car.
    levels_db:
        Per symptom, its power over its active time relative to the engine's power over the clip.
    mode:
        One of ``MODES``.
    cylinders, pulley_ratio, vanes, belt_order:
        The car: belt order is belt passes a crank turn.
    idle_rpm:
        Speed that the mode starts from.
    duration_s, sample_rate_hz, codec, bit_rate:
        Of the recording; the duration is rounded to a tenth of a second.
    quick_encoder:
        Whether the phone encodes AAC by the quick search.
    variants:
        Per source ("engine", "pump_whine", ...), the name of its structural variant.
    disturbances:
        Names out of ``DISTURBANCES``; empty for none.
    phases:
        (phase, start_s, end_s) spans of the steering from 0 to the end.
    surroundings_db:
        Power of the surroundings relative to the engine.
    accessories:
        Names out of ``accessories.ACCESSORIES``: which healthy parts sound besides the engine.
    car_seed:
        Fixes the character of engine, pump and belt, so that several clips are of one car.
    phone_seed:
        Fixes the phone, where it is held and the yard, so that clips can be compared.
    """

    symptoms: tuple[str, ...] | None = None
    levels_db: Mapping[str, float] | None = None
    mode: str | None = None
    cylinders: int | None = None
    pulley_ratio: float | None = None
    vanes: int | None = None
    belt_order: float | None = None
    idle_rpm: float | None = None
    duration_s: float | None = None
    sample_rate_hz: int | None = None
    codec: str | None = None
    bit_rate: int | None = None
    quick_encoder: bool | None = None
    variants: Mapping[str, str] | None = None
    disturbances: tuple[str, ...] | None = None
    phases: tuple[tuple[str, float, float], ...] | None = None
    surroundings_db: float | None = None
    accessories: tuple[str, ...] | None = None
    car_seed: int | None = None
    phone_seed: int | None = None

    def __post_init__(self) -> None:
        allowed_names("symptom", self.symptoms or (), SYMPTOMS)
        allowed_names("symptom level", tuple(self.levels_db or ()), SYMPTOMS)
        allowed_names("speed mode", (self.mode,) if self.mode is not None else (), MODES)
        allowed_names("codec", (self.codec,) if self.codec is not None else (), CODECS)
        allowed_names("disturbance", self.disturbances or (), DISTURBANCES)
        allowed_names("steering phase", tuple(span[0] for span in self.phases or ()), PHASES)


def allowed_names(kind: str, names: Iterable[str], allowed: Collection[str]) -> None:
    """Raise UsageError for the first name that is not allowed."""
    for name in names:
        if name not in allowed:
            raise UsageError(
                f"unknown {kind} for a simulated clip",
                got=repr(name),
                allowed=", ".join(allowed),
                todo="use one of these names",
            )


@dataclass(frozen=True, eq=False)
class SimulatedClip:
    """A simulated clip and the truth about it.

    samples: float32, shape (n,), full scale 1, as decoded from the simulated phone's file.
    ``truth`` is plain data (ready for JSON). ``parts``: each source's contribution at the microphone before
    the phone's processing, shape (m,) each at ``truth["parts_rate_hz"]``, or None.
    """

    samples: FloatArray
    sample_rate_hz: int
    truth: dict[str, Any]
    parts: dict[str, FloatArray] | None = field(default=None)


def generator_for(seed: int, purpose: str) -> np.random.Generator:
    """Give the random generator of one purpose, so that fixing one thing leaves the others as drawn.

    >>> float(generator_for(1, "engine").random()) == float(generator_for(1, "engine").random())
    True
    """
    return np.random.default_rng([seed, zlib.crc32(purpose.encode())])
