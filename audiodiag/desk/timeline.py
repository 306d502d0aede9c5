"""A clip drawn over time: loudness, engine speed, steering phases, and a lane for every sound."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from audiodiag.records import SYMPTOMS
from audiodiag.report.wording import MAYBE_FROM, SYMPTOM_WORDS

__all__ = ["Lane", "Mark", "Timeline", "timeline_of"]

WIDTH = 1000.0
WAVE_HEIGHT = 80.0
SPEED_HEIGHT = 60.0
_TICKS_S = (1, 2, 5, 10, 20, 30, 60, 120)


@dataclass(frozen=True)
class Mark:
    """A box in a lane: left edge and width in the drawing's units, its kind and what it says."""

    x: float
    width: float
    kind: str
    text: str


@dataclass(frozen=True)
class Lane:
    """One sound: its words, its probability and the boxes of when it is heard."""

    name: str
    words: str
    probability: float | None
    marks: tuple[Mark, ...]


@dataclass(frozen=True)
class Timeline:
    """All that the drawing needs; paths are in the drawing's units, `WIDTH` wide."""

    duration_s: float
    wave: str
    phases: tuple[Mark, ...]
    speed: str
    speed_low_rpm: int
    speed_high_rpm: int
    lanes: tuple[Lane, ...]
    ticks: tuple[Mark, ...]


def timeline_of(result: dict[str, Any], marked: list[tuple[str, float, float]]) -> Timeline:
    """Draw what a worker found, and the stretches that people marked (sound, start and end in seconds)."""
    found = result["analysis"]
    duration_s = float(found["clip"]["duration_s"] or 1.0)

    def box(start_s: float, end_s: float, kind: str, text: str) -> Mark:
        left = WIDTH * min(max(start_s / duration_s, 0.0), 1.0)
        right = WIDTH * min(max(end_s / duration_s, 0.0), 1.0)
        return Mark(round(left, 1), round(max(right - left, 2.0), 1), kind, text)

    lanes = []
    for name in SYMPTOMS:
        symptom = next((each for each in found["symptoms"] if each["name"] == name), None)
        probability = symptom["probability"] if symptom else None
        spans = symptom["spans_s"] if symptom and (probability or 0.0) >= MAYBE_FROM else []
        boxes = [box(a, b, "heard", f"heard {a:.1f} to {b:.1f} s") for a, b in spans]
        boxes += [box(a, b, "marked", f"marked {a:.1f} to {b:.1f} s") for who, a, b in marked if who == name]
        lanes.append(Lane(name, SYMPTOM_WORDS[name], probability, tuple(boxes)))
    low, high, speed = _speed(found["speed"], duration_s)
    step = next((each for each in _TICKS_S if duration_s / each <= 10), 300)
    return Timeline(
        duration_s,
        _wave(result.get("outline", [])),
        tuple(
            box(each["start_s"], each["end_s"], each["phase"], each["phase"])
            for each in found["phases"]["spans"]
        ),
        speed,
        low,
        high,
        tuple(lanes),
        tuple(box(t, t, "tick", f"{t} s") for t in range(0, int(duration_s) + 1, step)),
    )


def _wave(outline: list[float]) -> str:
    """Give the path of the loudness, mirrored about the middle, scaled to the loudest place."""
    if not outline:
        return ""
    scale = 0.5 * WAVE_HEIGHT / max(max(outline), 1e-3)
    step = WIDTH / len(outline)
    middle = WAVE_HEIGHT / 2
    over = [f"{(i + 0.5) * step:.1f},{middle - value * scale:.1f}" for i, value in enumerate(outline)]
    under = [f"{(i + 0.5) * step:.1f},{middle + value * scale:.1f}" for i, value in enumerate(outline)]
    return "M" + "L".join([*over, *reversed(under)]) + "Z"


def _speed(speed: dict[str, Any], duration_s: float) -> tuple[int, int, str]:
    """Give the lowest and highest speed of the drawing and the path; gaps where the speed is unknown."""
    points = [(t, rpm) for t, rpm in zip(speed["time_s"], speed["rpm"], strict=True) if rpm is not None]
    if not points:
        return 0, 0, ""
    known = [rpm for _, rpm in points]
    low, high = int(min(known) // 100 * 100), int(-(-max(known) // 100) * 100)
    high = max(high, low + 100)
    path, pen_up = [], True
    every = max(1, len(speed["time_s"]) // 500)
    for t, rpm in list(zip(speed["time_s"], speed["rpm"], strict=True))[::every]:
        if rpm is None:
            pen_up = True
            continue
        y = SPEED_HEIGHT * (1 - (rpm - low) / (high - low))
        path.append(f"{'M' if pen_up else 'L'}{WIDTH * t / duration_s:.1f},{y:.1f}")
        pen_up = False
    return low, high, "".join(path)
