"""The belt of the bay built apart: squeal of stick and slip, chirp once a pass or once a pulley turn."""

from __future__ import annotations

import numpy as np

from audiodiag.records import FloatArray

from .course import Course
from .pump import Drive, Part
from .sound import between, drift, rings, shaped_noise, soft_gate, tone, unit

__all__ = ["CHIRPS", "SQUEALS", "chirp_spells", "make_chirp", "make_squeal", "squeal_spans"]

SQUEALS: dict[str, float] = {"gliding_tone": 0.4, "stick_slip": 0.35, "warble": 0.25}
"""How the squeal is made: a wandering tone, a relaxation oscillator, a tone that beats with the pulley."""
CHIRPS: dict[str, float] = {"tonal": 0.4, "noise": 0.35, "pulley": 0.25}
"""How the chirp is made: short tones a belt pass, short noises a belt pass, one a turn of the pump pulley."""


def squeal_spans(rng: np.random.Generator, course: Course) -> list[tuple[float, float]]:
    """When the belt slips: at steps of load, at stops, when the engine is pulled up; else in spells."""
    starts = [(a, b - a) for phase, a, b in course.steered if phase == "stop"]
    if len(starts) < 2:
        starts += [(a, b - a) for phase, a, b in course.steered if phase == "turning"]
    coarse = course.pull[:: course.rate // 100] > 700
    pulled = np.flatnonzero(np.diff(coarse.astype(np.int8)) > 0) / 100
    starts += [(float(at), between(rng, 0.4, 1.2)) for at in pulled]
    kept = [start for start in starts if rng.random() < 0.75] or starts[:1]
    if not kept:
        kept = [
            (between(rng, 0.0, 0.85) * course.seconds, between(rng, 0.5, 3.0))
            for _ in range(rng.integers(1, 4))
        ]
    spans: list[tuple[float, float]] = []
    for start, length in sorted(kept):
        start += between(rng, 0.0, 0.15)
        end = min(start + min(max(length, 0.35) * between(rng, 0.7, 1.1), 3.5), course.seconds)
        if spans and start - spans[-1][1] < 0.1:
            spans[-1] = (spans[-1][0], max(end, spans[-1][1]))
        elif end - start > 0.25:
            spans.append((start, end))
    return spans or [(0.3, min(1.8, course.seconds))]


def make_squeal(
    rng: np.random.Generator,
    course: Course,
    drive: Drive,
    variant: str,
    spans: list[tuple[float, float]],
    top_hz: float,
) -> Part:
    """Tone of 1.5 to 7 kHz with harmonics that wanders and follows no turning part."""
    n, rate = course.n, course.rate
    pitch = float(np.exp(between(rng, np.log(1500.0), np.log(min(6500.0, 0.8 * top_hz)))))
    bend = between(rng, 0.004, 0.02) * drift(rng, n, rate, between(rng, 0.1, 0.4))
    gate = soft_gate(spans, n, rate, between(rng, 0.03, 0.12), between(rng, 0.05, 0.25))
    rough = between(rng, 0.001, 0.004) * drift(rng, n, rate, 0.015)
    sag = between(rng, -0.05, 0.05) * gate
    if variant == "stick_slip":
        rough = rough + between(rng, 0.003, 0.012) * drift(rng, n, rate, 0.005)
        hop = np.float32(between(rng, 0.0, 0.1)) * (drift(rng, n, rate, 0.5) > 0.8)
        bend = bend + hop
    hz = pitch * (1 + bend + rough + sag)
    turned = np.cumsum(hz, dtype=np.float64) / rate
    sound = np.zeros(n, np.float32)
    fall = between(rng, 1.0, 2.2) if variant != "stick_slip" else 1.0
    for k in range(1, 6):
        if k * pitch * 1.1 < 0.46 * rate:
            height = k**-fall * 10 ** (rng.normal(0, 3) / 20 if k > 1 else 0)
            sound += np.float32(height) * tone(turned * k)
    if variant == "stick_slip":
        modes = [
            (pitch * between(rng, 0.8, 2.4), between(rng, 2, 6), between(rng, 0.4, 1.0)) for _ in range(3)
        ]
        sound = rings(sound, rate, modes, direct=0.3)
    swell = np.exp(0.25 * drift(rng, n, rate, 0.15))
    if variant == "warble":
        swell = swell * (1 + np.float32(between(rng, 0.3, 0.9)) * tone(drive.turns + rng.random()))
    hiss = shaped_noise(rng, n, rate, [(pitch / 3, -30.0), (pitch, 0.0), (pitch * 3, -12.0), (2e4, -40.0)])
    sound = (unit(sound) + np.float32(between(rng, 0.03, 0.2)) * hiss) * swell * gate
    return Part(sound, spans, {"squeal_hz": round(pitch, 1)})


def chirp_spells(rng: np.random.Generator, course: Course) -> list[tuple[float, float]]:
    """Mostly the whole clip; sometimes it comes and goes."""
    if rng.random() < 0.7:
        return [(0.0, course.seconds)]
    start = between(rng, 0.0, 0.4) * course.seconds
    return [(start, min(course.seconds, start + between(rng, 0.35, 0.7) * course.seconds))]


def make_chirp(rng: np.random.Generator, course: Course, drive: Drive, variant: str, top_hz: float) -> Part:
    """Bursts of 20 to 120 ms at 2 to 12 kHz, one a belt pass or pulley turn, with jitter and gaps.

    Bursts stay apart: at high speed they are shorter, at most 45 % of the time from one to the next.
    """
    n, rate = course.n, course.rate
    spells = chirp_spells(rng, course)
    order = drive.belt_order if variant != "pulley" else drive.ratio
    turns = drive.turns / drive.ratio
    passes = np.arange(int(turns[-1] * order) + 2) + rng.random()
    passes = passes + rng.normal(0, between(rng, 0.01, 0.05), len(passes))
    when = np.interp(passes / order, turns, np.arange(n), left=-1, right=-1)
    heights = rng.lognormal(0, between(rng, 0.15, 0.4), len(passes)) * (
        rng.random(len(passes)) > between(rng, 0, 0.15)
    )
    allowed = soft_gate(spells, n, rate, 0.01, 0.01)
    heights = heights * (when >= 0) * (allowed[np.clip(when.astype(int), 0, n - 1)] > 0)
    heard = heights > 0
    if not heard.any():
        heights[len(heights) // 2] = 1.0
        heard = heights > 0
    when, heights = when[heard], heights[heard]
    longest = 0.1 if variant != "pulley" else 0.045
    length = int(rate * between(rng, 0.025, longest))
    centre = float(np.exp(between(rng, np.log(2000.0), np.log(min(8500.0, 0.85 * top_hz)))))
    bump = np.hanning(length) if rng.random() < 0.5 else np.exp(-np.arange(length) * 4.0 / length)
    bump[: max(8, length // 12)] *= np.linspace(0, 1, max(8, length // 12))
    envelope = np.zeros(n + length, np.float32)
    gaps = 60.0 * rate / (order * course.rpm[np.clip(when.astype(int), 0, n - 1)])
    lengths = np.clip(0.45 * gaps, 8, length).astype(int)
    for at, height, long in zip(when.astype(int).tolist(), heights.tolist(), lengths.tolist(), strict=True):
        burst = np.interp(np.arange(long) * (length / long), np.arange(length), bump)
        envelope[at : at + long] += np.asarray(height * burst, np.float32)
    envelope = envelope[:n]
    if variant == "noise" or (variant == "pulley" and rng.random() < 0.5):
        wide = between(rng, 1.15, 1.5)
        corners = [(centre / wide / 1.5, -30.0), (centre / wide, 0.0), (centre * wide, 0.0)]
        corners += [(centre * wide * 1.5, -30.0), (3e4, -50.0)]
        sound = shaped_noise(rng, n, rate, [(60.0, -60.0), *corners])
    else:
        glide = between(rng, -0.08, 0.05) * envelope / max(float(envelope.max()), 1e-9)
        shake = between(rng, 0.003, 0.02) * drift(rng, n, rate, 0.02)
        turned = np.cumsum(centre * (1 + glide + shake), dtype=np.float64) / rate
        sound = tone(turned) + np.float32(between(rng, 0.05, 0.5)) * tone(turned * 2) * (
            centre * 2.2 < 0.48 * rate
        )
        grit = shaped_noise(
            rng, n, rate, [(60.0, -60.0), (centre / 2, -20.0), (centre, 0.0), (centre * 2, -10.0)]
        )
        sound = unit(sound) + np.float32(between(rng, 0.1, 0.5)) * grit
    near = 2.6 / order * 60.0 / float(np.mean(course.rpm))
    spans = _groups(when / rate, length / rate, near, course.seconds)
    return Part(sound * envelope, spans, {"chirp_order": order, "chirp_hz": round(centre, 1)})


def _groups(starts: FloatArray, length: float, gap_s: float, end_s: float) -> list[tuple[float, float]]:
    """Spans of bursts that follow one another within a gap."""
    spans: list[tuple[float, float]] = []
    for start in np.sort(starts).tolist():
        if spans and start - spans[-1][1] < gap_s:
            spans[-1] = (spans[-1][0], min(start + length, end_s))
        else:
            spans.append((start, min(start + length, end_s)))
    return spans
