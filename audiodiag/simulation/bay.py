"""The engine bay: makes a clip from its seed and keeps the truth beside it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from audiodiag.records import FloatArray, read_only

from .accessories import ACCESSORIES, healthy_parts
from .codecs import encode, through_codec
from .driving import Driving
from .engine import ENGINE_VARIANTS, engine_sound
from .plan import Plan, draw_plan
from .scene import Scene, unit
from .settings import BaySettings, SimulatedClip, allowed_names, generator_for
from .signals import CONTROL_HZ, pick, power, spans_of
from .symptoms import SYMPTOM_VARIANTS, plant
from .yard import Yard

__all__ = ["simulate", "write_clip"]

_TONAL = frozenset({"pump_whine", "belt_squeal", "belt_chirp", "relief_hiss"})
_AUDIBLE_SHARE = 0.12
"""A symptom counts as sounding where its strength is above this share of its greatest."""
_FAINT_OFTEN = 0.6
"""Share of cars without a whining pump whose healthy pump can be heard faintly."""


def simulate(seed: int, *, settings: BaySettings | None = None, keep_parts: bool = False) -> SimulatedClip:
    """Simulate one clip: the same seed and settings give the same samples, bit for bit.

    The clip is what the simulated phone's file decodes to, at its sampling rate. ``keep_parts`` keeps each
    source as it reaches the microphone: "engine" (with its healthy accessories), each symptom by its name,
    "healthy_ripple" and "around_..." for the surroundings.

    The level of a symptom is its power over its active time relative to the engine's power over the clip.

    >>> clip = simulate(3, settings=BaySettings(duration_s=4.0, symptoms=(), codec="wav"))
    >>> clip.truth["symptoms"], len(clip.samples) / clip.sample_rate_hz
    ([], 4.0)
    """
    made = _make(seed, settings or BaySettings())
    rate = made.plan.sample_rate_hz
    plan = made.plan
    samples = through_codec(made.samples, rate, plan.codec, plan.bit_rate, quick=plan.quick_encoder)
    kept = {name: read_only(part) for name, part in made.parts.items()} if keep_parts else None
    return SimulatedClip(read_only(samples), rate, made.truth, kept)


def write_clip(
    folder: Path | str, seed: int, settings: BaySettings | None = None, *, name: str | None = None
) -> Path:
    """Write NAME.<codec> and NAME.truth.json into ``folder`` (made where missing); give the sound's path.

    The title in the file's metadata says that the clip is simulated.
    """
    made = _make(seed, settings or BaySettings())
    target = Path(folder)
    target.mkdir(parents=True, exist_ok=True)
    stem = name or f"simulated_{seed:06d}"
    title = f"Simulated clip {stem}, seed {seed}"
    path = target / f"{stem}.{made.plan.codec}"
    plan = made.plan
    rate, quick = plan.sample_rate_hz, plan.quick_encoder
    encode(made.samples, rate, path, plan.codec, plan.bit_rate, title=title, quick=quick)
    truth = {**made.truth, "file": path.name}
    (target / f"{stem}.truth.json").write_text(json.dumps(truth) + "\n", encoding="utf-8")
    return path


@dataclass(frozen=True, eq=False)
class _Made:
    plan: Plan
    samples: FloatArray
    truth: dict[str, Any]
    parts: dict[str, FloatArray]


def _make(seed: int, settings: BaySettings) -> _Made:
    allowed_names("healthy part", settings.accessories or (), ACCESSORIES)
    variants = {"engine": ENGINE_VARIANTS, **SYMPTOM_VARIANTS}
    for source, variant in (settings.variants or {}).items():
        allowed_names("source of sound", (source,), variants)
        allowed_names(f"variant of {source}", (variant,), variants[source])
    plan = draw_plan(seed, settings)
    yard = Yard(plan, settings)
    turns = plan.turns()
    scene = Scene(
        driving=plan.driving,
        turns=turns,
        pump_turns=plan.pump_turns(turns),
        rate=plan.working_rate_hz,
        cylinders=plan.cylinders,
        pulley_ratio=plan.pulley_ratio,
        vanes=plan.vanes,
        belt_order=plan.belt_order,
        squeal_drive=plan.squeal_drive,
    )
    fixed = settings.variants or {}
    engine_variant = pick(
        generator_for(plan.car_seed, "variant engine"), ENGINE_VARIANTS, fixed.get("engine")
    )
    accessories = healthy_parts(
        generator_for(plan.car_seed, "accessories"),
        generator_for(seed, "accessories now"),
        scene,
        wanted=settings.accessories,
    )
    alone = engine_sound(
        generator_for(plan.car_seed, "engine"),
        generator_for(seed, "engine now"),
        plan.driving,
        turns,
        scene.rate,
        cylinders=plan.cylinders,
        variant=engine_variant,
    )
    engine = yard.bring(sum(accessories.values(), unit(alone)), "engine")
    engine_power = power(engine)
    parts = {"engine": engine}
    found = _Truths({}, {}, {"engine": engine_variant}, {})
    for name in plan.symptoms:
        sound = _planted(name, plan, scene, yard, settings, engine_power, found)
        if sound is not None:
            parts[name] = sound
    faint = _healthy_ripple(plan, scene, yard, engine_power)
    if faint is not None and "pump_whine" not in parts:
        parts["healthy_ripple"] = faint
    for name, sound in yard.surroundings(engine_power).items():
        parts[f"around_{name}"] = sound
    samples = yard.record(np.sum(list(parts.values()), axis=0, dtype=np.float32))
    return _Made(plan, samples, _truth(plan, yard, found, sorted(accessories)), parts)


@dataclass(frozen=True)
class _Truths:
    levels: dict[str, float]
    spans: dict[str, list[list[float]]]
    variants: dict[str, str]
    details: dict[str, float]


def _planted(
    name: str,
    plan: Plan,
    scene: Scene,
    yard: Yard,
    settings: BaySettings,
    engine_power: float,
    found: _Truths,
) -> FloatArray | None:
    """Make one symptom at the microphone at its level, or None where it has no occasion to sound."""
    fixed = (settings.variants or {}).get(name)
    variant = pick(generator_for(plan.car_seed, f"variant {name}"), SYMPTOM_VARIANTS[name], fixed)
    planted = plant(
        name, generator_for(plan.car_seed, name), generator_for(plan.seed, f"{name} now"), scene, variant
    )
    rng = generator_for(plan.seed, f"level {name}")
    level = float(rng.uniform(-16, 2) if name in _TONAL else rng.uniform(-18, 6))
    level = (settings.levels_db or {}).get(name, level)
    sound = yard.bring(planted.sound, name)
    active = planted.strength > _AUDIBLE_SHARE * max(float(np.max(planted.strength)), 1e-12)
    spans = spans_of(active, longest_s=plan.duration_s)
    now = _power_within(sound, spans, scene.rate)
    if now <= 0:
        return None
    found.levels[name] = round(level, 2)
    found.spans[name] = spans
    found.variants[name] = variant
    found.details.update(planted.details)
    return sound * np.float32(np.sqrt(engine_power * 10 ** (level / 10) / now))


def _power_within(sound: FloatArray, spans: list[list[float]], rate: int) -> float:
    if not spans:
        return 0.0
    return power(np.concatenate([sound[round(a * rate) : round(b * rate)] for a, b in spans]))


def _healthy_ripple(plan: Plan, scene: Scene, yard: Yard, engine_power: float) -> FloatArray | None:
    """The faint ripple of a pump in good order, 22 dB or more below the engine."""
    car = generator_for(plan.car_seed, "healthy ripple")
    if car.random() > _FAINT_OFTEN:
        return None
    variant = pick(car, SYMPTOM_VARIANTS["pump_whine"])
    faint = plant("pump_whine", car, generator_for(plan.seed, "healthy ripple now"), scene, variant)
    return unit(yard.bring(faint.sound, "pump_whine")) * np.float32(
        np.sqrt(engine_power) * 10 ** (-car.uniform(22, 42) / 20)
    )


def _truth(plan: Plan, yard: Yard, found: _Truths, accessories: list[str]) -> dict[str, Any]:
    return {
        "seed": plan.seed,
        "simulated": True,
        "kind": "engine_bay",
        "file": None,
        "cylinders": plan.cylinders,
        "pulley_ratio": round(plan.pulley_ratio, 4),
        "vanes": plan.vanes,
        "belt_order": round(plan.belt_order, 4),
        "mode": plan.driving.mode,
        "symptoms": list(found.levels),
        "level_db_re_engine": found.levels,
        "spans_s": found.spans,
        "steering": [[name, round(a, 3), round(b, 3)] for name, a, b in plan.steering.spans],
        **_speed_truth(plan.driving),
        "variants": found.variants,
        "codec": plan.codec,
        "bit_rate": plan.bit_rate,
        "quick_encoder": plan.quick_encoder,
        "slip_percent": round(float(np.max(plan.slip)) * 100, 3) if "belt_squeal" in found.levels else None,
        "creep_percent": round(plan.creep_percent, 3),
        "disturbances": list(yard.disturbances),
        "surroundings_db": round(yard.surroundings_db, 1) if yard.surrounded else None,
        "accessories": accessories,
        "high_pass_hz": round(yard.high_pass_hz, 1),
        "hard": plan.hard,
        "duration_s": plan.duration_s,
        "sample_rate_hz": plan.sample_rate_hz,
        "parts_rate_hz": plan.working_rate_hz,
        **{name: round(value, 4) for name, value in found.details.items()},
    }


def _speed_truth(driving: Driving) -> dict[str, list[float]]:
    """Mean speed around every tenth of a second."""
    step = CONTROL_HZ // 10
    half = step // 2
    centres = range(0, len(driving.rpm), step)
    means = [float(np.mean(driving.rpm[max(0, i - half) : i + half + 1])) for i in centres]
    return {
        "time_s": [round(i / CONTROL_HZ, 1) for i in centres],
        "rpm": [round(value, 1) for value in means],
    }
