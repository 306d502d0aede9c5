"""The pictures of one recording over one axis of time, as rasters and places in per cent of the plot."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audiodiag.records import Analysis, SymptomFinding
from audiodiag.report.language import Sentences
from audiodiag.report.levels import (
    RANGE_DB,
    LevelPicture,
    band_of,
    joined_spans,
    order_levels,
    order_of,
    shown_sounds,
    spectrogram_levels,
)
from audiodiag.report.page_words import percent_said, when_said
from audiodiag.report.raster import data_address, levels_png

__all__ = ["Curve", "Frame", "Lane", "Pictures", "Raster", "Stretch", "Tick", "pictures"]

KILOHERTZ = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)


@dataclass(frozen=True)
class Tick:
    """A mark on an axis: its place (per cent from the left or the bottom) and what it says."""

    place: float
    text: str


@dataclass(frozen=True)
class Frame:
    """A framed found sound: left, bottom, width, height (per cent of the plot); one carries the number."""

    number: int
    left: float
    bottom: float
    width: float
    height: float
    tagged: bool


@dataclass(frozen=True)
class Stretch:
    """A stretch of time (per cent) with a name."""

    left: float
    width: float
    kind: str
    text: str


@dataclass(frozen=True)
class Lane:
    """When one sound is heard."""

    number: int
    name: str
    alt: str
    stretches: tuple[Stretch, ...]


@dataclass(frozen=True)
class Raster:
    """A raster picture with its place in the plot (per cent), its axis, its frames and its words."""

    address: str
    left: float
    width: float
    ticks: tuple[Tick, ...]
    frames: tuple[Frame, ...]
    alt: str
    firing: Tick | None = None


@dataclass(frozen=True)
class Curve:
    """The engine speed: paths in a field of 1000 by 100 whose origin is at the top left, and its axis."""

    line: str
    band: str
    ticks: tuple[Tick, ...]
    alt: str


@dataclass(frozen=True)
class Pictures:
    """All pictures of one recording."""

    lanes: tuple[Lane, ...]
    wheel: tuple[Stretch, ...]
    spectrogram: Raster
    order_map: Raster | None
    curve: Curve | None
    time_ticks: tuple[Tick, ...]
    scale: str


def pictures(analysis: Analysis, s: Sentences) -> Pictures:
    """Draw one recording; everything is told by shape, number and text, never by colour alone."""
    duration_s = max(analysis.clip.duration_s, 1e-3)
    shown = shown_sounds(analysis)
    wheel = tuple(
        Stretch(
            100 * span.start_s / duration_s,
            100 * (min(span.end_s, duration_s) - span.start_s) / duration_s,
            span.phase,
            s.say(f"steering.{span.phase}_short"),
        )
        for span in analysis.phases.spans
    )
    return Pictures(
        lanes=tuple(_lane(number, found, analysis, s) for number, found in enumerate(shown, 1)),
        wheel=wheel,
        spectrogram=_spectrogram(analysis, shown, s),
        order_map=_order_map(analysis, shown, s) if analysis.speed.known else None,
        curve=_curve(analysis, s) if analysis.speed.known else None,
        time_ticks=tuple(Tick(100 * t / duration_s, s.number(t)) for t in _round_steps(0.0, duration_s, 7)),
        scale=s.say("evidence.scale", range=round(RANGE_DB)),
    )


def _lane(number: int, found: SymptomFinding, analysis: Analysis, s: Sentences) -> Lane:
    duration_s = analysis.clip.duration_s
    name = s.say(f"sound.{found.name}")
    stretches = tuple(
        Stretch(100 * low / duration_s, max(0.6, 100 * (high - low) / duration_s), found.name, "")
        for low, high in found.spans_s
    )
    when = when_said(found, analysis, s)
    alt = s.say("evidence.lanes_alt", number=number, sound=name, when=when)
    return Lane(number, f"{name}, {percent_said(found.probability)}", alt, stretches)


def _spectrogram(analysis: Analysis, shown: list[SymptomFinding], s: Sentences) -> Raster:
    made = spectrogram_levels(analysis.clip)
    frames: list[Frame] = []
    words = []
    for number, found in enumerate(shown, 1):
        low_hz, high_hz = band_of(found, analysis)
        low, high = (min(max(float(np.log10(f)), made.low), made.high) for f in (low_hz, high_hz))
        frames += _frames(number, found, analysis, _up(low, made), _up(high, made))
        if found.spans_s:
            words.append(
                s.say(
                    "evidence.mark_alt",
                    number=number,
                    sound=s.say(f"sound.{found.name}"),
                    low=s.number(10**low / 1000, 1),
                    high=s.number(10**high / 1000, 1),
                )
            )
    ticks = tuple(
        Tick(_up(float(np.log10(1000 * khz)), made), s.number(khz, 1 if khz < 1 else 0))
        for khz in KILOHERTZ
        if 1000 * khz <= 10**made.high
    )
    alt = s.say(
        "evidence.spectrogram_alt",
        seconds=s.number(analysis.clip.duration_s, 1),
        low=round(10**made.low),
        high=s.number(10**made.high / 1000, 0),
        marks=" ".join(words),
    )
    return _raster(made, analysis, ticks, tuple(frames), alt)


def _order_map(analysis: Analysis, shown: list[SymptomFinding], s: Sentences) -> Raster:
    made = order_levels(analysis)
    frames: list[Frame] = []
    words = []
    for number, found in enumerate(shown, 1):
        order = order_of(found, analysis)
        if order is None or order > made.high:
            continue
        frames += _frames(number, found, analysis, _up(order - 0.5, made), _up(order + 0.5, made))
        if found.spans_s:
            name = s.say(f"sound.{found.name}")
            words.append(
                s.say("evidence.mark_order_alt", number=number, sound=name, order=s.number(order, 1))
            )
    ticks = tuple(Tick(_up(order, made), f"{order}") for order in range(0, int(made.high) + 1, 4))
    alt = s.say(
        "evidence.order_alt",
        seconds=s.number(analysis.clip.duration_s, 1),
        high=round(made.high),
        marks=" ".join(words),
    )
    cylinders = analysis.speed.cylinders
    firing = None
    if cylinders is not None and cylinders / 2 < made.high:
        text = s.say("evidence.firing", order=s.number(cylinders / 2, cylinders % 2))
        firing = Tick(_up(cylinders / 2, made), text)
    return _raster(made, analysis, ticks, tuple(frames), alt, firing)


def _raster(
    made: LevelPicture,
    analysis: Analysis,
    ticks: tuple[Tick, ...],
    frames: tuple[Frame, ...],
    alt: str,
    firing: Tick | None = None,
) -> Raster:
    duration_s = analysis.clip.duration_s
    address = data_address("image/png", levels_png(made.level_db, -RANGE_DB, 0.0))
    left = 100 * made.left_s / duration_s
    return Raster(address, left, 100 * (made.right_s - made.left_s) / duration_s, ticks, frames, alt, firing)


def _frames(number: int, found: SymptomFinding, analysis: Analysis, bottom: float, top: float) -> list[Frame]:
    duration_s = analysis.clip.duration_s
    spans = joined_spans(found, duration_s)
    longest = max(spans, key=lambda span: span[1] - span[0], default=None)
    return [
        Frame(
            number,
            100 * low / duration_s,
            bottom,
            max(0.4, 100 * (min(high, duration_s) - low) / duration_s),
            max(top - bottom, 1.5),
            (low, high) == longest,
        )
        for low, high in spans
    ]


def _curve(analysis: Analysis, s: Sentences) -> Curve:
    speed, duration_s = analysis.speed, analysis.clip.duration_s
    low, high = float(np.nanmin(speed.rpm_low)), float(np.nanmax(speed.rpm_high))
    room = 0.2 * max(high - low, 0.05 * speed.median_rpm)
    low, high = low - room, high + room

    def at(time_s: float, rpm: float) -> str:
        return f"{1000 * time_s / duration_s:.1f},{100 * (high - rpm) / (high - low):.1f}"

    every = max(1, len(speed.time_s) // 400)
    rows = list(zip(speed.time_s, speed.rpm, speed.rpm_low, speed.rpm_high, strict=True))[::every]
    line, band, run = [], [], []
    for row in [*rows, (0.0, float("nan"), 0.0, 0.0)]:
        if np.isfinite(row[1]):
            run.append(row)
        elif run:
            line.append("M" + "L".join(at(t, rpm) for t, rpm, _, _ in run))
            upper = [at(t, top) for t, _, _, top in run]
            lower = [at(t, bottom) for t, _, bottom, _ in reversed(run)]
            band.append("M" + "L".join(upper + lower) + "Z")
            run = []
    ticks = tuple(Tick(100 * (rpm - low) / (high - low), s.number(rpm)) for rpm in _round_steps(low, high, 3))
    known = speed.rpm[np.isfinite(speed.rpm)]
    alt = s.say(
        "evidence.speed_alt",
        low=round(float(known.min())),
        high=round(float(known.max())),
        median=round(speed.median_rpm),
    )
    return Curve("".join(line), "".join(band), ticks, alt)


def _up(value: float, made: LevelPicture) -> float:
    return 100.0 * (value - made.low) / (made.high - made.low)


def _round_steps(low: float, high: float, most: int) -> list[float]:
    """Give round numbers between two, at most that many or one more."""
    rough = (high - low) / most
    size = 10.0 ** np.floor(np.log10(rough))
    step = next(size * factor for factor in (1, 2, 5, 10) if size * factor >= rough)
    return [float(n * step) for n in range(int(np.ceil(low / step)), int(np.floor(high / step)) + 1)]
