"""Short gaps without sound are bridged with the sound beside them before anything is measured.

A phone that suppresses noise, or a connection that stumbles, leaves stretches of digital silence. Measured
as they are, they swing the level as nothing in an engine bay does, and the clip passes for something strange.
The piece laid into a gap is taken from just before or after it, at the shift at which its ends fit best
to what stands beside the gap (waveform similarity, as in Verhelst and Roelands, ICASSP 1993, 554; from
memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import correlate

from audiodiag.records import Clip, FloatArray, Quality, Span, read_only

__all__ = ["bridged", "can_be_bridged"]

LONGEST_S = 1.0
"""Gaps longer than this stay: too much of the turn of the wheel could be missing."""
MOST_SHARE = 0.25
"""Share of a clip that may be bridged: of less sound nothing would be claimed as if it were whole."""
FIT_S = 0.03
"""What must fit at each end of the piece, and is faded over; a cylinder fires once in it at 1,000 rpm."""
SOUGHT_S = 0.4
"""How far back or ahead of the gap the piece is sought, three turns at 450 rpm."""
BESIDE_S, QUIET_SHARE = 0.1, 0.1
"""So long beside a gap the sound must not be quieter than this share of the whole clip's."""
EDGE_S = 0.004
"""Gaps are found in blocks of this length; where they begin and end is known no better."""


def can_be_bridged(samples: FloatArray, rate_hz: int, gaps: Sequence[Span]) -> bool:
    """Tell whether gaps, in seconds, are short and few enough to be bridged, and stand in sound.

    samples: shape (n,). Where it is quiet on either side of a gap, as before the engine starts, no sound is
    missing in it.

    >>> sound = np.sin(np.arange(80_000, dtype=np.float32))
    >>> sound[8000:9600] = 0.0
    >>> can_be_bridged(sound, 8000, [(1.0, 1.2)]), can_be_bridged(sound, 8000, [])
    (True, False)
    """
    lengths = [end - start for start, end in gaps]
    if not lengths or max(lengths) > LONGEST_S or sum(lengths) > MOST_SHARE * len(samples) / rate_hz:
        return False
    beside = round(BESIDE_S * rate_hz)
    least = QUIET_SHARE * _rms(samples)
    edges = [_edges(gap, rate_hz, len(samples)) for gap in gaps]
    return all(
        min(_rms(samples[max(0, first - beside) : first]), _rms(samples[last : last + beside])) >= least
        for first, last in edges
    )


def bridged(clip: Clip, quality: Quality) -> Clip:
    """Give the clip with its gaps bridged, where its quality names gaps that can be; else the clip itself."""
    gaps = [span for note in quality.notes if note.code == "dropouts" for span in note.spans_s]
    if not can_be_bridged(clip.samples, clip.sample_rate_hz, gaps):
        return clip
    samples = np.array(clip.samples, dtype=np.float32)
    edges = [_edges(gap, clip.sample_rate_hz, len(samples)) for gap in gaps]
    gone = np.zeros(len(samples), dtype=bool)
    for first, last in edges:
        gone[first:last] = True
    for first, last in edges:
        gone[first:last] = not _bridge(samples, gone, first, last, clip.sample_rate_hz)
    return replace(clip, samples=read_only(samples))


def _edges(gap: Span, rate_hz: int, count: int) -> tuple[int, int]:
    """Give the first sample of a gap and the one after its last, a block wider than it was found."""
    return max(0, round((gap[0] - EDGE_S) * rate_hz)), min(count, round((gap[1] + EDGE_S) * rate_hz))


def _rms(samples: FloatArray) -> float:
    return float(np.sqrt(np.mean(np.square(samples, dtype=float)))) if len(samples) else 0.0


def _bridge(samples: FloatArray, gone: NDArray[np.bool_], first: int, last: int, rate_hz: int) -> bool:
    """Lay a piece of the sound before or else after it into one gap; tell whether there was one.

    gone: where there is no sound to take, shape (n,) as ``samples``, which change.
    """
    fit, sought = round(FIT_S * rate_hz), round(SOUGHT_S * rate_hz)
    length = last - first + 2 * fit
    if first < fit or last + fit > len(samples):
        return False
    left, right = samples[first - fit : first], samples[last : last + fit]
    missing = np.concatenate([[0], np.cumsum(gone)])
    for lowest, highest in ((first - length - sought, first - length), (last, last + sought)):
        lowest, highest = max(lowest, 0), min(highest, len(samples) - length)
        if highest < lowest:
            continue
        around = samples[lowest : highest + length]
        miss = _misfit(around[: highest - lowest + fit], left) + _misfit(around[length - fit :], right)
        whole = missing[lowest + length : highest + length + 1] == missing[lowest : highest + 1]
        if not whole.any():
            continue
        place = lowest + int(np.argmin(np.where(whole, miss, np.inf)))
        piece = samples[place : place + length].copy()
        rise = np.sin(np.linspace(0.0, np.pi / 2, fit, dtype=np.float32)) ** 2
        piece[:fit] = rise * piece[:fit] + (1 - rise) * left
        piece[-fit:] = rise[::-1] * piece[-fit:] + (1 - rise[::-1]) * right
        samples[first - fit : last + fit] = piece
        return True
    return False


def _misfit(around: FloatArray, wanted: FloatArray) -> FloatArray:
    """Sum of squared differences from ``wanted`` (fit,) at each shift along ``around`` (n,)."""
    energy = np.convolve(around.astype(float) ** 2, np.ones(len(wanted)), "valid")
    return np.asarray(energy - 2.0 * correlate(around, wanted, "valid", method="fft"))
