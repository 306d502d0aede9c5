"""How the bay made afresh reaches a file: echoes of walls, the phone's microphone, what its programs do."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import signal

from audiodiag.records import FloatArray

from .tools import even, log_even, named, ringing, spread, wander

__all__ = ["CODECS", "DONE", "HELD", "Way", "carried", "draw_format", "draw_way", "taken"]

CODECS: dict[str, float] = {"m4a": 0.46, "opus": 0.2, "mp3": 0.12, "wav": 0.12, "flac": 0.05, "3gp": 0.05}
"""How the file is encoded, with its weight."""
DONE: dict[str, tuple[float, float]] = {
    "levelling": (0.35, 0.6),
    "quieting": (0.06, 0.3),
    "overload": (0.06, 0.22),
}
"""What phones do to the sound, and how often in plain clips and in hard ones."""
HELD = ("hand", 0.6)
"""A phone in the hand instead of one that lies: its name, and how often."""
_RATES = {
    "opus": {"48000": 1.0},
    "3gp": {"16000": 1.0},
}
_USUAL_RATES = {"44100": 0.45, "48000": 0.4, "32000": 0.15}
_BITS = {
    "m4a": (40_000, 160_000),
    "opus": (18_000, 80_000),
    "mp3": (56_000, 160_000),
    "3gp": (12_200, 12_200),
}


@dataclass(frozen=True, eq=False)
class Way:
    """Linear way from the bay to the microphone: what answers one impulse, shape (m,); whether walls echo."""

    answer: FloatArray
    room: bool

    def reaches(self, sound: FloatArray) -> FloatArray:
        """Give what the microphone hears of a sound, shape (n,)."""
        return ringing([(sound, self.answer)])


def draw_format(
    rng: np.random.Generator, codec: str | None, rate: int | None, bit_rate: int | None, hard: bool
) -> tuple[str, int, int | None, float]:
    """Codec, sampling rate, bit rate, and the highest frequency in Hz worth making."""
    drawn = named(rng, CODECS)
    codec = codec or drawn
    drawn_rate = int(named(rng, _RATES.get(codec, _USUAL_RATES)))
    rate = rate or drawn_rate
    share = float(rng.random()) ** (1.5 if hard else 0.8)
    if codec in _BITS:
        low, high = _BITS[codec]
        bit_rate = bit_rate or int(low * (high / low) ** share)
    return codec, rate, bit_rate, 3300.0 if codec == "3gp" else min(13000.0, 0.42 * rate)


def draw_way(rng: np.random.Generator, rate: int, hard: bool, room: bool | None) -> Way:
    """Draw the echoes of floor, bonnet and walls as a few delayed copies with a tail, and the microphone."""
    m = int(0.35 * rate)
    answer = np.zeros(m)
    answer[8] = 1.0
    for _ in range(int(rng.integers(1, 5))):  # near: bonnet, wing, floor
        answer[8 + int(even(rng, 0.0003, 0.006) * rate)] += even(rng, -0.5, 0.6)
    wet = bool(rng.random() < (0.85 if hard else 0.6)) if room is None else room
    if wet:
        sides = rng.uniform(2.5, 9.0, 3)
        order = np.array([(i, j, k) for i in range(-3, 4) for j in range(-3, 4) for k in range(0, 3)][1:])
        far = np.sqrt(np.sum(np.square((order + rng.uniform(-0.3, 0.3, order.shape)) * 2 * sides), axis=1))
        late = 8 + (far / 343 * rate).astype(int)
        loss = even(rng, 0.5, 0.85) ** np.abs(order).sum(axis=1)
        here = late < m
        near = log_even(rng, 0.3, 1.5) * (2.0 if hard else 1.0)
        np.add.at(answer, late[here], near * loss[here] / far[here] * rng.choice([-1, 1], int(here.sum())))
    hz = np.fft.rfftfreq(m, 1 / rate)
    s = np.maximum(hz, 1.0)
    corner, steep = log_even(rng, 50, 260), int(rng.integers(1, 4))
    gain = 1 / np.sqrt(1 + (corner / s) ** (2 * steep))
    for _ in range(int(rng.integers(1, 5))):
        centre, quality, height = (
            log_even(rng, 400, 11000),
            even(rng, 0.8, 3),
            10 ** (rng.normal(0, 3.5) / 20),
        )
        bell = 1 / (1 + (quality * (s / centre - centre / s)) ** 2)
        gain = gain * (1 + (height - 1) * bell)
    top = even(rng, 5500, 12000) if hard and rng.random() < 0.4 else even(rng, 10000, 20000)
    gain = gain / np.sqrt(1 + (hz / top) ** (2 * int(rng.integers(1, 5))))
    answer = np.fft.irfft(np.fft.rfft(answer) * gain, m)
    answer *= np.clip((m - np.arange(m)) / (0.05 * m), 0, 1)
    return Way(np.roll(answer, -8).astype(np.float32), wet)


def carried(rng: np.random.Generator, sound: FloatArray, rate: int) -> FloatArray:
    """A phone in the hand: the echo off the nearest sheet comes sooner or later as the phone moves.

    Notches and humps of that echo wander through the highs, as they do wherever a microphone moves.
    """
    n = len(sound)
    late = log_even(rng, 0.15e-3, 2.5e-3) * np.exp(
        np.float32(log_even(rng, 0.03, 0.4)) * wander(rng, n, rate, log_even(rng, 0.8, 5.0))
    )
    at = np.arange(n) - late.astype(np.float64) * rate
    echo = np.interp(at, np.arange(n), sound).astype(np.float32)
    nearer = np.exp(np.float32(log_even(rng, 0.01, 0.2)) * wander(rng, n, rate, log_even(rng, 1.0, 6.0)))
    return (sound + np.float32(even(rng, 0.05, 0.7) * rng.choice([-1, 1])) * echo) * nearer


def taken(
    rng: np.random.Generator, sound: FloatArray, rate: int, done: tuple[str, ...], hard: bool
) -> FloatArray:
    """What the phone makes of the microphone's signal: float32, full scale 1, shape (n,)."""
    n = len(sound)
    sound = sound / np.float32(max(float(np.abs(sound).max()), 1e-9))
    step = rate // 125
    count = n // step + 3
    power = np.add.reduceat(np.square(sound), np.arange(0, n, step)) / step
    power = np.append(power, np.full(max(0, count - len(power)), power[-1]))[:count].astype(np.float64)
    if "levelling" in done:
        keep = np.exp(-1 / (125 * log_even(rng, 0.1, 1.5)))
        slow = signal.lfilter([1 - keep], [1, -keep], power, zi=[keep * float(np.mean(power[:60]))])[0]
        goal = even(rng, 0.2, 0.7)
        gain = (slow / np.median(slow) + 1e-4) ** (-0.5 * goal)
        sound = sound * spread(np.minimum(gain, 4.0), step, n)
    if "quieting" in done:
        sound = _quieted(rng, sound, rate)
    peak = float(np.abs(sound).max())
    if "overload" in done:
        limit = peak * even(rng, 0.35, 0.8)
        soft = even(rng, 0, 1) < 0.5
        sound = (
            np.float32(limit) * np.tanh(sound / np.float32(limit)) if soft else np.clip(sound, -limit, limit)
        )
        peak = float(np.abs(sound).max())
    sound = sound * np.float32(10 ** (even(rng, -18 if hard else -9, -0.5) / 20) / max(peak, 1e-9))
    own = 10 ** (even(rng, -88, -58 if hard else -72) / 20)
    return np.clip(sound + np.float32(own) * rng.standard_normal(n, dtype=np.float32), -1, 1).astype(
        np.float32
    )


def _quieted(rng: np.random.Generator, sound: FloatArray, rate: int) -> FloatArray:
    """Take away in each band what it always holds, as programs made for speech do, but not all of it."""
    size = 1 << int(np.round(np.log2(0.03 * rate)))
    _, _, bands = signal.stft(sound, rate, nperseg=size, padded=True)
    power = np.square(np.abs(bands))
    always = np.quantile(power[:, ::4], 0.2, axis=1, keepdims=True)
    least = np.float32(even(rng, 0.2, 0.6))
    gain = np.clip(1 - even(rng, 0.5, 1.2) * always / (power + 1e-12), least, 1)
    _, back = signal.istft(bands * gain, rate, nperseg=size)
    back = np.asarray(back, np.float32)
    return np.pad(back, (0, max(0, len(sound) - len(back))))[: len(sound)]
