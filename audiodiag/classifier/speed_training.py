"""Learns the weights of the engine-speed comb from simulated clips.

The comb of ``audiodiag.speed.comb`` scores every (cylinders, speed) pair at every instant; here its weights
are fitted so that the softmax over all pairs, and over the speeds alone where the cylinders are known, gives
the true pair the most probability. The loss is convex; the result is repeatable to the bit on one machine.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from audiodiag.files import write_bytes_whole
from audiodiag.records import FloatArray
from audiodiag.speed.comb import CYLINDERS, RPM_GRID, TEETH, speed_prior, tooth_levels
from audiodiag.speed.front import CHANNELS, LOG_STEP, FrontEnd, basebands, front_end

__all__ = ["CombExamples", "comb_examples", "fit_comb", "fit_hypotheses", "save_comb"]


THIN = 4
"""Only every fourth wrong speed is kept in training and counted fourfold; the true one and its neighbours stay."""


@dataclass(frozen=True, eq=False)
class CombExamples:
    """Frames of clips with known speed, over the true speed, its two neighbours and a part of the others.

    levels: shape (frames, speeds, channels * teeth), float16; speeds 0 to 2 are the true one and its
    neighbours. log_prior: prior and thinning of each speed, shape (frames, speeds). cylinders_index: shape
    (frames,).
    """

    levels: FloatArray
    log_prior: FloatArray
    cylinders_index: FloatArray


def comb_examples(
    samples: FloatArray,
    rate_hz: int,
    *,
    time_s: Sequence[float],
    rpm: Sequence[float],
    cylinders: int,
    frames: int,
    rng: np.random.Generator,
) -> CombExamples:
    """Draw frames of one clip at random and compute their tooth levels."""
    front = front_end(basebands(samples, rate_hz), len(samples) / rate_hz)
    true = np.interp(front.time_s, time_s, rpm)
    usable = np.flatnonzero((true > RPM_GRID[1]) & (true < RPM_GRID[-2]))
    pick = np.sort(rng.choice(usable, min(frames, len(usable)), replace=False))
    picked = FrontEnd(front.spectra[:, pick], front.axis_hz, front.time_s[pick], front.energy_db[pick])
    index = np.clip(np.round(np.log(true[pick] / RPM_GRID[0]) / LOG_STEP).astype(int), 1, len(RPM_GRID) - 2)
    others = int(rng.integers(THIN)) + THIN * np.arange(len(RPM_GRID) // THIN)
    others = np.broadcast_to(others, (len(pick), len(others)))
    speeds = np.concatenate([index[:, None], index[:, None] - 1, index[:, None] + 1, others], axis=1)
    log_prior = speed_prior()[speeds]
    log_prior[:, 3:] += np.where(np.abs(others - index[:, None]) <= 1, -50.0, np.log(THIN))
    rows = np.arange(len(pick))[:, None]
    levels = np.empty((*speeds.shape, len(CHANNELS) * len(TEETH)), np.float16)
    for channel in range(len(CHANNELS)):
        for tooth in range(len(TEETH)):
            levels[..., channel * len(TEETH) + tooth] = tooth_levels(picked, channel, tooth)[rows, speeds]
    return CombExamples(levels, log_prior, np.full(len(pick), CYLINDERS.index(cylinders)))


def _loss(weights: FloatArray, examples: CombExamples, ridge: float) -> tuple[float, FloatArray]:
    """Joint and conditional softmax loss with its gradient; weights: shape (features, cylinders)."""
    total = 0.5 * ridge * float(np.sum(weights**2))
    gradient = ridge * weights.copy()
    count = len(examples.levels)
    for start in range(0, count, 200):
        levels = examples.levels[start : start + 200].astype(np.float32)
        frames, speeds, features = levels.shape
        scores = (levels.reshape(-1, features) @ weights.astype(np.float32)).reshape(frames, speeds, -1)
        scores = scores.astype(float) + examples.log_prior[start : start + 200, :, None]
        rows = np.arange(frames)
        number = examples.cylinders_index[start : start + 200]
        target = np.zeros_like(scores)
        for speed, share in ((0, 0.6), (1, 0.2), (2, 0.2)):
            target[rows, speed, number] = share
        known = scores[rows, :, number]
        log_joint = scores - np.logaddexp.reduce(scores.reshape(frames, -1), axis=1)[:, None, None]
        log_known = known - np.logaddexp.reduce(known, axis=1)[:, None]
        total -= 0.5 * float(np.sum(target * log_joint)) / count
        total -= 0.5 * float(np.sum(target[rows, :, number] * log_known)) / count
        slope = 0.5 * (np.exp(log_joint) - target)
        slope[rows, :, number] += 0.5 * (np.exp(log_known) - target[rows, :, number])
        gradient += levels.reshape(-1, features).T @ slope.reshape(-1, scores.shape[2]).astype(np.float32) / count
    return total, gradient


def fit_comb(
    examples: Sequence[CombExamples],
    *,
    ridge: float = 2e-3,
    steps: int = 120,
    progress: Callable[[str, float], None] | None = None,
) -> FloatArray:
    """Fit the comb weights; returns shape (cylinders, channels, teeth).

    examples: one per clip. ridge: strength of the pull to zero.
    """
    from scipy.optimize import minimize

    joined = CombExamples(
        np.concatenate([e.levels for e in examples]),
        np.concatenate([e.log_prior for e in examples]),
        np.concatenate([e.cylinders_index for e in examples]),
    )
    shape = (joined.levels.shape[2], len(CYLINDERS))
    done = 0

    def value(flat: FloatArray) -> tuple[float, FloatArray]:
        nonlocal done
        done += 1
        if progress:
            progress("fitting the speed comb", min(1.0, done / (steps * 1.2)))
        loss, gradient = _loss(flat.reshape(shape), joined, ridge)
        return loss, gradient.ravel().astype(float)

    found = minimize(value, np.zeros(shape).ravel(), jac=True, method="L-BFGS-B", options={"maxiter": steps})
    return found.x.reshape(shape).T.reshape(len(CYLINDERS), len(CHANNELS), len(TEETH))


def save_comb(
    weights: FloatArray, chooser: FloatArray, confidence: FloatArray, path: Path, *, data: str
) -> None:
    """Write all weights of the speed room as plain numbers, schema ``audiodiag/speed/1``."""
    stored = {
        "schema": "audiodiag/speed/1",
        "data": data,
        "teeth": {str(n): np.round(weights[i], 5).tolist() for i, n in enumerate(CYLINDERS)},
        "hypotheses": np.round(chooser, 6).tolist(),
        "confidence": np.round(confidence, 6).tolist(),
    }
    write_bytes_whole(path, json.dumps(stored).encode())


def fit_hypotheses(
    features: Sequence[FloatArray], right: Sequence[int], *, ridge: float = 1e-2
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Fit the softmax that chooses between half, double and other numbers of cylinders.

    features: for each clip, shape (hypotheses, features). right: row of the true hypothesis in each. Returns
    the centre and scale of the features and their weights, each shape (features,).
    """
    from scipy.optimize import minimize

    stacked = np.concatenate(list(features))
    centre, scale = stacked.mean(axis=0), stacked.std(axis=0) + 1e-6
    scaled = [(rows - centre) / scale for rows in features]

    def value(weights: FloatArray) -> tuple[float, FloatArray]:
        loss, gradient = 0.5 * ridge * float(weights @ weights), ridge * weights
        for rows, truth in zip(scaled, right, strict=True):
            score = rows @ weights
            log_p = score - np.logaddexp.reduce(score)
            loss -= log_p[truth] / len(scaled)
            gradient = gradient + (np.exp(log_p) @ rows - rows[truth]) / len(scaled)
        return loss, gradient

    found = minimize(value, np.zeros(stacked.shape[1]), jac=True, method="L-BFGS-B", options={"maxiter": 400})
    return centre, scale, found.x
