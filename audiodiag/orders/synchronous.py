"""What does one turn of a machine part sound like, all that is not tied to it averaged away?

Time-synchronous averaging: the sound over angle is cut into turns of the part, which are averaged point by
point. What repeats every turn stays, everything else falls with the number of turns N, as 1 / N in power.
Sources: Braun, Acustica 32 (1975), 69-77; McFadden, Mechanical Systems and Signal Processing 1(1), 1987,
83-95 (both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audiodiag.errors import ClipError, UsageError
from audiodiag.orders.angle import AngleSignal
from audiodiag.records import FloatArray, read_only

__all__ = ["SynchronousAverage", "synchronous_average"]


@dataclass(frozen=True, eq=False)
class SynchronousAverage:
    """The average turn of a part.

    turn: shape (m,), place in the turn, 0 to 1. mean: shape (m,), full scale is 1. standard_error: shape
    (m,), that of the mean, from the scatter of the turns. ``turns``: how many were averaged.
    ``turns_per_rev``: turns of the part per crank revolution. ``share``: power of the average over the power
    of the sound, less what chance leaves of noise (1 / turns of what is not explained), 0 to 1.
    """

    turn: FloatArray
    mean: FloatArray
    standard_error: FloatArray
    turns: int
    turns_per_rev: float
    share: float


def synchronous_average(
    angle: AngleSignal,
    *,
    turns_per_rev: float = 1.0,
    points: int | None = None,
    start_rev: float | None = None,
) -> SynchronousAverage:
    """Average the turns of one part.

    Parameters
    ----------
    angle:
        Sound over crank angle, from :func:`audiodiag.orders.angle.resample_to_angle`.
    turns_per_rev:
        Turns of the part per crank revolution: 1 for the crankshaft, 0.5 for the working cycle of a
        four-stroke engine (the camshaft), R for the pump, B for the belt.
    points:
        Points in a turn; as many as there are samples in a turn of ``angle`` without.
    start_rev:
        Crank revolution at which the first turn begins; the start of ``angle`` without. Turns are whole.

    Raises
    ------
    UsageError
        If the part turns so fast or so slowly that a turn holds fewer than four points.
    ClipError
        If there are fewer than two whole turns.

    >>> from audiodiag.orders.angle import resample_to_angle
    >>> x = np.cos(2 * np.pi * 25 * np.arange(48000) / 8000)
    >>> angle = resample_to_angle(x, 8000, [0, 6], [750, 750], samples_per_rev=64)
    >>> found = synchronous_average(angle)
    >>> found.turns, round(float(found.mean.max()), 2), round(found.share, 2)
    (75, 1.0, 1.0)
    """
    if not 0.0 < turns_per_rev <= angle.samples_per_rev / 4:
        raise UsageError(
            "a part that turns like this cannot be averaged",
            got=f"{turns_per_rev:g} turns per crank revolution",
            allowed=f"above 0, up to {angle.samples_per_rev / 4:g}",
            todo="state the part's turns per crank turn, or ask for more samples a revolution",
        )
    count = max(points or round(angle.samples_per_rev / turns_per_rev), 4)
    first = (0.0 if start_rev is None else start_rev - angle.start_rev) * angle.samples_per_rev
    per_turn = angle.samples_per_rev / turns_per_rev
    turns = int((len(angle.values) - 1 - first + 1e-9 + per_turn / count) / per_turn) if first >= 0 else 0
    if turns < 2:
        raise ClipError(
            "there are too few whole turns to average",
            got=f"{max(turns, 0)} turns in {angle.length_rev:.1f} crank revolutions",
            allowed="at least 2 turns",
            todo="record a longer clip, or begin earlier in it",
        )
    place = first + np.arange(turns * count) * (per_turn / count)
    cut = _between(np.asarray(angle.values, dtype=np.float64), place).reshape(turns, count)
    mean = cut.mean(axis=0)
    error = cut.std(axis=0, ddof=1) / np.sqrt(turns)
    whole = float((cut**2).mean())
    explained = float((mean**2).mean())
    share = 0.0 if whole <= 0.0 else (explained - (whole - explained) / (turns - 1)) / whole
    return SynchronousAverage(
        turn=read_only(np.arange(count) / count),
        mean=read_only(mean),
        standard_error=read_only(error),
        turns=turns,
        turns_per_rev=float(turns_per_rev),
        share=float(np.clip(share, 0.0, 1.0)),
    )


def _between(values: FloatArray, place: FloatArray) -> FloatArray:
    """Values at places between the samples: the samples themselves where all places fall on them."""
    nearest = np.round(place)
    if np.abs(place - nearest).max() < 1e-9:
        return values[nearest.astype(int)]
    from scipy.ndimage import map_coordinates

    at = place[np.newaxis]
    return np.asarray(map_coordinates(values, at, order=5, mode="nearest"))
