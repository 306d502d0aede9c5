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
    if moves is None:
        posterior, scale = _by_one_law(likelihood, law)
        return TrackPosterior(posterior, float(np.sum(np.log(scale)) + top.sum()))
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


def _by_one_law(likelihood: FloatArray, law: StepLaw) -> tuple[FloatArray, FloatArray]:
    """Go forwards and backwards at once where every step follows one law; posterior and scales forwards.

    Scores that lie some 700 nats below the best of their frame count alike: their likelihood is nothing.
    """
    frames, grid = likelihood.shape
    rows = np.eye(grid)
    moved = np.array([[_moved(row, kernel) for row in rows] for kernel in (law.kernel[::-1], law.kernel)])
    light = np.stack([likelihood, likelihood[::-1]], axis=1)[:, :, None, :]
    foretold, state = np.empty(light.shape), np.empty(light.shape)
    scale = np.empty((frames, 2, 1, 1))
    foretold[0, 0], foretold[0, 1] = 1.0 / grid, 1.0
    for i in range(frames):
        if i:
            np.matmul(state[i - 1], moved, out=foretold[i])
        np.multiply(foretold[i], light[i], out=state[i])
        state[i] += 1e-300
        scale[i] = state[i].sum(axis=2, keepdims=True)
        state[i] /= scale[i]
    posterior = state[:, 0, 0] * foretold[::-1, 1, 0] + 1e-300
    return posterior / posterior.sum(axis=1, keepdims=True), scale[:, 0, 0, 0]


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
    tables, frames, grid = scores.shape
    # All tables move in one go, with nothing between them over which one could reach the next.
    held = np.zeros((tables, grid + law.reach))
    state = held[:, :grid]
    state[:] = 1.0 / grid
    scales = np.empty((frames, tables))
    turned = _kernels(law, moves, frames - 1)[:, ::-1]
    for i in range(frames):
        if i:
            state[:] = _moved(held.ravel(), turned[i - 1]).reshape(held.shape)[:, :grid]
        state *= likelihood[:, i]
        state += 1e-300
        scales[i] = state.sum(axis=1)
        state /= scales[i][:, None]
    return np.asarray(top.sum(axis=(1, 2)) + np.log(scales).sum(axis=0))


def best_path(scores: FloatArray, law: StepLaw, moves: FloatArray | None = None) -> FloatArray:
    """Find the most probable path of grid indices (Viterbi), shape (frames,).

    scores, moves: as for ``forward_backward``.
    """
    frames, grid = scores.shape
    cost = np.asarray(np.log(_kernels(law, None, frames - 1)) if moves is None else moves, np.float32)
    reach = law.reach
    back = np.zeros((frames, grid), np.int16)
    held = np.full(grid + 2 * reach, -np.inf, np.float32)
    best = held[reach : reach + grid]
    best[:] = scores[0]
    near = np.lib.stride_tricks.sliding_window_view(held, 2 * reach + 1)
    offsets = np.arange(grid)
    for i in range(1, frames):
        options = near + cost[i - 1][::-1]
        choice = options.argmax(axis=1)
        back[i] = choice - reach
        best[:] = options[offsets, choice] + scores[i]
        best -= best.max()
    path = np.empty(frames, int)
    path[-1] = int(best.argmax())
    for i in range(frames - 1, 0, -1):
        path[i - 1] = path[i] + back[i, path[i]]
    return path
