"""Whether the recording was overdriven: tops cut flat at a rail, or rounded off before a coding blurred
the rail."""

from __future__ import annotations

import numpy as np

from audiodiag.records import FloatArray, Note, Span

__all__ = ["ALL_CLIPPED_SHARE", "clipped_share", "clipping_notes"]

ALL_CLIPPED_SHARE = 0.3
"""Share of samples at the rail from which nothing can be said any more."""

_RAIL, _BELOW = 0.98, 0.90
_DWELL = 0.5
_FEWEST_SAMPLES = 40
_SHOULDER = 0.75
_BLOCK_S = 0.25


def _rail(magnitude: FloatArray) -> tuple[float, int, float]:
    """Give the top level, the number of samples in its last 2 %, and their share of those in the last 10
    %."""
    top = float(magnitude.max()) if magnitude.size else 0.0
    at_rail = int(np.count_nonzero(magnitude > _RAIL * top))
    near = int(np.count_nonzero(magnitude > _BELOW * top))
    return top, at_rail, at_rail / max(near, 1)


def clipped_share(samples: FloatArray, sample_rate_hz: int, *, quantised_coarsely: bool = False) -> float:
    """Share of the samples, shape (n,), that lie on a flat top, 0 where the tops are round.

    A smooth top of height 1 is a parabola and spends at most sqrt(0.02 / 0.10) = 0.447 of its time above 0.9
    also above 0.98; a cut top spends more. More than a half counts as cut.

    >>> import numpy as np
    >>> t = np.arange(48_000) / 48_000
    >>> tone = np.sin(2 * np.pi * 97.0 * t)
    >>> clipped_share(tone, 48_000), round(clipped_share(np.clip(tone, -0.5, 0.5), 48_000), 2)
    (0.0, 0.67)
    """
    magnitude = np.abs(np.asarray(samples, dtype=np.float32))
    top, at_rail, dwell = _rail(magnitude)
    if top < (0.5 if quantised_coarsely else 0.05) or dwell < _DWELL or at_rail < _FEWEST_SAMPLES:
        return 0.0
    return at_rail / magnitude.size


def _shoulder(magnitude: FloatArray) -> float:
    """How much fuller the amplitudes are just under a limit than well below it (largest ratio over limits).

    Natural sound has ever fewer samples at ever higher amplitudes; a limiter heaps them up under its limit
    even
    where a coding has blurred the limit itself.
    """
    top = float(
        np.partition(magnitude[::5], -max(1, magnitude[::5].size // 2000))[
            -max(1, magnitude[::5].size // 2000)
        ]
    )
    if top < 0.05:
        return 0.0
    bins = np.minimum(magnitude[::2] * np.float32(200.0 / top), 300.0).astype(np.int32)
    counts = np.concatenate(([0], np.cumsum(np.bincount(bins, minlength=301)[:301])))
    total = counts[-1]
    best = 0.0
    for limit in range(120, 212, 4):
        upper = counts[round(1.05 * limit)] - counts[round(0.85 * limit)]
        lower = counts[round(0.80 * limit)] - counts[round(0.60 * limit)]
        beyond = total - counts[min(round(1.15 * limit), 300)]
        if upper > 0.02 * total and beyond < 0.05 * upper:
            best = max(best, float(upper / max(lower, 1)))
    return best


def _loud_spans(hits_per_block: np.ndarray, fewest: int, block_s: float) -> tuple[Span, ...]:
    from audiodiag.clip.spans import spans_of

    return spans_of(hits_per_block >= fewest, block_s)


def clipping_notes(
    magnitude: FloatArray, sample_rate_hz: int, *, dominance: float, quantised_coarsely: bool
) -> tuple[tuple[Note, ...], float]:
    """Say whether tops are cut; give the notes and the share of samples at the rail.

    magnitude: absolute samples, shape (n,). ``dominance``: share of the power in the strongest line, for a
    lone
    tone has amplitudes like a limited sound and cannot be told from it.
    """
    share = 0.0
    top, at_rail, dwell = _rail(magnitude)
    floor = 0.5 if quantised_coarsely else 0.05
    if top >= floor and dwell >= _DWELL and at_rail >= _FEWEST_SAMPLES:
        share = at_rail / magnitude.size
        block = max(1, round(_BLOCK_S * sample_rate_hz))
        whole = magnitude[: magnitude.size // block * block].reshape(-1, block)
        hits = np.count_nonzero(whole > _RAIL * top, axis=1)
        return (
            Note(
                "clipping",
                f"The recording is overdriven: {max(100 * share, 0.01):.2g} % of the samples are cut "
                "off flat. "
                "That makes false overtones and hides how loud the noise really is. Hold the phone farther "
                "away (about one metre) or lower the recording level, and record again.",
                _loud_spans(hits, 4, _BLOCK_S),
            ),
        ), share
    if dominance < 0.5 and not quantised_coarsely and _shoulder(magnitude) > _SHOULDER:
        return (
            Note(
                "limited",
                "The loud parts are pressed against a limit, as when a recorder is overdriven and then packs "
                "the sound. Overtones may be false and loudness is not kept. Hold the phone farther away "
                "(about one metre), switch automatic level and effects off, and record again.",
            ),
        ), share
    return (), share
