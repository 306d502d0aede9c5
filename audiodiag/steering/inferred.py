"""What did the wheel do, as far as the sound betrays it?

Nobody states the phases of a stranger's clip. What a sound betrays is little: a relief valve hisses only
while the wheel is held at a stop, and to reach a stop the wheel must have been turned. The dips of the engine
and the swelling of noise were tried too: on simulated clips they told a loaded wheel from an idle one no
better than chance clip by clip, so they only raise or lower the confidence and never make a phase.
"""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from audiodiag.records import FloatArray, Note, Phases, PhaseSpan
from audiodiag.steering.given import unknown_phases

__all__ = ["infer_phases"]

LEAST_PROBABILITY = 0.5
SHORTEST_STOP_S = 0.3
LONGEST_SHARE = 0.6
BEFORE_STOP_S = 0.8
PLATEAU_IS_STOP = 0.85
"""Share of a true hiss's plateaus that lay in a stop (simulated clips: median 0.89 of 14 clips)."""


def infer_phases(
    time_s: FloatArray,
    *,
    hiss: FloatArray,
    hiss_probability: float,
    dip_percent: FloatArray | None = None,
    noise_db: FloatArray | None = None,
) -> Phases:
    """Infer the stops, and the turning before them, from plateaus of hiss; all else stays unknown.

    Parameters
    ----------
    time_s:
        Shape (t,), evenly spaced seconds.
    hiss:
        Whether a plateau of hiss is on (above 0), shape (t,).
    hiss_probability:
        How probable it is that the plateaus are relief hiss at all, 0 to 1.
    dip_percent, noise_db:
        How far the speed lies below its usual, and the level of lower noise, shape (t,), NaN where unknown:
        they raise the confidence where they grow with the plateaus, and lower it where they fall.

    Returns
    -------
    Phases
        ``inferred`` with stops and the 0.8 s of turning before each, or ``unknown`` where hiss is improbable,
        absent, or on for most of the clip.

    >>> time = np.arange(0.05, 10, 0.1)
    >>> found = infer_phases(time, hiss=(time > 4) & (time < 6), hiss_probability=0.9)
    >>> [(span.phase, span.start_s, span.end_s) for span in found.spans], found.confidence
    ([('turning', 3.2, 4.0), ('stop', 4.0, 6.0)], 0.77)
    >>> infer_phases(time, hiss=(time > 4) & (time < 6), hiss_probability=0.2).source
    'unknown'
    """
    if len(time_s) < 10 or not hiss_probability >= LEAST_PROBABILITY:
        return unknown_phases()
    hop_s = float(time_s[1] - time_s[0])
    on = np.asarray(hiss) > 0
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(np.int8), [0]])))
    begin = float(time_s[0]) - 0.5 * hop_s
    stops = [
        (begin + float(a) * hop_s, begin + float(b) * hop_s)
        for a, b in zip(edges[::2], edges[1::2], strict=True)
        if (b - a) * hop_s >= SHORTEST_STOP_S
    ]
    if not stops or on.mean() > LONGEST_SHARE:
        return unknown_phases()
    support = [_growth(track, on) for track in (dip_percent, noise_db) if track is not None]
    shift = 0.05 * float(np.sum(np.clip(support, -1.0, 1.0))) if support else 0.0
    confidence = min(max(hiss_probability * PLATEAU_IS_STOP + shift, 0.0), 0.9)
    return Phases(
        source="inferred",
        spans=_with_turning(stops),
        confidence=round(confidence, 2),
        notes=(
            Note(
                "phases_inferred",
                "The stops are inferred from plateaus of hiss, not stated; what the wheel did at other times "
                "is unknown.",
                spans_s=tuple((round(a, 2), round(b, 2)) for a, b in stops),
                severity="info",
            ),
        ),
    )


def _with_turning(stops: list[tuple[float, float]]) -> tuple[PhaseSpan, ...]:
    """Stops with the turning that must come before each, as far as there is room."""
    spans: list[PhaseSpan] = []
    for (_, before), (start, end) in itertools.pairwise([(0.0, 0.0), *stops]):
        turned = max(start - BEFORE_STOP_S, before)
        if start - turned > 0.1:
            spans.append(PhaseSpan("turning", round(turned, 2), round(start, 2)))
        spans.append(PhaseSpan("stop", round(start, 2), round(end, 2)))
    return tuple(spans)


def _growth(track: FloatArray, on: NDArray[np.bool_]) -> float:
    """How much larger a track is on the plateaus than off them, in standard deviations; 0 if unknown."""
    known = np.isfinite(track)
    inside, outside = known & on, known & ~on
    if inside.sum() < 3 or outside.sum() < 3:
        return 0.0
    spread = float(np.std(track[known]))
    return float(np.mean(track[inside]) - np.mean(track[outside])) / spread if spread > 1e-9 else 0.0
