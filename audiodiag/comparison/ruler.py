"""How far do two sides differ in what they do to every band, as the engine itself shows?

The engine is the same on both sides, so what differs in its bands is the phone, its place and its gain. That
difference is a constant (gain), a tilt and a smooth curve over frequency; the engine shows it with an error
wherever it can be heard, and between and beyond those bands it is estimated with an uncertainty that grows
with the distance (Gaussian process regression: Rasmussen and Williams, Gaussian Processes for Machine
Learning, equations 2.23, 2.24, 2.30 and 2.42, from memory). How large the curve is, and how much the engine
itself differs, is weighed by how likely each makes what is heard.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from audiodiag.records import FloatArray, read_only

__all__ = ["ONE_PHONE", "Ruler", "RulerPrior", "blended", "engine_ruler", "one_phone_ruler"]


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


ONE_PHONE = RulerPrior(tilt_db=0.15, curves_db=(0.3, 1.0), reach_octaves=0.5, engines_db=(0.3, 0.7, 1.2))
"""What is held of one phone at one place: a gain, and what the engine's speed moves (chosen on simulated
pairs)."""
SPOILT_DB, SPOILT, SPOILT_NEAR = 10.0, 0.1, 0.5
"""How far off a band lies that shows the symptom or the yard and not the engine, how often one does, and how
often within reach of the symptom (assumptions)."""
ROUNDS = 6
WAY_DB = 3.0
"""By how much the ways of symptom and engine to two places differ from band to band, standard deviation
(chosen on simulated pairs)."""


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
    hz: FloatArray,
    difference_db: FloatArray,
    error_db: FloatArray,
    places_hz: FloatArray,
    prior: RulerPrior,
    bridge: tuple[FloatArray, FloatArray] | None = None,
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
    bridge:
        The symptom's own differences at its places and their errors, shape (k,) each, NaN where it is not
        heard on both sides. By how much it has changed is not known, but that is the same at all places; so
        they show how the phones' difference goes on between bands of the engine.

    Reversed differences give reversed results and the same covariance.

    >>> found = engine_ruler(
    ...     np.array([100.0, 200.0]), np.array([5.0, 5.0]), np.zeros(2), np.array([150.0]), RulerPrior()
    ... )
    >>> round(float(found.difference_db[0]), 1), found.references
    (5.0, 2)
    """
    x, at = np.log2(np.asarray(hz) / 1000.0), np.log2(np.asarray(places_hz) / 1000.0)
    seen, error, count = np.asarray(difference_db), np.asarray(error_db), len(x)
    own = np.zeros(count)
    if bridge is not None:
        heard = np.isfinite(bridge[0])
        x, seen = np.concatenate([x, at[heard]]), np.concatenate([seen, bridge[0][heard]])
        error = np.concatenate([error, np.hypot(bridge[1][heard], WAY_DB)])
        own = np.concatenate([own, np.ones(int(heard.sum()))])
    found = [
        _one_ruler(x, seen, error, at, prior, curve, engine, own)
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
    return Ruler(read_only(mean), read_only(covariance), count)


def one_phone_ruler(
    hz: FloatArray,
    difference_db: FloatArray,
    error_db: FloatArray,
    places_hz: FloatArray,
    reached: NDArray[np.bool_],
) -> Ruler:
    """Estimate the difference as :func:`engine_ruler` does, if both sides were recorded by one phone at one
    place.

    Then all bands show nearly the same gain, and those that do not show something else: the symptom, where it
    never rests. They count for the less, the farther off they lie (a mixture of two normal laws: Dempster,
    Laird and Rubin 1977, section 4.3, from memory).

    ``reached``: shape (n,), which bands the symptom may spoil.

    >>> hz, error = np.geomspace(100.0, 4000.0, 8), np.full(8, 0.3)
    >>> seen = np.array([4.0, 4.2, 3.9, 4.1, 4.0, -6.0, -6.2, -6.1])
    >>> found = one_phone_ruler(hz, seen, error, np.array([3000.0]), hz > 1000.0)
    >>> round(float(found.difference_db[0]))
    4
    """
    rare = np.where(reached, SPOILT_NEAR, SPOILT)
    clean = error_db**2 + min(ONE_PHONE.engines_db) ** 2
    likely = np.array([_clean_share(difference_db - gain, clean, rare)[1] for gain in difference_db])
    weight = np.exp(likely - likely.max())
    middle = np.full(len(hz), float(weight @ difference_db / weight.sum()))
    usual = replace(ONE_PHONE, curves_db=ONE_PHONE.curves_db[-1:], engines_db=ONE_PHONE.engines_db[1:2])
    clean = error_db**2 + usual.engines_db[0] ** 2
    error = error_db
    for _ in range(ROUNDS):
        share, _ = _clean_share(difference_db - middle, clean, rare)
        error = np.sqrt(error_db**2 + clean * (1.0 / np.maximum(share, 1e-3) - 1.0))
        middle = engine_ruler(hz, difference_db, error, hz, usual).difference_db
    return engine_ruler(hz, difference_db, error, places_hz, ONE_PHONE)


def blended(chance: float, one: Ruler, two: Ruler) -> Ruler:
    """Give the ruler that holds ``one`` with a probability, else ``two``."""
    apart = one.difference_db - two.difference_db
    covariance = (
        chance * one.covariance
        + (1.0 - chance) * two.covariance
        + chance * (1.0 - chance) * np.outer(apart, apart)
    )
    mean = chance * one.difference_db + (1.0 - chance) * two.difference_db
    return Ruler(read_only(np.asarray(mean)), read_only(np.asarray(covariance)), two.references)


def _clean_share(off_db: FloatArray, clean: FloatArray, rare: FloatArray) -> tuple[FloatArray, float]:
    """How likely each band shows the engine, shape (n,), and the log likelihood of all."""
    spoilt = clean + SPOILT_DB**2
    good = np.log1p(-rare) - 0.5 * (off_db**2 / clean + np.log(clean))
    bad = np.log(rare) - 0.5 * (off_db**2 / spoilt + np.log(spoilt))
    both = np.logaddexp(good, bad)
    return np.exp(good - both), float(both.sum())


def _one_ruler(
    x: FloatArray,
    difference_db: FloatArray,
    error_db: FloatArray,
    at: FloatArray,
    prior: RulerPrior,
    curve_db: float,
    engine_db: float,
    own: FloatArray,
) -> tuple[FloatArray, FloatArray, float]:
    """Mean, covariance and log likelihood with one size of the curve and of the engine's own differences.

    ``own``: shape (n,), 1 where a difference is the symptom's own, which an unknown change shifts, else 0.
    """

    def kernel(one: FloatArray, two: FloatArray) -> FloatArray:
        apart = (one[:, None] - two[None, :]) / prior.reach_octaves
        smooth = curve_db**2 * np.exp(-0.5 * apart**2)
        return np.asarray(smooth + prior.tilt_db**2 * one[:, None] * two[None, :] + prior.gain_db**2)

    alone = kernel(at, at)
    if len(x) == 0:
        return np.zeros(len(at)), alone, 0.0
    total = kernel(x, x) + prior.gain_db**2 * np.outer(own, own)
    total += np.diag(error_db**2 + engine_db**2 * (1.0 - own))
    cross = kernel(at, x)
    solved = np.linalg.solve(total, np.column_stack([difference_db, cross.T]))
    mean, reduced = cross @ solved[:, 0], alone - cross @ solved[:, 1:]
    likely = -0.5 * float(difference_db @ solved[:, 0]) - 0.5 * float(np.linalg.slogdet(total)[1])
    return mean, 0.5 * (reduced + reduced.T), likely
