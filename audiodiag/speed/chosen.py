"""The engine speed of one clip: from what was stated, else by ear."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from audiodiag.clip import read_clip
from audiodiag.errors import SpeedError
from audiodiag.records import Clip, Quality, SpeedTrace
from audiodiag.speed.acoustic import no_speed, speed_by_ear
from audiodiag.speed.given import speed_from_number, speed_from_table
from audiodiag.speed.tach import speed_from_pulses
from audiodiag.speed.tach_file import laid_upon_clip
from audiodiag.vehicle import Vehicle

__all__ = ["speed_of_clip"]


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

    Raises
    ------
    SpeedError
        If more than one is given, or what is given cannot be used.

    >>> import numpy as np
    >>> silence = Clip(np.zeros(16000, np.float32), 8000, "a", "", "pcm")
    >>> speed_of_clip(silence, Quality(True, (), (20.0, 4000.0)), speed_rpm=780).median_rpm
    780.0
    """
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
        return speed_from_number(speed_rpm, clip.duration_s)
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
    return speed_by_ear(clip, vehicle=vehicle)


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
