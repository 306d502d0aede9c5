"""Sounds that are no engine bay at all, for the measure of strangeness."""

from __future__ import annotations

from typing import Any

import numpy as np

from audiodiag.records import FloatArray, read_only

from .codecs import is_quick, resample, through_codec
from .machines import MACHINES, Maker
from .phone import gain_control, phone_kernel
from .places import PLACES
from .rotors import rotor
from .settings import SimulatedClip, generator_for
from .signals import (
    COSINE,
    control_count,
    convolve,
    deposit,
    modes_kernel,
    on_samples,
    power,
    ramp_gate,
    shaped_noise,
    turn_table,
    uniform_log,
    unit,
    walk,
)
from .surroundings import background

__all__ = ["ELSEWHERE", "simulate_not_engine"]


def simulate_not_engine(
    seed: int, *, kind: str | None = None, duration_s: float | None = None
) -> SimulatedClip:
    """Simulate a clip without an engine bay: weather, speech, music, tools, animals, machines of all sorts.

    ``kind``: one of ``ELSEWHERE`` or None to draw one. The truth's kind is "not_an_engine_bay".

    >>> simulate_not_engine(1, kind="clock", duration_s=3.0).truth["kind"]
    'not_an_engine_bay'
    """
    rng = generator_for(seed, "elsewhere")
    names = list(ELSEWHERE)
    drawn = names[int(rng.integers(len(names)))]
    name = kind or drawn
    duration = round(float(rng.uniform(5, 25)) if duration_s is None else duration_s, 1)
    out_rate = int(rng.choice([16000, 22050, 32000, 44100, 48000]))
    rate = 32000 if out_rate <= 32000 else out_rate
    n = round(duration * rate)
    sound = unit(ELSEWHERE[name](generator_for(seed, f"elsewhere {name}"), n, rate))
    mixed = [name]
    if rng.random() < 0.4:
        other = str(rng.choice(["street", "wind", "rain", "speech", "music"]))
        if other != name:
            mixed.append(other)
            level = 10 ** (rng.uniform(-25, -3) / 20)
            sound = sound + np.float32(level) * background(
                other, generator_for(seed, f"also {other}"), n, rate
            )
    kernel = phone_kernel(rng, rate, high_pass_hz=uniform_log(rng, 30, 250), rough_db=2.5)
    samples = convolve(sound, kernel)
    floor = 10 ** (-rng.uniform(35, 70) / 20) * np.sqrt(power(samples))
    samples = samples + np.float32(floor) * rng.standard_normal(n, dtype=np.float32)
    if rng.random() < 0.3:
        samples = gain_control(rng, samples, rate)
    samples = resample(samples, rate, out_rate)
    samples = samples * np.float32(10 ** (-rng.uniform(0.5, 18) / 20) / (np.max(np.abs(samples)) + 1e-12))
    codec = str(rng.choice(["m4a", "m4a", "opus", "mp3", "wav"]))
    bit_rate = int(uniform_log(rng, 32_000, 96_000)) if codec in {"m4a", "opus"} else None
    if codec == "mp3":
        bit_rate = 64_000
    truth: dict[str, Any] = {
        "seed": seed,
        "simulated": True,
        "kind": "not_an_engine_bay",
        "file": None,
        "symptoms": [],
        "level_db_re_engine": {},
        "spans_s": {},
        "sounds": mixed,
        "codec": codec,
        "bit_rate": bit_rate,
        "quick_encoder": is_quick(seed),
        "duration_s": duration,
        "sample_rate_hz": out_rate,
    }
    made = through_codec(samples, out_rate, codec, bit_rate, quick=truth["quick_encoder"])
    return SimulatedClip(read_only(made), out_rate, truth)


def _surrounding(name: str) -> Maker:
    return lambda rng, n, rate: background(name, rng, n, rate)


def _tool(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    """A saw or drill: a fast motor with gear tones that bogs down when it bites, and the noise of cutting."""
    m = control_count(n, rate)
    bite = ramp_gate(
        (walk(rng, m, rng.uniform(0.5, 2), 1.0) > rng.uniform(-0.5, 0.7)).astype(float), 0.1, 0.2
    )
    hz = rng.uniform(80, 500) * (1 - rng.uniform(0.05, 0.4) * bite) * (1 + walk(rng, m, 0.3, 0.01))
    phase = np.cumsum(on_samples(hz, n, rate).astype(np.float64)) / rate
    sound = np.zeros(n, np.float32)
    for k in (1, 2, 3, float(rng.integers(5, 14)), float(rng.integers(10, 30))):
        if k * float(np.max(hz)) < 0.45 * rate:
            sound += np.float32(rng.uniform(0.1, 1)) * turn_table(phase * k, COSINE)
    noise = shaped_noise(rng, n, rate, [(100, -20), (1500, 0), (6000, -3), (20000, -20)])
    return sound + noise * on_samples(bite * rng.uniform(0.3, 4) + 0.1, n, rate)


def _clock(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    """Ticks at a steady beat in a quiet room."""
    beat = float(rng.choice([0.2, 0.25, 0.5, 1.0]))
    times = np.arange(rng.uniform(0, beat), n / rate, beat)
    kernel = modes_kernel(rng, rate, count=8, low_hz=800, high_hz=8000, quality=(4, 30), longest_s=0.05)
    loud = np.where(np.arange(len(times)) % 2, 1.0, rng.uniform(0.4, 1.0))
    return convolve(deposit(n, times * rate, loud), kernel) + 0.003 * rng.standard_normal(n).astype(
        np.float32
    )


def _city(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    """Street, several cars passing, people, a horn."""
    sound = background("street", rng, n, rate)
    for _ in range(int(rng.integers(1, 4))):
        sound = sound + np.float32(rng.uniform(0.3, 2)) * background("passing_car", rng, n, rate)
    if rng.random() < 0.6:
        sound = sound + np.float32(rng.uniform(0.1, 0.8)) * background("speech", rng, n, rate)
    if rng.random() < 0.3:
        t = np.arange(n) / rate
        on = np.abs(t - rng.uniform(0, t[-1])) < rng.uniform(0.2, 0.8)
        sound = sound + on * (turn_table(t * 410, COSINE) + turn_table(t * 512, COSINE))
    return sound


def _steady_noise(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    """A vacuum cleaner, a hair dryer, running water: steady noise with or without a motor tone."""
    points = [(50.0, float(rng.uniform(-20, 0))), (400.0, 0.0), (2500.0, float(rng.uniform(-15, 3)))]
    sound = shaped_noise(rng, n, rate, [*points, (9000.0, -20.0), (20000.0, -35.0)])
    if rng.random() < 0.5:
        phase = np.arange(n) * (rng.uniform(150, 700) / rate)
        sound = sound + np.float32(rng.uniform(0.1, 1)) * (
            turn_table(phase, COSINE) + turn_table(2 * phase, COSINE)
        )
    return sound


def _hammer(rng: np.random.Generator, n: int, rate: int) -> FloatArray:
    """Hand hammering and dropped things: irregular knocks that ring."""
    times = np.cumsum(rng.uniform(0.2, 1.2) * np.exp(rng.normal(0, 0.4, 200)))
    kernel = modes_kernel(rng, rate, count=14, low_hz=200, high_hz=6000, quality=(10, 120), longest_s=0.4)
    return convolve(deposit(n, times * rate, np.exp(rng.normal(0, 0.4, 200))), kernel)


ELSEWHERE: dict[str, Maker] = {
    "rain": _surrounding("rain"),
    "wind": _surrounding("wind"),
    "speech": _surrounding("speech"),
    "music": _surrounding("music"),
    "tool": _tool,
    "rotor": rotor,
    "clock": _clock,
    "birds": _surrounding("birds"),
    "city": _city,
    "steady_noise": _steady_noise,
    "hammer": _hammer,
    **MACHINES,
    **PLACES,
}
"""Sounds that are no engine bay, by name."""
