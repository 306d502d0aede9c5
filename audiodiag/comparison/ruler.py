"""How far do two sides differ in what they do to every band, as the engine itself shows?

The engine is the same on both sides, so what differs in its bands is the phone, its place and its gain. That
difference is a constant (gain), a tilt and a smooth curve over frequency; the engine shows it with an error
wherever it can be heard, and between and beyond those bands it is estimated with an uncertainty that grows
with the distance (Gaussian process regression: Rasmussen and Williams, Gaussian Processes for Machine
Learning, equations 2.23, 2.24, 2.30 and 2.42, from memory). How large the curve is, and how much the engine
itself differs, is weighed by how likely each makes what is heard.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audiodiag.records import FloatArray, read_only

__all__ = ["Ruler", "RulerPrior", "engine_ruler"]


@dataclass(frozen=True)
class RulerPrior:
    """What is held of two phones before any sound is heard, and of the engine as a ruler.

    tilt_db: standard deviation of the difference in slope, dB an octave. curves_db, reach_octaves: of the
    smooth difference on top, and how far it is alike. engines_db: by how much the engine's own bands differ
    between two recordings for other reasons (speed against resonances, reflections). Of the latter two,
    several are held possible, and the engine's bands show which: the same phone at the same place differs
    less than two phones in two yards. gain_db: of the overall gain, so wide that it does not matter.
    """

    tilt_db: float = 1.0
    curves_db: tuple[float, ...] = (0.5, 1.5, 3.0, 5.0)
    reach_octaves: float = 0.8
    engines_db: tuple[float, ...] = (0.7, 1.5, 3.0)
    gain_db: float = 40.0


@dataclass(frozen=True, eq=False)
class Ruler:
    """The difference of the two sides by the engine, at the places asked for.

    difference_db: shape (k,), after less before. covariance: shape (k, k), dB squared. references: how many
    bands the engine was heard in on both sides.
    """

    difference_db: FloatArray
    covariance: FloatArray
    references: int


def engine_ruler(
    hz: FloatArray, difference_db: FloatArray, error_db: FloatArray, places_hz: FloatArray, prior: RulerPrior
) -> Ruler:
    """Estimate the difference between the sides at places, from the engine's differences in its bands.

    Parameters
    ----------
    hz, difference_db, error_db:
        Shape (n,): the engine's bands, their difference after less before, and its error from scatter.
    places_hz:
        Shape (k,): where the symptom sounds.
    prior:
        What is held beforehand.

    Reversed differences give reversed results and the same covariance.

    >>> found = engine_ruler(
    ...     np.array([100.0, 200.0]), np.array([5.0, 5.0]), np.zeros(2), np.array([150.0]), RulerPrior()
    ... )
    >>> round(float(found.difference_db[0]), 1), found.references
    (5.0, 2)
    """
    x, at = np.log2(np.asarray(hz) / 1000.0), np.log2(np.asarray(places_hz) / 1000.0)
    found = [
        _one_ruler(x, np.asarray(difference_db), np.asarray(error_db), at, prior, curve, engine)
        for curve in prior.curves_db
        for engine in prior.engines_db
    ]
    likely = np.array([one[2] for one in found])
    weight = np.exp(likely - likely.max())
    weight /= weight.sum()
    mean = np.asarray(sum(w * one[0] for w, one in zip(weight, found, strict=True)))
    covariance = np.asarray(
        sum(
            w * (one[1] + np.outer(one[0] - mean, one[0] - mean))
            for w, one in zip(weight, found, strict=True)
        )
    )
    return Ruler(read_only(mean), read_only(covariance), len(x))


def _one_ruler(
    x: FloatArray,
    difference_db: FloatArray,
    error_db: FloatArray,
    at: FloatArray,
    prior: RulerPrior,
    curve_db: float,
    engine_db: float,
) -> tuple[FloatArray, FloatArray, float]:
    """Mean, covariance and log likelihood with one size of the curve and of the engine's own differences."""

    def kernel(one: FloatArray, two: FloatArray) -> FloatArray:
        apart = (one[:, None] - two[None, :]) / prior.reach_octaves
        smooth = curve_db**2 * np.exp(-0.5 * apart**2)
        return np.asarray(smooth + prior.tilt_db**2 * one[:, None] * two[None, :] + prior.gain_db**2)

    alone = kernel(at, at)
    if len(x) == 0:
        return np.zeros(len(at)), alone, 0.0
    total = kernel(x, x) + np.diag(error_db**2 + engine_db**2)
    cross = kernel(at, x)
    solved = np.linalg.solve(total, np.column_stack([difference_db, cross.T]))
    mean, reduced = cross @ solved[:, 0], alone - cross @ solved[:, 1:]
    likely = -0.5 * float(difference_db @ solved[:, 0]) - 0.5 * float(np.linalg.slogdet(total)[1])
    return mean, 0.5 * (reduced + reduced.T), likely
