"""What a clip will be: the car, the recording, the steering and the speed, drawn before any sound is made."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audiodiag.records import SYMPTOMS, FloatArray

from .belt import draw_slip
from .codecs import is_quick
from .driving import Driving, Steering, draw_driving, draw_steering
from .settings import BaySettings, generator_for
from .signals import pick, uniform_log

__all__ = ["Plan", "draw_plan"]

_HARD_SHARE = 0.33


@dataclass(frozen=True, eq=False)
class Plan:
    """A clip before its sound. ``slip``: share of the pump's turns lost, shape (m,) on the control grid."""

    seed: int
    car_seed: int
    phone_seed: int
    cylinders: int
    pulley_ratio: float
    vanes: int
    belt_order: float
    duration_s: float
    codec: str
    bit_rate: int | None
    quick_encoder: bool
    sample_rate_hz: int
    working_rate_hz: int
    symptoms: tuple[str, ...]
    hard: bool
    driving: Driving
    squeal_drive: FloatArray | None
    slip: FloatArray
    creep_percent: float

    @property
    def steering(self) -> Steering:
        """What was done with the wheel."""
        return self.driving.steering

    @property
    def samples(self) -> int:
        """Samples at the working rate."""
        return round(self.duration_s * self.working_rate_hz)

    def turns(self) -> FloatArray:
        """Crank turns, shape (n,)."""
        return self.driving.turns_on_samples(self.samples, self.working_rate_hz)

    def pump_turns(self, turns: FloatArray) -> FloatArray:
        """Pump turns, shape (n,): the pulley ratio less creep under load and slip while the belt squeals."""
        driving = self.driving
        lost = self.slip + self.creep_percent / 100 * driving.steering.load
        total = np.concatenate([[0.0], np.cumsum(lost[1:] * np.diff(driving.turns) * self.pulley_ratio)])
        time = np.arange(self.samples) / self.working_rate_hz
        return turns * self.pulley_ratio - np.interp(time, driving.time_s, total)


def draw_plan(seed: int, settings: BaySettings) -> Plan:
    """Draw all that settings leave open; fixing one thing leaves the other draws as they were."""
    rng = generator_for(seed, "clip")
    car_seed = seed if settings.car_seed is None else settings.car_seed
    car = generator_for(car_seed, "car")
    cylinders = int(car.choice([3, 4, 5, 6, 8], p=[0.12, 0.55, 0.08, 0.17, 0.08]))
    ratio, belt_order = float(car.uniform(0.8, 1.75)), float(car.uniform(0.22, 0.65))
    vanes = int(car.choice([7, 8, 9, 10, 11, 12], p=[0.04, 0.13, 0.15, 0.45, 0.11, 0.12]))
    creep = 0.0 if car.random() < 0.4 else float(car.uniform(0, 0.6))
    cylinders = settings.cylinders or cylinders

    drawn_duration = uniform_log(rng, 4, 30)
    duration = round(drawn_duration if settings.duration_s is None else settings.duration_s, 1)
    drawn_codec = pick(rng, {"m4a": 6, "opus": 2.5, "mp3": 1.2, "3gp": 0.8, "wav": 2, "flac": 0.3})
    codec = settings.codec or drawn_codec
    hard = bool(rng.random() < _HARD_SHARE)
    drawn_symptoms = _draw_symptoms(rng)
    rate, bit_rate = _draw_format(rng, codec, hard)
    rate = settings.sample_rate_hz or rate
    symptoms = drawn_symptoms if settings.symptoms is None else settings.symptoms

    steering = draw_steering(generator_for(seed, "steering"), duration, settings)
    if "relief_hiss" in symptoms and settings.phases is None:
        again = 0
        while not steering.at_stop.any() and again < 50:
            again += 1
            steering = draw_steering(generator_for(seed, f"steering {again}"), duration, settings)
    driving = draw_driving(
        generator_for(seed, "speed"), duration, settings, cylinders=cylinders, steering=steering
    )
    drive, slip = None, np.zeros(len(driving.rpm))
    if "belt_squeal" in symptoms:
        drive, greatest = draw_slip(generator_for(car_seed, "car slip"), generator_for(seed, "slip"), driving)
        slip = np.minimum(drive, 1.0) * greatest / 100
    return Plan(
        seed=seed,
        car_seed=car_seed,
        phone_seed=seed if settings.phone_seed is None else settings.phone_seed,
        cylinders=cylinders,
        pulley_ratio=settings.pulley_ratio or ratio,
        vanes=settings.vanes or vanes,
        belt_order=settings.belt_order or belt_order,
        duration_s=duration,
        codec=codec,
        bit_rate=settings.bit_rate or bit_rate,
        quick_encoder=is_quick(seed) if settings.quick_encoder is None else settings.quick_encoder,
        sample_rate_hz=rate,
        working_rate_hz=32000 if rate <= 32000 else rate,
        symptoms=symptoms,
        hard=hard,
        driving=driving,
        squeal_drive=drive,
        slip=slip,
        creep_percent=creep,
    )


def _draw_symptoms(rng: np.random.Generator) -> tuple[str, ...]:
    how_many = int(rng.choice([0, 1, 2, 3], p=[0.3, 0.45, 0.18, 0.07]))
    drawn = rng.permutation(len(SYMPTOMS))[:how_many]
    return tuple(name for i, name in enumerate(SYMPTOMS) if i in drawn)


def _draw_format(rng: np.random.Generator, codec: str, hard: bool) -> tuple[int, int | None]:
    """Draw sampling rate and bit rate as phones and messengers use them."""
    if codec == "3gp":
        return 8000, int(rng.choice([12_200, 12_200, 7_950, 4_750]))
    if codec == "opus":
        return int(rng.choice([16000, 48000, 48000])), int(
            uniform_log(rng, 12_000 if hard else 16_000, 64_000)
        )
    if codec == "mp3":
        return int(rng.choice([44100, 44100, 48000, 22050])), int(rng.choice([48, 64, 96, 128])) * 1000
    rate = int(rng.choice([16000, 22050, 32000, 44100, 44100, 48000, 48000]))
    return rate, int(uniform_log(rng, 32_000, 80_000 if hard else 128_000)) if codec == "m4a" else None
