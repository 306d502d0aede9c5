"""Room, phone and file of the bay built apart: reflections, microphone, gain control, gate, clipping."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft, signal

from audiodiag.records import FloatArray

from .sound import SLOW_HZ, between, drift, one_pole, pick, stretched

__all__ = ["CODECS", "DONE", "HELD", "Path", "draw_codec", "draw_path", "recorded", "swayed"]

CODECS: dict[str, float] = {"m4a": 0.5, "opus": 0.2, "mp3": 0.14, "wav": 0.11, "3gp": 0.05}
"""How the file is encoded, with its weight."""
DONE: dict[str, float] = {"gain_control": 0.45, "noise_gate": 0.08, "clipping": 0.08}
"""What phones do to the sound, and how often."""
HELD = ("hand", 0.6)
"""The phone is held by hand: its name among the disturbances, and how often."""
_RATES = {
    "m4a": ("44100", "48000", "32000"),
    "mp3": ("44100", "48000", "32000"),
    "opus": ("48000",),
    "3gp": ("16000",),
}


@dataclass(frozen=True, eq=False)
class Path:
    """Linear way from the parts to the microphone's signal: an answer to one impulse, shape (m,)."""

    answer: FloatArray
    room: bool

    def heard(self, sound: FloatArray) -> FloatArray:
        """Pass a sound, shape (n,), through room and microphone."""
        size = fft.next_fast_len(len(sound) + len(self.answer), real=True)
        return fft.irfft(fft.rfft(sound, size) * fft.rfft(self.answer, size), size)[: len(sound)]


def draw_codec(
    rng: np.random.Generator, codec: str | None, rate: int | None, bit_rate: int | None
) -> tuple[str, int, int | None, float]:
    """Codec, sampling rate, bit rate, and the highest frequency in Hz that is worth making."""
    drawn = pick(rng, CODECS)
    codec = codec or drawn
    rates = _RATES.get(codec, ("44100", "48000"))
    weights = (0.45, 0.4, 0.15)[: len(rates)]
    drawn_rate = int(pick(rng, dict(zip(rates, weights, strict=True))))
    rate = rate or drawn_rate
    choices = {
        "m4a": (48_000, 64_000, 96_000, 128_000),
        "opus": (24_000, 32_000, 48_000, 64_000),
        "mp3": (64_000, 96_000, 128_000),
        "3gp": (12_200,),
    }.get(codec)
    if choices:
        drawn_bits = int(rng.choice(choices))
        bit_rate = bit_rate or drawn_bits
    return codec, rate, bit_rate, 3300.0 if codec == "3gp" else min(12000.0, 0.42 * rate)


def draw_path(rng: np.random.Generator, rate: int, room: bool | None) -> Path:
    """Draw a high-pass of 80 to 200 Hz, gentle resonances, a roll-off, and mostly a short tail of echoes."""
    n = rate // 2
    hz = np.arange(n // 2 + 1) * (rate / n)
    corner, order = between(rng, 80, 200), int(rng.choice([1, 2, 2, 3]))
    s = 1j * np.maximum(hz, 1e-3) / corner
    gain = (s / (1 + s)) ** order if order != 2 else s**2 / (1 + np.sqrt(2) * s + s**2)
    for _ in range(int(rng.integers(1, 4))):
        centre, wide = np.exp(between(rng, np.log(500), np.log(8000))), between(rng, 0.15, 0.5)
        gain = gain * 10 ** (
            rng.normal(0, 3) / 20 * np.exp(-0.5 * (np.log(np.maximum(hz, 1) / centre) / wide) ** 2)
        )
    gain = gain / (1 + (hz / between(rng, 9000, 18000)) ** 4) ** 0.5
    drawn = rng.random() < 0.75
    wet = drawn if room is None else room
    echoes = np.zeros(n)
    echoes[0] = 1.0
    t = np.arange(n) / rate
    tail = rng.standard_normal(n) * np.exp(-6.9 * t / between(rng, 0.08, 0.35)) * (t > 0.002)
    strength = 10 ** (between(rng, -14, -4) / 20)
    if wet:
        echoes += strength * tail / np.sqrt(np.sum(tail**2))
    whole = np.fft.irfft(np.fft.rfft(echoes) * gain, n) * np.clip((n - np.arange(n)) / (n / 8), 0, 1)
    return Path(whole.astype(np.float32), wet)


def swayed(rng: np.random.Generator, sound: FloatArray, rate: int) -> FloatArray:
    """What a phone in the hand hears: it comes nearer and goes away, and turns its ear to the bay and off it.

    Level falls as distance rises; highs fall as the cosine of the angle does, lows hardly.
    """
    n = len(sound)
    count = int(n / rate * SLOW_HZ) + 3
    away = np.exp(between(rng, 0.02, 0.2) * drift(rng, count, SLOW_HZ, between(rng, 1.0, 5.0)))
    angle = between(rng, 0.0, 1.0) + between(rng, 0.05, 0.45) * drift(
        rng, count, SLOW_HZ, between(rng, 0.6, 4.0)
    )
    highs_db = -between(rng, 4.0, 14.0) * (1 - np.cos(angle))
    front, back = signal.butter(1, between(rng, 900, 4500), fs=rate, btype="high")
    highs = signal.lfilter(front.astype(np.float32), back.astype(np.float32), sound)
    heard = sound + highs * (stretched(10 ** (highs_db / 20), n, rate) - np.float32(1))
    return np.asarray(heard * stretched(1 / away, n, rate), np.float32)


def recorded(rng: np.random.Generator, sound: FloatArray, rate: int, done: tuple[str, ...]) -> FloatArray:
    """What the phone makes of the microphone's signal: float32, full scale 1."""
    n = len(sound)
    sound = sound / np.float32(max(float(np.abs(sound).max()), 1e-9))
    step = rate // SLOW_HZ
    blocks = np.pad(np.square(sound), (0, -n % step)).reshape(-1, step)
    level = np.sqrt(blocks.mean(axis=1)) + 1e-6
    attack, release, pull = between(rng, 0.02, 0.1), between(rng, 0.3, 2.0), between(rng, 0.25, 0.6)
    gain = np.ones(len(level))
    if "gain_control" in done:
        followed = one_pole(level, SLOW_HZ, attack, release)
        gain = (followed / np.median(followed)) ** -pull
    if "noise_gate" in done:
        followed = one_pole(level, SLOW_HZ, 0.02, 0.15)
        gain = gain * np.clip(followed / (0.8 * np.median(followed)), 0.25, 1.0)
    sound = sound * stretched(gain, n, rate)
    peak = float(np.abs(sound).max())
    if "clipping" in done:
        limit = float(np.quantile(np.abs(sound[::7]), between(rng, 0.99, 0.9985)))
        sound = np.clip(sound, -limit, limit)
        peak = limit
    sound = sound * np.float32(10 ** (between(rng, -12, -1) / 20) / max(peak, 1e-9))
    hum = 10 ** (between(rng, -82, -62) / 20) * rng.standard_normal(n, dtype=np.float32)
    return np.clip(sound + hum, -1, 1).astype(np.float32)
