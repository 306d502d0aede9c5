"""Stretches of time out of flags on a regular grid."""

from __future__ import annotations

import numpy as np

from audiodiag.records import Span

__all__ = ["spans_of"]


def spans_of(
    flags: np.ndarray, step_s: float, *, join_s: float = 0.0, shortest_s: float = 0.0, widen_s: float = 0.0
) -> tuple[Span, ...]:
    """Join flags, shape (n,), one every ``step_s`` seconds, to stretches in seconds.

    Gaps up to ``join_s`` are closed, stretches under ``shortest_s`` dropped, the rest widened by ``widen_s``.

    >>> import numpy as np
    >>> spans_of(np.array([0, 1, 1, 0, 0, 1], dtype=bool), 0.5)
    ((0.5, 1.5), (2.5, 3.0))
    """
    edges = np.flatnonzero(
        np.diff(np.concatenate(([False], np.asarray(flags, dtype=bool), [False])).astype(np.int8))
    )
    joined: list[list[float]] = []
    for start, end in zip(edges[::2] * step_s, edges[1::2] * step_s, strict=True):
        if joined and start - joined[-1][1] <= join_s:
            joined[-1][1] = float(end)
        else:
            joined.append([float(start), float(end)])
    last_s = len(flags) * step_s
    return tuple(
        (round(max(0.0, start - widen_s), 4), round(min(last_s, end + widen_s), 4))
        for start, end in joined
        if end - start >= shortest_s
    )
