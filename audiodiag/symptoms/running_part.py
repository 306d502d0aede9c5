"""Only what sounds while the engine runs is measured: silence would pass for a wheel at rest."""

from __future__ import annotations

from dataclasses import replace

from audiodiag.records import Analysis, Clip, Phases, Span, SpeedTrace, read_only
from audiodiag.symptoms.measures import Measurements

__all__ = ["heard_while_running", "later", "while_running"]


def while_running(clip: Clip, speed: SpeedTrace, phases: Phases) -> tuple[Clip, SpeedTrace, Phases, float]:
    """Cut a clip, its speed and its phases to the engine's longest run; nothing is cut where it always runs.

    Also gives where the run begins, s, which must be added to every time found in the cut clip.

    >>> import numpy as np
    >>> none = np.zeros(0)
    >>> unknown = SpeedTrace("none", 0.0, none, none, none, none, none)
    >>> clip = Clip(np.zeros(8000, np.float32), 8000, "silent", "", "pcm")
    >>> while_running(clip, unknown, Phases("unknown"))[0] is clip
    True
    """
    runs = [span for note in speed.notes if note.code == "engine_starts_or_stops" for span in note.spans_s]
    if not runs:
        return clip, speed, phases, 0.0
    start_s, end_s = max(runs, key=lambda run: run[1] - run[0])
    first, last = round(start_s * clip.sample_rate_hz), round(end_s * clip.sample_rate_hz)
    others = clip.other_channels
    part = replace(
        clip,
        samples=clip.samples[first:last],
        other_channels=None if others is None else others[:, first:last],
    )
    here = (speed.time_s >= start_s - 1e-9) & (speed.time_s < end_s)
    cut = replace(
        speed,
        time_s=read_only(speed.time_s[here] - start_s),
        rpm=read_only(speed.rpm[here]),
        rpm_low=read_only(speed.rpm_low[here]),
        rpm_high=read_only(speed.rpm_high[here]),
        instant_confidence=read_only(speed.instant_confidence[here]),
    )
    spans = tuple(
        replace(span, start_s=max(0.0, span.start_s - start_s), end_s=min(end_s, span.end_s) - start_s)
        for span in phases.spans
        if span.end_s > start_s and span.start_s < end_s
    )
    return part, cut, replace(phases, spans=spans), start_s


def heard_while_running(found: Analysis) -> tuple[Analysis, float]:
    """Give the same analysis of the engine's longest run only, and where that begins, s.

    Clip, speed and phases are cut and count from there; the symptoms were measured there already, and keep
    their times in the whole recording.
    """
    clip, speed, phases, start_s = while_running(found.clip, found.speed, found.phases)
    if clip is found.clip:
        return found, 0.0
    return replace(found, clip=clip, speed=speed, phases=phases), start_s


def later(measurements: Measurements, start_s: float) -> Measurements:
    """Give the same measurements with all their times so many seconds later."""
    if not start_s:
        return measurements

    def moved(span: Span) -> Span:
        return span[0] + start_s, span[1] + start_s

    symptoms = {
        name: replace(found, spans_s=tuple(moved(span) for span in found.spans_s))
        for name, found in measurements.symptoms.items()
    }
    return replace(measurements, symptoms=symptoms)
