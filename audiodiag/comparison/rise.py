"""By how much has a sound that swells with the steering changed, told by how far each band rises alone?

A groan is never quite silent at rest, so that it is part of what is taken for the engine there, and the
engine itself swells under load. Both make changes come out too small, in all recordings alike. How far a band
rises from rest to the stops needs no ruler: phone and place move both alike. In a band where the groan is X
times as loud at the stops as the engine there, the rise is K (1 + X) / (1 + r X): K is by how much the engine
swells and the phone's gain moves, one number for each recording; r is how much of the groan is left at rest,
beside how much of the engine is, one number for the car. X is the car's spectrum times the groan's level, of
which there is one for each side. All of them are fitted together to the rises of all recordings (most likely
values, Gauss-Newton steps damped after Levenberg 1944 and Marquardt 1963, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiodiag.comparison.strengths import BANDS_HZ, Masks, Strengths, per_hz, segment_mean
from audiodiag.records import FloatArray, read_only
from audiodiag.symptoms import Scene

__all__ = ["RiseChange", "change_by_rise", "rises_of"]

LOW_HZ, HIGH_HZ = 150.0, 9500.0
FEWEST_BANDS = 6
_NEPER = math.log(10.0) / 10.0
"""A decibel of power as a natural logarithm; everything below is held in the latter."""
NOISE, WAY = 0.25 * _NEPER, 3.0 * _NEPER
"""Standard deviations of a band's rise by chance, and of the way to the microphone that the groan has and the
engine has not, by which X differs from recording to recording (chosen on simulated pairs)."""
SWELL, SWELL_WIDTH, SWELL_APART = 1.4 * _NEPER, 1.5 * _NEPER, 3.0 * _NEPER
"""How far the engine rises beside the phone's gain, mean and standard deviation from car to car, and the
standard deviation from recording to recording (chosen on simulated pairs)."""
LEFT, LEFT_WIDTH = -1.8, 1.5
"""What is left of a groan at rest beside the engine, as the logarithm of the odds, and its standard deviation
(chosen on simulated pairs)."""
BAND, BAND_WIDTH, CHANGE_WIDTH = -4.3 * _NEPER, 10.0 * _NEPER, 12.0 * _NEPER
"""X in any band, mean and standard deviation, and the standard deviation of a change: so wide that they do
not matter where anything is heard."""
TAIL = 30.0
"""Degrees of freedom of what lies off the model (Student's law)."""
OUTER, INNER, TRIES = 6, 15, 8
SETTLED = 1e-9
"""Share of the misfit by which a step must lessen it to be followed by another."""


@dataclass(frozen=True)
class RiseChange:
    """A change after less before, dB, and its standard deviation as the fit states it, dB.

    left: what is left of the sound at rest, beside what is left of the engine there, as a share. over_db: how
    far the sound stands over the engine in the second loudest of its bands, half way between both sides.
    """

    change_db: float
    deviation_db: float
    left: float
    over_db: float


def rises_of(scene: Scene, masks: Masks) -> Strengths:
    """Give by how much each band is stronger at the stops than at rest, as a ratio of powers.

    The phone's moving gain is not taken out: it moves all bands alike, and that is fitted. Only where the
    steering was stated; all NaN otherwise, since instants chosen by their level always rise.
    """
    rise, error = np.full(len(BANDS_HZ), np.nan), np.full(len(BANDS_HZ), np.nan)
    if masks.stated and len(scene.level_hz):
        level = scene.level * scene.level_hz * per_hz(scene)
        (up, up_error), (rest, rest_error) = (segment_mean(level, mask) for mask in (masks.stop, masks.calm))
        for i, hz in enumerate(scene.level_hz):
            j = int(np.argmin(np.abs(np.log(BANDS_HZ / hz))))
            if up[i] > 0.0 and rest[i] > 0.0 and LOW_HZ < hz < HIGH_HZ:
                rise[j] = up[i] / rest[i]
                error[j] = rise[j] * math.hypot(up_error[i] / up[i], rest_error[i] / rest[i])
    return Strengths(BANDS_HZ, read_only(rise), read_only(error))


def change_by_rise(before: Sequence[FloatArray], after: Sequence[FloatArray]) -> RiseChange | None:
    """Estimate the change from the rises of all recordings.

    Parameters
    ----------
    before, after:
        For every recording the rises, shape (bands,), as ratios of powers, NaN where it lacks a band.

    None where fewer than ``FEWEST_BANDS`` bands are carried by half of the recordings, or a recording carries
    none. Sides changed over give the change with the other sign.

    >>> x = np.array([0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 10.0, 3.0])
    >>> loud, soft = ([1.5 * (1 + a * x) / (1 + 0.05 * a * x)] * 4 for a in (1.0, 0.25))
    >>> found = change_by_rise(loud, soft)
    >>> round(found.change_db), found.left < 0.1, round(change_by_rise(soft, loud).change_db)
    (-6, True, 6)
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        seen = np.log(np.array([*before, *after], float))
    used = np.isfinite(seen).mean(axis=0) >= 0.5
    seen = seen[:, used]
    if used.sum() < FEWEST_BANDS or not np.isfinite(seen).any(axis=1).all():
        return None
    side = np.repeat([-0.5, 0.5], [len(before), len(after)])
    fit = _Fit(seen, side)
    at, deviation = fit.solved()
    share = 1.0 / (1.0 + math.exp(-float(at[-1])))
    over = float(np.sort(at[: fit.bands])[-2])
    return RiseChange(float(at[fit.change]) / _NEPER, deviation / _NEPER, share, over / _NEPER)


class _Fit:
    """Most likely bands (first), change, mean swell, each recording's swell, and share left (last)."""

    def __init__(self, seen: FloatArray, side: FloatArray) -> None:
        self.known: NDArray[np.bool_] = np.isfinite(seen)
        self.seen: FloatArray = np.where(self.known, seen, 0.0)
        self.side = side
        self.count, self.bands = seen.shape
        self.change, self.swell = self.bands, self.bands + 1
        self.own = np.arange(self.count) + self.bands + 2
        self.size = self.bands + 3 + self.count
        self._prior, self._wanted = self._held()

    def _held(self) -> tuple[FloatArray, FloatArray]:
        """What is held of the parameters beforehand, as rows of a least squares problem."""
        rows = np.eye(self.size)
        wanted = np.zeros(self.size)
        width = np.full(self.size, BAND_WIDTH)
        wanted[: self.bands] = BAND
        width[self.change] = CHANGE_WIDTH
        wanted[self.swell], width[self.swell] = SWELL, SWELL_WIDTH
        rows[self.own, self.swell], width[self.own] = -1.0, SWELL_APART
        wanted[-1], width[-1] = LEFT, LEFT_WIDTH
        return rows / width[:, None], wanted / width

    def model(self, at: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The rises at some parameters, as logarithms, shape (recordings, bands), and their slopes by X and
        by the share left."""
        x = np.exp(np.clip(at[None, : self.bands] + self.side[:, None] * at[self.change], -30.0, 30.0))
        left = 1.0 / (1.0 + np.exp(-at[-1]))
        rise = at[self.own][:, None] + np.log1p(x) - np.log1p(left * x)
        slope = x / (1.0 + x) - left * x / (1.0 + left * x)
        return rise, slope, -x / (1.0 + left * x) * left * (1.0 - left)

    def misfit(self, at: FloatArray, weight: FloatArray) -> float:
        """What the most likely parameters make least."""
        off = self.seen - self.model(at)[0]
        held = self._prior @ at - self._wanted
        return float((weight * off**2).sum() + (held**2).sum())

    def normal(self, at: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Matrix and right hand side of a Gauss-Newton step."""
        rise, slope, by_left = self.model(at)
        rows = np.zeros((self.count, self.bands, self.size))
        band, recording = np.arange(self.bands), np.arange(self.count)
        rows[:, band, band] = slope
        rows[:, :, self.change] = slope * self.side[:, None]
        rows[recording, :, self.own] = 1.0
        rows[:, :, -1] = by_left
        flat = rows.reshape(-1, self.size)
        weighed = flat * weight.reshape(-1, 1)
        matrix = flat.T @ weighed + self._prior.T @ self._prior
        held = self._wanted - self._prior @ at
        return matrix, weighed.T @ (self.seen - rise).ravel() + self._prior.T @ held

    def solved(self) -> tuple[FloatArray, float]:
        """The most likely parameters, and the standard deviation of the change."""
        at: FloatArray = np.array(self._wanted / np.diag(self._prior))
        at[self.own] = np.where(self.known, self.seen, np.inf).min(axis=1)
        variance: FloatArray = np.full(self.seen.shape, (2.0 * NOISE) ** 2)
        weight: FloatArray = np.where(self.known, 1.0 / variance, 0.0)
        for _ in range(OUTER):
            at = self._settled(at, weight)
            rise, slope, _ = self.model(at)
            usual = NOISE**2 + (WAY * slope) ** 2
            off = (self.seen - rise) ** 2 / usual
            variance = np.asarray(usual * (TAIL + off) / (TAIL + 1.0))
            weight = np.where(self.known, 1.0 / variance, 0.0)
        matrix, _ = self.normal(at, weight)
        return at, math.sqrt(float(np.linalg.inv(matrix)[self.change, self.change]))

    def _settled(self, at: FloatArray, weight: FloatArray) -> FloatArray:
        """Damped steps until they no longer lessen the misfit."""
        damping, cost = 1e-3, self.misfit(at, weight)
        for _ in range(INNER):
            matrix, right = self.normal(at, weight)
            for _ in range(TRIES):
                step = np.linalg.solve(matrix + damping * np.diag(np.diag(matrix)), right)
                found = self.misfit(at + step, weight)
                if found <= cost:
                    break
                damping *= 5.0
            else:
                return at
            at, gained, cost = at + step, cost - found, found
            damping = max(damping / 5.0, 1e-9)
            if gained <= SETTLED * cost:
                break
        return at
