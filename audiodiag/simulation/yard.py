"""Where the car stands and what records it: the ways to the microphone, the surroundings, the phone."""

from __future__ import annotations

import numpy as np

from audiodiag.records import FloatArray

from .codecs import resample
from .phone import (
    clip_hard_or_soft,
    gain_control,
    held_by_hand,
    noise_suppression,
    path_kernel,
    phone_kernel,
)
from .plan import Plan
from .settings import BaySettings, generator_for
from .signals import convolve, power, uniform_log
from .surroundings import BACKGROUNDS, background

__all__ = ["Yard"]

HELD = 0.6
"""How often the phone is held by hand: else it lies or stands (assumed, no published source)."""


class Yard:
    """The yard or garage of one clip, drawn from the plan's phone seed."""

    def __init__(self, plan: Plan, settings: BaySettings) -> None:
        rng = generator_for(plan.phone_seed, "yard")
        hard = plan.hard
        drawn = [name for name in BACKGROUNDS if rng.random() < (0.2 if hard else 0.07)]
        if rng.random() < (0.6 if hard else 0.35):
            drawn.append("room")
        for name, often in (("gain_control", 0.4), ("noise_suppression", 0.18), ("clipping", 0.12)):
            if rng.random() < often * (1.3 if hard else 0.7):
                drawn.append(name)
        if generator_for(plan.phone_seed, "hand").random() < HELD:
            drawn.append("hand")
        self._plan = plan
        self._rate = plan.working_rate_hz
        self.disturbances = tuple(drawn if settings.disturbances is None else settings.disturbances)
        self._tail_s = rng.uniform(0.15, 0.9)
        self._wet = rng.uniform(0.1, 0.9) if "room" in self.disturbances else 0.0
        level = rng.uniform(-12, 0) if hard else rng.uniform(-25, -12)
        self.surroundings_db = float(level if settings.surroundings_db is None else settings.surroundings_db)
        rng_response = generator_for(plan.phone_seed, "phone response")
        high_pass = uniform_log(rng_response, 25, 120)
        if rng_response.random() < 0.4:
            high_pass = uniform_log(rng_response, 120, 350)
        self.high_pass_hz = high_pass
        self._response = phone_kernel(
            rng_response,
            self._rate,
            high_pass_hz=high_pass,
            rough_db=rng_response.uniform(1, 5 if hard else 3),
        )

    @property
    def surrounded(self) -> bool:
        """Whether anything sounds besides the car."""
        return any(name in BACKGROUNDS for name in self.disturbances)

    def bring(self, sound: FloatArray, name: str) -> FloatArray:
        """Bring one source's sound, shape (n,), to the microphone."""
        rng = generator_for(self._plan.phone_seed, f"way of {name}")
        tail = self._tail_s if self._wet else 0.02
        return convolve(sound, path_kernel(rng, self._rate, tail_s=tail, wet=self._wet))

    def surroundings(self, engine_power: float) -> dict[str, FloatArray]:
        """Make the surroundings at the microphone, each shape (n,), together at their level re engine."""
        names = [name for name in self.disturbances if name in BACKGROUNDS]
        scale = np.sqrt(engine_power / max(len(names), 1)) * 10 ** (self.surroundings_db / 20)
        made = {}
        for name in names:
            rng = generator_for(self._plan.seed, f"around {name}")
            made[name] = background(name, rng, self._plan.samples, self._rate) * np.float32(scale)
        return made

    def record(self, total: FloatArray) -> FloatArray:
        """Pass the sound at the microphone through the phone, up to its codec."""
        rng = generator_for(self._plan.seed, "phone noise")
        habits = generator_for(self._plan.phone_seed, "phone processing")
        if "hand" in self.disturbances:
            total = held_by_hand(generator_for(self._plan.seed, "hand sways"), total, self._rate)
        samples = convolve(total, self._response)
        floor = 10 ** (-habits.uniform(38, 70) / 20) * np.sqrt(power(samples))
        samples += np.float32(floor) * rng.standard_normal(len(samples), dtype=np.float32)
        if "clipping" in self.disturbances:
            samples = clip_hard_or_soft(habits, samples)
        if "noise_suppression" in self.disturbances:
            samples = noise_suppression(habits, samples, self._rate)
        if "gain_control" in self.disturbances:
            samples = gain_control(habits, samples, self._rate)
        samples = resample(samples, self._rate, self._plan.sample_rate_hz)
        peak = float(np.max(np.abs(samples))) + 1e-12
        return np.asarray(samples * np.float32(10 ** (-habits.uniform(0.5, 20) / 20) / peak), np.float32)
