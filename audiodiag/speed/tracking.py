"""Speed over time from scores: exact forward-backward and most probable path on a grid of speeds.

Speed moves smoothly most of the time and fast in blips; the step law is a mixture of a narrow and a wide
two-sided exponential, so that idle is followed to the step and a run-up of 1,500 rpm/s is not lost.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audiodiag.records import FloatArray

__all__ = ["StepLaw", "TrackPosterior", "best_path", "forward_backward", "log_evidence", "step_law"]


@dataclass(frozen=True, eq=False)
class StepLaw:
    """Probability of moving by k steps of the grid in one hop; shape (2 * reach + 1,), sums to 1."""

    kernel: FloatArray

    @property
    def reach(self) -> int:
        """Largest step that the law allows."""
        return len(self.kernel) // 2


@dataclass(frozen=True, eq=False)
class TrackPosterior:
    """Posterior over the grid at each frame, shape (frames, grid), and the log evidence of the whole."""

    posterior: FloatArray
    log_evidence: float


def step_law(*, narrow: float, wide: float, wide_share: float, reach: int) -> StepLaw:
    """Build the step law from two exponential widths in grid steps.

    >>> law = step_law(narrow=0.8, wide=6.0, wide_share=0.1, reach=20)
    >>> law.reach, round(float(law.kernel.sum()), 9)
    (20, 1.0)
    """
    steps = np.abs(np.arange(-reach, reach + 1))
    tight, loose = np.exp(-steps / narrow), np.exp(-steps / wide)
    return StepLaw((1 - wide_share) * tight / tight.sum() + wide_share * loose / loose.sum())


def _kernels(law: StepLaw, moves: FloatArray | None, count: int) -> FloatArray:
    """Give the probability of each step at each of ``count`` hops, shape (count, 2 reach + 1)."""
    return np.broadcast_to(law.kernel, (count, len(law.kernel))) if moves is None else np.exp(moves)


def _moved(state: FloatArray, turned: FloatArray) -> FloatArray:
    """Let states (grid,) move; beyond the grid is nothing. turned: the kernel (2 reach + 1,) backwards."""
    if len(turned) > len(state):
        reach = len(turned) // 2
        return np.asarray(np.correlate(state, turned, "full")[reach : reach + len(state)], float)
    return np.asarray(np.correlate(state, turned, "same"), float)


def forward_backward(scores: FloatArray, law: StepLaw, moves: FloatArray | None = None) -> TrackPosterior:
    """Compute the posterior of the state at each frame given all frames.

    scores: log likelihood (or tempered score), shape (frames, grid). moves: log probability of each step from
    each frame to the next, shape (frames - 1, 2 reach + 1), ascending; without, those of the law.

    Source: Rabiner, Proc. IEEE 77(2), 1989, 257 (from memory), scaled forward-backward recursion.
    """
    frames, grid = scores.shape
    top = scores.max(axis=1, keepdims=True)
    likelihood = np.exp(scores - top)
    kernels = _kernels(law, moves, frames - 1)
    turned = kernels[:, ::-1]
    forward = np.empty((frames, grid))
    scale = np.empty(frames)
    state: FloatArray = np.full(grid, 1.0 / grid)
    for i in range(frames):
        state = _moved(state, turned[i - 1]) if i else state
        state = state * likelihood[i] + 1e-300
        scale[i] = state.sum()
        state = state / scale[i]
        forward[i] = state
    back: FloatArray = np.ones(grid)
    posterior = forward
    for i in range(frames - 2, -1, -1):
        back = _moved(back * likelihood[i + 1], kernels[i])
        back /= back.max() + 1e-300
        posterior[i] *= back
    posterior += 1e-300
    posterior /= posterior.sum(axis=1, keepdims=True)
    return TrackPosterior(posterior, float(np.sum(np.log(scale)) + top.sum()))


def log_evidence(scores: FloatArray, law: StepLaw, moves: FloatArray | None = None) -> FloatArray:
    """Compute the log evidence of several score tables under one law, forwards only, shape (tables,).

    scores: shape (tables, frames, grid). moves: as for ``forward_backward``.

    >>> scores = np.random.default_rng(1).normal(size=(2, 9, 40))
    >>> law = step_law(narrow=0.8, wide=6.0, wide_share=0.1, reach=10)
    >>> alone = [forward_backward(table, law).log_evidence for table in scores]
    >>> bool(np.allclose(log_evidence(scores, law), alone))
    True
    """
    top = scores.max(axis=2, keepdims=True)
    likelihood = np.exp(scores - top)
    state = np.full((len(scores), scores.shape[2]), 1.0 / scores.shape[2])
    total = top.sum(axis=(1, 2))
    turned = _kernels(law, moves, scores.shape[1] - 1)[:, ::-1]
    for i in range(scores.shape[1]):
        state = np.stack([_moved(one, turned[i - 1]) for one in state]) if i else state
        state = state * likelihood[:, i] + 1e-300
        scale = state.sum(axis=1, keepdims=True)
        total = total + np.log(scale[:, 0])
        state = state / scale
    return np.asarray(total)


def best_path(scores: FloatArray, law: StepLaw, moves: FloatArray | None = None) -> FloatArray:
    """Find the most probable path of grid indices (Viterbi), shape (frames,).

    scores, moves: as for ``forward_backward``.
    """
    frames, grid = scores.shape
    cost = np.log(_kernels(law, None, frames - 1)) if moves is None else moves
    reach = law.reach
    back = np.zeros((frames, grid), np.int16)
    held = np.full(grid + 2 * reach, -np.inf)
    best = held[reach : reach + grid]
    best[:] = scores[0]
    near = np.lib.stride_tricks.sliding_window_view(held, 2 * reach + 1)
    offsets = np.arange(grid)
    for i in range(1, frames):
        options = near + cost[i - 1][::-1]
        choice = options.argmax(axis=1)
        back[i] = choice - reach
        best[:] = options[offsets, choice] + scores[i]
    path = np.empty(frames, int)
    path[-1] = int(best.argmax())
    for i in range(frames - 1, 0, -1):
        path[i - 1] = path[i] + back[i, path[i]]
    return path
