"""The engine speed of one clip: from what was stated, else by ear."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

from audiodiag.clip import read_clip
from audiodiag.errors import SpeedError
from audiodiag.records import Clip, Note, Quality, SpeedTrace, read_only
from audiodiag.speed.acoustic import course_notes, no_speed, speed_by_ear
from audiodiag.speed.given import speed_from_number, speed_from_table
from audiodiag.speed.readings import other_readings
from audiodiag.speed.tach import speed_from_pulses
from audiodiag.speed.tach_file import laid_upon_clip
from audiodiag.vehicle import Vehicle

__all__ = ["confirmed", "doubted", "speed_of_clip"]

AGREES = 0.08
"""A dial and the moment it was read are no better; other readings of one sound are a fifth and more away."""
BY_CHANCE = 0.16
"""How often a wrong course lies so near a number: twice that band, over an octave or so of speeds."""
SURE_ENOUGH = 0.5
WHERE_IT_IS_KNOWN = ("engine_starts_or_stops", "speed_gaps")
"""Notes on a course by ear that hold whoever states its speed: silence in a clip is measured with neither."""


def speed_of_clip(
    clip: Clip,
    quality: Quality,
    *,
    vehicle: Vehicle | None = None,
    speed_rpm: float | None = None,
    speed_table: str | Path | None = None,
    tach_channel: int | None = None,
    tach_file: str | Path | None = None,
    pulses_per_rev: float | None = None,
    missing_teeth: int | None = None,
    by_ear: Callable[[], SpeedTrace] | None = None,
) -> SpeedTrace:
    """Give the speed over time from the one way in which it was stated, else as it is heard.

    Parameters
    ----------
    clip, quality:
        The recording, and whether it is good enough to be listened to.
    vehicle:
        The car as far as it is known.
    speed_rpm, speed_table, tach_channel, tach_file, pulses_per_rev, missing_teeth:
        As for ``audiodiag.analysis.analyse``; at most one of the first four.
    by_ear:
        Hears the speed of this clip, for those who need it as well; ``speed_by_ear`` without.

    Raises
    ------
    SpeedError
        If more than one is given, or what is given cannot be used.

    >>> import numpy as np
    >>> silence = Clip(np.zeros(16000, np.float32), 8000, "a", "", "pcm")
    >>> speed_of_clip(silence, Quality(True, (), (20.0, 4000.0)), speed_rpm=780).median_rpm
    780.0
    """
    hear = by_ear or partial(speed_by_ear, clip, vehicle=vehicle)
    ways = {
        "a number": speed_rpm,
        "a table": speed_table,
        "a pulse channel": tach_channel,
        "a pulse file": tach_file,
    }
    stated = [name for name, value in ways.items() if value is not None]
    if len(stated) > 1:
        raise SpeedError(
            "the engine speed is stated in more than one way",
            got=" and ".join(stated),
            allowed="one of them",
            todo="leave out all but the one you trust most",
        )
    if speed_rpm is not None:
        stated_speed = speed_from_number(speed_rpm, clip.duration_s)
        if not quality.usable:
            return stated_speed
        heard = hear()
        return confirmed(heard, speed_rpm) or doubted(stated_speed, heard)
    if speed_table is not None:
        return speed_from_table(speed_table, clip.duration_s)
    if tach_channel is not None or tach_file is not None:
        pulses = _pulse_channel(clip, tach_channel) if tach_file is None else read_clip(tach_file)
        trace = speed_from_pulses(
            pulses.samples,
            pulses.sample_rate_hz,
            pulses_per_rev=2.0 if pulses_per_rev is None else pulses_per_rev,
            missing_teeth=missing_teeth or 0,
            cylinders=vehicle.cylinders if vehicle else None,
        )
        if tach_file is None or not quality.usable:
            return trace
        return laid_upon_clip(clip, trace, vehicle=vehicle)
    if not quality.usable:
        return no_speed(clip.duration_s, "The recording is not good enough to hear an engine speed.")
    return hear()


def confirmed(heard: SpeedTrace, rpm: float) -> SpeedTrace | None:
    """Give the course that is heard at one stated number, None where none is likely to be right.

    One number for a whole clip blurs every line of an engine whose speed wanders, and a whine may be read
    into the blur. A course by ear, or a likely other reading of it, whose median lies within ``AGREES`` of
    the number keeps the lines sharp. The number in turn makes it more probable: a wrong course lies there by
    chance only, so the odds of a right one grow by ``1 / BY_CHANCE`` (Bayes' rule; the chance is assumed).
    The odds against another course of the same usual speed, of which the number says nothing, stay.

    >>> import numpy as np
    >>> rpm = np.array([790.0, 800.0, 795.0])
    >>> heard = SpeedTrace("acoustic", 0.4, np.arange(3) / 10, rpm, rpm, rpm, np.ones(3))
    >>> round(confirmed(heard, 800.0).confidence, 2), confirmed(heard, 900.0)
    (0.81, None)
    """
    for course in (heard, *other_readings(heard)):
        if not course.known or abs(course.median_rpm / rpm - 1.0) > AGREES:
            continue
        beside = min(course.other_course, 1.0 - course.confidence)
        by_chance = BY_CHANCE * (1.0 - course.confidence - beside)
        whole = course.confidence + beside + by_chance
        confidence = course.confidence / whole
        if confidence < SURE_ENOUGH:
            continue
        text = (
            f"By ear the engine turns {course.median_rpm:.0f} rpm, near the stated {rpm:g}: "
            "the course of the speed is taken from the sound."
        )
        return replace(
            course,
            confidence=confidence,
            alternatives=(),
            notes=(
                Note("speed_confirmed", text, severity="info"),
                *(note for note in heard.notes if note.code in WHERE_IT_IS_KNOWN),
                *course_notes(beside / whole),
            ),
            other_course=beside / whole,
        )
    return None


def doubted(stated: SpeedTrace, heard: SpeedTrace) -> SpeedTrace:
    """Take from the confidence in a stated number what the ear gives to another speed, and say so.

    Either the number is right or the ear is: the odds of the number are its own times those against the ear.

    >>> import numpy as np
    >>> one, heard = np.array([1600.0]), np.array([800.0])
    >>> stated = SpeedTrace("entered", 0.95, np.zeros(1), one, one, one, np.array([0.95]))
    >>> sure = SpeedTrace("acoustic", 0.99, np.zeros(1), heard, heard, heard, np.ones(1))
    >>> told = doubted(stated, sure)
    >>> round(told.confidence, 2), told.notes[0].text
    (0.16, 'By ear the engine turns 800 rpm, not the stated 1600: check the number, every order hangs on it.')
    """
    if not heard.known:
        return stated
    against = min(heard.confidence, 0.999)
    odds = stated.confidence / (1.0 - stated.confidence) * (1.0 - against) / max(against, 1e-3)
    confidence = min(stated.confidence, odds / (1.0 + odds))
    if against < SURE_ENOUGH:
        return replace(stated, confidence=confidence)
    text = (
        f"By ear the engine turns {heard.median_rpm:.0f} rpm, not the stated {stated.median_rpm:.0f}: "
        "check the number, every order hangs on it."
    )
    instants = np.minimum(stated.instant_confidence, confidence)
    notes = (*stated.notes, Note("speed_doubted", text))
    return replace(stated, confidence=confidence, instant_confidence=read_only(instants), notes=notes)


def _pulse_channel(clip: Clip, number: int | None) -> Clip:
    """Give the channel of the clip that carries pulses, counted from 1, as a clip of its own."""
    others = [n for n in range(1, clip.channels + 1) if n != clip.channel_used]
    if clip.other_channels is None or number not in others:
        raise SpeedError(
            f"{clip.name} has no such pulse channel",
            got=f"channel {number} of {clip.channels}, channel {clip.channel_used} being the sound",
            allowed=", ".join(map(str, others)) or "a recording with at least two channels",
            todo="name another channel, or the sound's channel with --channel",
        )
    return replace(clip, samples=clip.other_channels[others.index(number)], other_channels=None)
