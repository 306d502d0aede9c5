"""How loud the band of each sound is in each position of the steering wheel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft

from audiodiag.records import PHASES, Analysis, FloatArray, PhaseName
from audiodiag.report.levels import band_of, shown_sounds

__all__ = ["PhaseLevel", "PhaseRow", "phase_rows"]

FRAME_S = 0.1
FEWEST_FRAMES = 3
WHOLE_HZ = (60.0, 20000.0)


@dataclass(frozen=True)
class PhaseLevel:
    """Level of a band in one phase, dB above the softest phase of its row: middle, and the middle half."""

    phase: PhaseName
    middle_db: float
    low_db: float
    high_db: float


@dataclass(frozen=True)
class PhaseRow:
    """One band and its levels. ``sound``: the symptom it belongs to, None for the whole recording."""

    sound: str | None
    low_hz: float
    high_hz: float
    levels: tuple[PhaseLevel, ...]


def phase_rows(analysis: Analysis) -> tuple[PhaseRow, ...]:
    """Give a row for the whole recording and for every sound heard or perhaps heard.

    Levels are medians and quartiles over frames of 0.1 s within a phase. Without two phases of at least 0.3 s
    there is nothing to compare and no row.
    """
    clip = analysis.clip
    length = round(FRAME_S * clip.sample_rate_hz)
    count = len(clip.samples) // length
    middle_s = (np.arange(count) + 0.5) * length / clip.sample_rate_hz
    inside = {
        phase: _inside(middle_s, [(s.start_s, s.end_s) for s in analysis.phases.spans if s.phase == phase])
        for phase in PHASES
    }
    known = [phase for phase in PHASES if np.count_nonzero(inside[phase]) >= FEWEST_FRAMES]
    if len(known) < 2:
        return ()
    frames = np.asarray(clip.samples[: count * length], dtype=np.float32).reshape(count, length)
    power = np.abs(scipy.fft.rfft(frames * np.hanning(length).astype(np.float32), axis=1)) ** 2
    frequency_hz = scipy.fft.rfftfreq(length, 1.0 / clip.sample_rate_hz)
    top_hz = min(0.5 * clip.sample_rate_hz, WHOLE_HZ[1])
    bands: list[tuple[str | None, float, float]] = [(None, WHOLE_HZ[0], top_hz)]
    bands += [(found.name, *band_of(found, analysis)) for found in shown_sounds(analysis)]
    rows = []
    for sound, low_hz, high in bands:
        lines = (frequency_hz >= low_hz) & (frequency_hz <= min(high, top_hz))
        if not lines.any():
            continue
        level_db = 10.0 * np.log10(power[:, lines].sum(axis=1) + 1e-20)
        quarters = {p: np.percentile(level_db[inside[p]], [25, 50, 75]) for p in known}
        softest = min(float(found[1]) for found in quarters.values())
        levels = tuple(PhaseLevel(p, *(float(quarters[p][n]) - softest for n in (1, 0, 2))) for p in known)
        rows.append(PhaseRow(sound, low_hz, min(high, top_hz), levels))
    return tuple(rows)


def _inside(time_s: FloatArray, spans_s: list[tuple[float, float]]) -> np.ndarray:
    found = np.zeros(len(time_s), dtype=bool)
    for start, end in spans_s:
        found |= (time_s >= start) & (time_s < end)
    return found
