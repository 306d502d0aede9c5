"""The engine bay: draws a clip from its seed and keeps the truth beside it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from audiodiag.records import SYMPTOMS, FloatArray, read_only

from .accessories import healthy_parts
from .belt import draw_slip
from .codecs import encode, resample, through_codec
from .driving import Driving, draw_driving, draw_steering
from .engine import ENGINE_VARIANTS, engine_sound
from .phone import clip_hard_or_soft, gain_control, noise_suppression, path_kernel, phone_kernel
from .scene import Scene
from .settings import BaySettings, SimulatedClip, generator_for
from .signals import CONTROL_HZ, convolve, on_samples, pick, power, spans_of, uniform_log
from .surroundings import BACKGROUNDS, background
from .symptoms import SYMPTOM_VARIANTS, plant

__all__ = ["simulate", "write_clip"]

_TONAL = {"pump_whine", "belt_squeal", "belt_chirp", "relief_hiss"}
_ENDINGS = {"wav": ".wav", "flac": ".flac", "m4a": ".m4a", "opus": ".opus", "mp3": ".mp3", "3gp": ".3gp"}
_AUDIBLE_SHARE = 0.12
"""A symptom counts as sounding where its strength is above this share of its greatest."""


def simulate(seed: int, *, settings: BaySettings | None = None, keep_parts: bool = False) -> SimulatedClip:
    """Simulate one clip: the same seed and settings give the same samples, bit for bit.

    The clip is what the simulated phone's file decodes to, at its sampling rate.

    >>> clip = simulate(3, settings=BaySettings(duration_s=4.0, symptoms=(), codec="wav"))
    >>> clip.truth["symptoms"], len(clip.samples) / clip.sample_rate_hz
    ([], 4.0)
    """
    settings = settings or BaySettings()
    raw, rate, truth, parts = _recording(seed, settings)
    samples = through_codec(raw, rate, truth["codec"], truth["bit_rate"])
    kept = {name: read_only(part) for name, part in parts.items()} if keep_parts else None
    return SimulatedClip(read_only(samples), rate, truth, kept)


def write_clip(
    folder: Path | str, seed: int, settings: BaySettings | None = None, *, name: str | None = None
) -> Path:
    """Write NAME.<ending> and NAME.truth.json into ``folder`` (made where missing); give the sound's path."""
    raw, rate, truth, _ = _recording(seed, settings or BaySettings())
    target = Path(folder)
    target.mkdir(parents=True, exist_ok=True)
    stem = name or f"simulated_{seed:06d}"
    path = target / (stem + _ENDINGS[truth["codec"]])
    encode(raw, rate, path, truth["codec"], truth["bit_rate"], title=f"Simulated clip {stem}, seed {seed}")
    truth["file"] = path.name
    (target / f"{stem}.truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    return path


def _draw_symptoms(rng: np.random.Generator) -> tuple[str, ...]:
    how_many = int(rng.choice([0, 1, 2, 3], p=[0.3, 0.45, 0.18, 0.07]))
    drawn = rng.permutation(len(SYMPTOMS))[:how_many]
    return tuple(name for i, name in enumerate(SYMPTOMS) if i in drawn)


def _recording(
    seed: int, settings: BaySettings
) -> tuple[FloatArray, int, dict[str, Any], dict[str, FloatArray]]:
    rng = generator_for(seed, "clip")
    car_seed = seed if settings.car_seed is None else settings.car_seed
    car = generator_for(car_seed, "car")
    fixed = dict(settings.variants or {})

    cylinders = int(car.choice([3, 4, 5, 6, 8], p=[0.12, 0.55, 0.08, 0.17, 0.08]))
    ratio, belt_order = float(car.uniform(0.8, 1.75)), float(car.uniform(0.22, 0.65))
    vanes = int(car.choice([7, 8, 9, 10, 11, 12], p=[0.04, 0.13, 0.15, 0.45, 0.11, 0.12]))
    cylinders = settings.cylinders or cylinders
    ratio, belt_order = settings.pulley_ratio or ratio, settings.belt_order or belt_order
    vanes = settings.vanes or vanes

    duration = float(rng.uniform(6, 30)) if settings.duration_s is None else settings.duration_s
    duration = round(duration, 1)
    codec_drawn = pick(rng, {"m4a": 6, "opus": 2.5, "mp3": 1.2, "3gp": 0.8, "wav": 2, "flac": 0.3})
    codec = settings.codec or codec_drawn
    out_rate, bit_rate = _draw_format(rng, codec)
    out_rate = settings.sample_rate_hz or out_rate
    bit_rate = settings.bit_rate or bit_rate
    symptoms = _draw_symptoms(rng) if settings.symptoms is None else settings.symptoms
    hard = rng.random() < 0.33

    steering = draw_steering(generator_for(seed, "steering"), duration, settings)
    if "relief_hiss" in symptoms and settings.phases is None and not steering.at_stop.any():
        for again in range(1, 50):
            steering = draw_steering(generator_for(seed, f"steering {again}"), duration, settings)
            if steering.at_stop.any():
                break
    driving = draw_driving(
        generator_for(seed, "speed"), duration, settings, cylinders=cylinders, steering=steering
    )
    rate = 32000 if out_rate <= 32000 else out_rate
    n = round(duration * rate)
    turns = driving.turns_on_samples(n, rate)
    drive, slip_percent = None, None
    pump_turns = turns * ratio
    slip = np.zeros(len(driving.rpm))
    if "belt_squeal" in symptoms:
        drive, slip_percent = draw_slip(
            generator_for(car_seed, "car belt_squeal drive"),
            generator_for(seed, "belt_squeal drive"),
            driving,
        )
        slip = np.minimum(drive, 1.0) * slip_percent / 100
        lost = np.concatenate([[0.0], np.cumsum(slip[1:] * np.diff(driving.turns) * ratio)])
        pump_turns = pump_turns - np.interp(np.arange(n) / rate, driving.time_s, lost)
    scene = Scene(driving, turns, pump_turns, rate, cylinders, ratio, vanes, belt_order, drive)

    variants = {"engine": pick(generator_for(car_seed, "car variant"), ENGINE_VARIANTS, fixed.get("engine"))}
    details: dict[str, Any] = {}
    parts: dict[str, FloatArray] = {}
    room = _Room(generator_for(seed, "room"), rate, settings, hard)
    engine_car = generator_for(car_seed, "car engine")
    raw_engine = engine_sound(
        engine_car,
        generator_for(seed, "engine"),
        driving,
        turns,
        rate,
        cylinders=cylinders,
        variant=variants["engine"],
    )
    raw_engine *= np.float32(1 / np.sqrt(power(raw_engine) + 1e-20))
    accessories = healthy_parts(
        generator_for(car_seed, "car accessories"),
        generator_for(seed, "accessories"),
        scene,
        wanted=settings.accessories,
    )
    engine = room.bring(raw_engine + sum(accessories.values(), np.float32(0)), "engine")
    engine_power = power(engine)
    parts["engine"] = engine

    levels, spans = {}, {}
    for name in symptoms:
        variant = pick(
            generator_for(car_seed, f"car variant {name}"), SYMPTOM_VARIANTS[name], fixed.get(name)
        )
        planted = plant(
            name, generator_for(car_seed, f"car {name}"), generator_for(seed, name), scene, variant
        )
        level_rng = generator_for(seed, f"level {name}")
        level = level_rng.uniform(-16, 2) if name in _TONAL else level_rng.uniform(-18, 6)
        if settings.levels_db and name in settings.levels_db:
            level = settings.levels_db[name]
        sound = room.bring(planted.sound, name)
        active = planted.strength > _AUDIBLE_SHARE * max(float(np.max(planted.strength)), 1e-12)
        active_samples = on_samples(active.astype(float), n, rate) > 0.5
        now = float(np.mean(sound[active_samples] ** 2)) if active_samples.any() else 0.0
        if now <= 0:
            continue
        parts[name] = sound * np.float32(np.sqrt(engine_power * 10 ** (level / 10) / now))
        levels[name], spans[name] = round(float(level), 2), spans_of(active)
        variants[name] = variant
        details.update(planted.details)
    symptoms = tuple(name for name in symptoms if name in levels)

    ripple = generator_for(car_seed, "car healthy ripple")
    if "pump_whine" not in symptoms and ripple.random() < 0.6:
        faint = plant(
            "pump_whine",
            ripple,
            generator_for(seed, "healthy ripple"),
            scene,
            pick(ripple, SYMPTOM_VARIANTS["pump_whine"]),
        )
        sound = room.bring(faint.sound, "pump_whine")
        scale = np.sqrt(engine_power / (power(sound) + 1e-30)) * 10 ** (-ripple.uniform(22, 42) / 20)
        parts["healthy_ripple"] = sound * np.float32(scale)

    total = np.sum(list(parts.values()), axis=0)
    disturbances = room.disturbances
    surrounding = [name for name in disturbances if name in BACKGROUNDS]
    sur_rng = generator_for(seed, "surroundings")
    surround_db = settings.surroundings_db
    if surround_db is None:
        surround_db = sur_rng.uniform(-12, 0) if hard else sur_rng.uniform(-25, -12)
    for name in surrounding:
        sound = background(name, generator_for(seed, f"around {name}"), n, rate)
        share = 10 ** (surround_db / 20) / np.sqrt(len(surrounding))
        parts[f"around_{name}"] = sound * np.float32(np.sqrt(engine_power) * share)
        total = total + parts[f"around_{name}"]

    samples = _through_phone(generator_for(seed, "phone"), total, rate, out_rate, disturbances, hard)
    truth: dict[str, Any] = {
        "seed": seed,
        "simulated": True,
        "kind": "engine_bay",
        "file": None,
        "cylinders": cylinders,
        "pulley_ratio": round(ratio, 4),
        "vanes": vanes,
        "belt_order": round(belt_order, 4),
        "mode": driving.mode,
        "symptoms": list(symptoms),
        "level_db_re_engine": levels,
        "spans_s": spans,
        "steering": [[name, round(a, 3), round(b, 3)] for name, a, b in steering.spans],
        **_speed_truth(driving),
        "variants": variants,
        "codec": codec,
        "bit_rate": bit_rate,
        "slip_percent": round(float(np.max(slip)) * 100, 3) if "belt_squeal" in symptoms else None,
        "disturbances": list(disturbances),
        "accessories": sorted(accessories),
        "surroundings_db": round(float(surround_db), 1) if surrounding else None,
        "hard": bool(hard),
        "duration_s": duration,
        "sample_rate_hz": out_rate,
        "parts_rate_hz": rate,
        **details,
    }
    return samples, out_rate, truth, parts


def _speed_truth(driving: Driving) -> dict[str, list[float]]:
    step = CONTROL_HZ // 10
    rpm = driving.rpm
    means = [float(np.mean(rpm[max(0, i - step // 2) : i + step // 2 + 1])) for i in range(0, len(rpm), step)]
    times = [round(i / CONTROL_HZ, 1) for i in range(0, len(rpm), step)]
    return {"time_s": times, "rpm": [round(value, 1) for value in means]}


def _draw_format(rng: np.random.Generator, codec: str) -> tuple[int, int | None]:
    if codec == "3gp":
        return 8000, int(rng.choice([12_200, 12_200, 7_950, 4_750]))
    if codec == "opus":
        return int(rng.choice([16000, 48000, 48000])), int(uniform_log(rng, 12_000, 64_000))
    if codec == "mp3":
        return int(rng.choice([44100, 44100, 48000, 22050])), int(rng.choice([48, 64, 96, 128])) * 1000
    rate = int(rng.choice([16000, 22050, 32000, 44100, 44100, 48000, 48000]))
    return rate, int(uniform_log(rng, 32_000, 128_000)) if codec == "m4a" else None


class _Room:
    """The yard or garage: a way to the microphone for each source, and which disturbances there are."""

    def __init__(self, rng: np.random.Generator, rate: int, settings: BaySettings, hard: bool) -> None:
        self.rate = rate
        drawn = [name for name in BACKGROUNDS if rng.random() < (0.22 if hard else 0.08)]
        if rng.random() < (0.6 if hard else 0.35):
            drawn.append("room")
        for name, often in (("gain_control", 0.4), ("noise_suppression", 0.18), ("clipping", 0.12)):
            if rng.random() < often * (1.3 if hard else 0.7):
                drawn.append(name)
        self.disturbances = tuple(drawn if settings.disturbances is None else settings.disturbances)
        self.tail_s = rng.uniform(0.15, 0.9)
        self.wet = rng.uniform(0.1, 0.9) if "room" in self.disturbances else 0.0
        self._seed = int(rng.integers(1 << 31))

    def bring(self, sound: FloatArray, name: str) -> FloatArray:
        """Bring a source to the microphone."""
        rng = generator_for(self._seed, name)
        tail = self.tail_s if self.wet else 0.02
        return convolve(sound, path_kernel(rng, self.rate, tail_s=tail, wet=self.wet))


def _through_phone(
    rng: np.random.Generator,
    total: FloatArray,
    rate: int,
    out_rate: int,
    disturbances: tuple[str, ...],
    hard: bool,
) -> FloatArray:
    high_pass = uniform_log(rng, 25, 120) if rng.random() < 0.6 else uniform_log(rng, 120, 350)
    kernel = phone_kernel(rng, rate, high_pass_hz=high_pass, rough_db=rng.uniform(1, 5 if hard else 3))
    samples = convolve(total, kernel)
    floor = 10 ** (-rng.uniform(38, 70) / 20) * np.sqrt(power(samples))
    samples += np.float32(floor) * rng.standard_normal(len(samples), dtype=np.float32)
    if "clipping" in disturbances:
        samples = clip_hard_or_soft(rng, samples)
    if "noise_suppression" in disturbances:
        samples = noise_suppression(rng, samples, rate)
    if "gain_control" in disturbances:
        samples = gain_control(rng, samples, rate)
    samples = resample(samples, rate, out_rate)
    peak = float(np.max(np.abs(samples))) + 1e-12
    return np.asarray(samples * np.float32(10 ** (-rng.uniform(0.5, 20) / 20) / peak), np.float32)
