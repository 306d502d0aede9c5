"""Engine speed from a separate recording of pulses, laid upon the clip by the course of the speed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from audiodiag.errors import SpeedError
from audiodiag.records import Clip, FloatArray, Note, SpeedTrace, read_only
from audiodiag.speed.acoustic import speed_by_ear
from audiodiag.speed.align import Alignment, align_speeds
from audiodiag.speed.front import HOP_S
from audiodiag.vehicle import Vehicle

__all__ = ["laid_upon_clip"]

LEAST_QUALITY = 0.3
"""Quality of an alignment from which it is believed."""
MOST_OFFSET_SD_S = 0.3
"""Standard uncertainty of the offset up to which it is used."""
ANOTHER_SPEED = 0.05
"""Share by which the two speeds may differ before the number of pulses a turn is doubted."""


def laid_upon_clip(clip: Clip, pulses: SpeedTrace, *, vehicle: Vehicle | None = None) -> SpeedTrace:
    """Give the speed of a pulse recording on the clock of the clip.

    The speed heard in the clip shows where the two recordings meet and whether their clocks agree. Where the
    speed hardly moves, or its two courses do not fit each other, the recordings are taken to have started
    together and a note says so.

    pulses: trace of source ``tach`` on its own clock. Errors: SpeedError where it covers nothing of the clip.
    """
    heard = speed_by_ear(clip, vehicle=vehicle)
    try:
        found = align_speeds(heard.time_s, heard.rpm, pulses.time_s, pulses.rpm) if heard.known else None
    except SpeedError:
        found = None
    if found is None or found.quality < LEAST_QUALITY or found.offset_sd_s > MOST_OFFSET_SD_S:
        return _started_together(clip, pulses, found)
    time_s = np.arange(0.0, clip.duration_s, HOP_S)
    laid = _at(pulses, time_s, found.reference_time_s(time_s))
    if not laid.known:
        raise SpeedError(
            "the pulse recording does not cover the clip",
            got=found.text,
            allowed="a pulse recording that runs at the same time as the clip",
            todo="give the pulse recording that belongs to this clip",
        )
    return replace(laid, notes=(*pulses.notes, *_said(found, pulses, heard)))


def _started_together(clip: Clip, pulses: SpeedTrace, found: Alignment | None) -> SpeedTrace:
    time_s = np.arange(0.0, clip.duration_s, HOP_S)
    note = Note(
        "tach_taken_together",
        "Where the pulse recording and the clip meet could not be heard; they are taken to have started "
        "together. Blip the throttle once at the start and at the end of both.",
        (),
        "info" if found is None or not found.known else "warning",
    )
    return replace(_at(pulses, time_s, time_s), notes=(*pulses.notes, note))


def _at(pulses: SpeedTrace, time_s: FloatArray, there_s: FloatArray) -> SpeedTrace:
    """Read the trace at other times, NaN where it is not known on both sides."""
    unknown = np.interp(there_s, pulses.time_s, np.isnan(pulses.rpm).astype(float), left=1.0, right=1.0) > 0

    def read(values: FloatArray, beyond: float) -> FloatArray:
        known = np.isfinite(values)
        if not known.any():
            return read_only(np.full(len(time_s), beyond))
        there = np.interp(there_s, pulses.time_s[known], values[known])
        return read_only(np.where(unknown, beyond, there))

    return replace(
        pulses,
        time_s=read_only(time_s),
        rpm=read(pulses.rpm, np.nan),
        rpm_low=read(pulses.rpm_low, np.nan),
        rpm_high=read(pulses.rpm_high, np.nan),
        instant_confidence=read(pulses.instant_confidence, 0.0),
    )


def _said(found: Alignment, pulses: SpeedTrace, heard: SpeedTrace) -> list[Note]:
    notes = [Note("tach_aligned", found.text, (), "info")]
    if abs(np.log(found.level_ratio)) > ANOTHER_SPEED:
        notes.append(
            Note(
                "tach_against_ear",
                f"By ear the engine turns {found.level_ratio:.2f} times as fast as by the pulses "
                f"({heard.median_rpm:.0f} against {pulses.median_rpm:.0f} rpm): check the number of pulses a "
                "turn.",
            )
        )
    return notes
