"""Fits the nets that choose between half, double and other numbers of cylinders in the speed room."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from audiodiag.records import FloatArray
from audiodiag.speed.chooser import Chooser, ChooserNet, beside_best
from audiodiag.speed.firings import CYLINDERS, FiringModel, describe_numbers

__all__ = ["NetSettings", "RowExample", "fit_chooser", "fit_firings", "fit_sum", "fit_trust"]


BESIDE_RIDGE = 0.01
"""Pulls the weights of the sum beside the nets to zero."""


@dataclass(frozen=True)
class NetSettings:
    """How the nets are fitted: units, nets, passes over the clips, clips a step, rate, ridge.

    drop: share of the features left out in each step.
    """

    units: int = 24
    nets: int = 3
    passes: int = 60
    clips: int = 16
    rate: float = 3e-3
    ridge: float = 1e-2
    drop: float = 0.2


def fit_chooser(
    features: Sequence[FloatArray],
    right: Sequence[Sequence[int]],
    weight: Sequence[float],
    *,
    settings: NetSettings | None = None,
) -> Chooser:
    """Fit the nets and the sum beside them; the trust is (0, 1) until ``fit_trust`` has measured it.

    features: for each clip, shape (hypotheses + 1, features). right: rows of the true hypotheses in each, the
    last row where none is true. weight: how much each clip counts.

    Source of the steps: Kingma and Ba, ICLR 2015 (Adam; from memory), on random numbers of its own.
    """
    settings = settings or NetSettings()
    shell = _shell(features)
    scaled = [shell.scaled(rows).astype(np.float32) for rows in features]
    share = np.asarray(weight, float) / np.mean(weight)
    nets = tuple(
        _fit_net(scaled, right, share, settings, np.random.default_rng([2207, number]))
        for number in range(settings.nets)
    )
    beside = fit_sum([beside_best(rows) for rows in features], right, weight, ridge=BESIDE_RIDGE)
    return Chooser(shell.centre, shell.scale, nets, shell.trust, beside)


def _shell(features: Sequence[FloatArray]) -> Chooser:
    """Give a chooser that can only scale: by the mean and spread of all rows, what is NaN left out."""
    stacked = np.concatenate(features)
    return Chooser(np.nanmean(stacked, axis=0), np.nanstd(stacked, axis=0) + 1e-3, (), np.array([0.0, 1.0]))


def fit_sum(
    features: Sequence[FloatArray],
    right: Sequence[Sequence[int]],
    weight: Sequence[float],
    *,
    ridge: float = 0.03,
) -> Chooser:
    """Fit a chooser whose score is a plain weighted sum: a softmax over the rows of each clip, convex.

    Arguments as of ``fit_chooser``; ridge pulls the weights of the scaled features to zero.
    """
    from scipy.optimize import minimize

    size = features[0].shape[1]
    nothing = np.zeros((size, 0))
    shell = _shell(features)
    scaled = [shell.scaled(rows).astype(np.float32) for rows in features]
    share = np.asarray(weight, float) / np.mean(weight)

    def loss(values: FloatArray) -> tuple[float, FloatArray]:
        total, slope, single = 0.0, np.zeros(size), values.astype(np.float32)
        for rows, truth, counts in zip(scaled, right, share, strict=True):
            score, true_rows = (rows @ single).astype(float), list(truth)
            whole, mine = np.logaddexp.reduce(score), np.logaddexp.reduce(score[true_rows])
            total += counts * (whole - mine)
            away = np.exp(score - whole)
            away[true_rows] -= np.exp(score[true_rows] - mine)
            slope += counts * (away.astype(np.float32) @ rows)
        total = total / len(scaled) + 0.5 * ridge * float(values @ values)
        return float(total), slope / len(scaled) + ridge * values

    found = minimize(loss, np.zeros(size), jac=True, method="L-BFGS-B", options={"ftol": 1e-7}).x
    return Chooser(
        shell.centre, shell.scale, (ChooserNet(nothing, np.zeros(0), np.zeros(0), found),), shell.trust
    )


def _fit_net(
    scaled: Sequence[FloatArray],
    right: Sequence[Sequence[int]],
    share: FloatArray,
    settings: NetSettings,
    rng: np.random.Generator,
) -> ChooserNet:
    size = scaled[0].shape[1]
    values: list[FloatArray] = [
        (rng.standard_normal((size, settings.units)) / np.sqrt(size)).astype(np.float32),
        np.zeros(settings.units, np.float32),
        (0.1 * rng.standard_normal(settings.units)).astype(np.float32),
        np.zeros(size, np.float32),
    ]
    first = [np.zeros_like(v) for v in values]
    second = [np.zeros_like(v) for v in values]
    order, step = np.arange(len(scaled)), 0
    for turn in range(settings.passes):
        rng.shuffle(order)
        rate = settings.rate * 0.5 * (1 + np.cos(np.pi * turn / settings.passes))
        for start in range(0, len(order), settings.clips):
            picked = order[start : start + settings.clips]
            kept = np.where(rng.random(size) > settings.drop, 1.0, 0.0).astype(np.float32)
            slopes = _slopes(values, [(scaled[i] * kept, right[i], float(share[i])) for i in picked])
            step += 1
            for i, slope in enumerate(slopes):
                pulled = slope if i == 1 else slope + settings.ridge * values[i]
                first[i] = 0.9 * first[i] + 0.1 * pulled
                second[i] = 0.999 * second[i] + 0.001 * pulled * pulled
                ahead = first[i] / (1 - 0.9**step)
                size_of = np.sqrt(second[i] / (1 - 0.999**step)) + 1e-8
                values[i] = (values[i] - rate * ahead / size_of).astype(np.float32)
    return ChooserNet(*(v.astype(float) for v in values))


def _slopes(
    values: Sequence[FloatArray], batch: Sequence[tuple[FloatArray, Sequence[int], float]]
) -> list[FloatArray]:
    """Gradient of the mean loss: minus the log of what the softmax gives to the true rows of each clip."""
    hidden, bias, out, direct = values
    rows = np.concatenate([each[0] for each in batch])
    units = np.maximum(rows @ hidden + bias, 0.0)
    score = units @ out + rows @ direct
    slope, place = np.empty_like(score), 0
    for table, true_rows, share in batch:
        part = slice(place, place + len(table))
        mine, truth = score[part], list(true_rows)
        wanted = np.zeros(len(table), np.float32)
        wanted[truth] = np.exp(mine[truth] - np.logaddexp.reduce(mine[truth]))
        slope[part] = share * (np.exp(mine - np.logaddexp.reduce(mine)) - wanted) / len(batch)
        place += len(table)
    back = np.where(units > 0, np.outer(slope, out), 0.0).astype(np.float32)
    return [rows.T @ back, back.sum(axis=0), units.T @ slope, rows.T @ slope]


@dataclass(frozen=True, eq=False)
class RowExample:
    """A clip whose firing rate is known: its lines over the rows, from ``firings.row_lines``.

    cylinders: the true number. weight: how much the clip counts.
    """

    lines: FloatArray
    cylinders: int
    weight: float


def fit_firings(examples: Sequence[RowExample], *, ridge: float = 0.02) -> FiringModel:
    """Fit what the lines over the rows say of the number of cylinders: a softmax over the numbers, convex.

    ridge: pulls the weights of the scaled numbers to zero.
    """
    from scipy.optimize import minimize

    tables = np.array([describe_numbers(example.lines) for example in examples])
    stacked = tables.reshape(-1, tables.shape[2])
    centre, scale = stacked.mean(axis=0), stacked.std(axis=0) + 1e-3
    tables = (tables - centre) / scale
    truth = np.array([CYLINDERS.index(example.cylinders) for example in examples])
    counts = np.array([example.weight for example in examples])
    counts, places = counts / counts.sum(), np.arange(len(examples))

    def loss(weights: FloatArray) -> tuple[float, FloatArray]:
        score = tables @ weights
        log_share = score - np.logaddexp.reduce(score, axis=1)[:, None]
        away = np.exp(log_share)
        away[places, truth] -= 1.0
        away *= counts[:, None]
        value = -float(counts @ log_share[places, truth]) + 0.5 * ridge * float(weights @ weights)
        return value, np.einsum("ij,ijk->k", away, tables) + ridge * weights

    found = minimize(loss, np.zeros(tables.shape[2]), jac=True, method="L-BFGS-B").x
    return FiringModel(centre, scale, found)


def fit_trust(probability: Sequence[float], right: Sequence[bool]) -> FloatArray:
    """Fit offset and slope from the log-odds of the chosen speed to those that it is right; shape (2,).

    probability, right: of clips that the chooser did not see (Platt's scaling; one ridge of 0.01 on each).
    """
    from scipy.optimize import minimize

    share = np.asarray(probability, float)
    odds, truth = np.log(share + 1e-4) - np.log(1.0001 - share), np.asarray(right, float)

    def loss(values: FloatArray) -> float:
        score = values[0] + values[1] * odds
        ridge = 0.01 * (values[0] ** 2 + (values[1] - 1.0) ** 2)
        return float(np.mean(np.logaddexp(0.0, score) - truth * score) + ridge)

    return np.asarray(minimize(loss, np.array([0.0, 1.0]), method="L-BFGS-B").x)
