"""Were both sides recorded with one phone at one place? What the recordings themselves say of it.

With one phone at one place the engine's bands differ between the sides by the gain alone, and by the little
that its speed moves; with two phones they differ unevenly. How unevenly they differ where the symptom cannot
reach, the coding, and what the user states are put together as odds.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from audiodiag.records import Analysis, FloatArray

__all__ = [
    "CONTRADICTED_DB",
    "chance_alike",
    "chance_one_place",
    "coding",
    "coding_kind",
    "odds_alike",
    "unevenness_db",
]

EVEN_DB, STEEPNESS = 1.63, 4.7
"""Unevenness at which one phone at one place and two of them are as likely, and how fast that turns (two
log-normal populations of 65 and 504 simulated pairs: medians 0.7 and 3.8 dB, logarithmic deviation 0.6)."""
ONE_PLACE_DB, ONE_PLACE_STEEPNESS = 1.1, 6.0
"""The same for one phone, at one place and at several (simulated pairs: medians 0.5 dB in 82 sides at one
place and 1.8 dB in 58 sides with every recording at another; logarithmic deviations 0.5 and 0.3)."""
CODED_ALIKE, CODED_OTHERWISE, STATED = 3.0, 0.3, 20.0
"""Odds that phone and place are the same, before the engine is heard: with one coding throughout, and where
the user states it (assumptions). Without either there is nothing to speak for it: none."""
CONTRADICTED_DB = 3.5
"""Unevenness from which the recordings contradict the user: odds of one to two against even so."""
SMALL_ERROR_DB, ERROR_SHARE = 0.32, 0.5
"""Unevenness that counts for nothing, and the share of the stated errors that is not common to both sides."""
ROUNDS = 30


def coding_kind(codec: str) -> str:
    """Name the coding; all that lose nothing are one."""
    return "lossless" if codec.startswith("pcm") or codec in ("flac", "alac", "wav") else codec


def coding(found: Analysis) -> tuple[str, int]:
    """Give the kind of coding and the sample rate of a recording, Hz."""
    return coding_kind(found.clip.codec), found.clip.file_sample_rate_hz or found.clip.sample_rate_hz


def odds_alike(before: Sequence[Analysis], after: Sequence[Analysis], *, stated: bool = False) -> float:
    """Give the odds that all recordings were made with one phone at one place, before the engine is heard.

    Bit rates count too: a program that codes alike seldom changes them by half.
    """
    if stated:
        return STATED
    everything = (*before, *after)
    kinds = {coding(found) for found in everything}
    rates = [
        found.clip.bit_rate for found in everything if found.clip.bit_rate and coding(found)[0] != "lossless"
    ]
    uneven = bool(rates) and max(rates) > 1.5 * min(rates)
    return CODED_ALIKE if len(kinds) == 1 and not uneven else CODED_OTHERWISE


def unevenness_db(difference_db: FloatArray, error_db: FloatArray) -> float:
    """By how much bands differ beyond a common gain and beyond their errors, standard deviation in dB.

    ``difference_db``, ``error_db``: shape (n,). By moments, weighed by the errors and what is found, in turn.

    >>> round(unevenness_db(np.array([5.0, 5.0, 5.0, 5.0]), np.full(4, 0.5)), 2)
    0.32
    >>> round(unevenness_db(np.array([0.0, 8.0, 0.0, 8.0]), np.full(4, 0.5)), 1)
    4.0
    """
    noise = (ERROR_SHARE * error_db) ** 2 + SMALL_ERROR_DB**2
    excess = 1.0
    for _ in range(ROUNDS):
        weight = 1.0 / (noise + excess)
        mean = float((weight * difference_db).sum() / weight.sum())
        excess = max(float((weight * ((difference_db - mean) ** 2 - noise)).sum() / weight.sum()), 0.0)
    return float(np.sqrt(excess + SMALL_ERROR_DB**2))


def chance_alike(uneven_db: float, odds: float) -> float:
    """Probability that phone and place are the same, from the unevenness and the odds before it was known.

    >>> [round(chance_alike(x, 3.0), 2) for x in (0.7, 1.6, 3.8)], chance_alike(0.7, 0.0)
    ([0.99, 0.77, 0.05], 0.0)
    """
    odds = odds * (max(uneven_db, SMALL_ERROR_DB) / EVEN_DB) ** -STEEPNESS
    return odds / (1.0 + odds)


def chance_one_place(uneven_db: float) -> float:
    """Probability that the recordings of one side were made by one phone at one place, from how unevenly they
    differ among themselves; before that is known, as likely as not.

    >>> [round(chance_one_place(x), 2) for x in (0.5, 1.1, 1.8)]
    [0.99, 0.5, 0.05]
    """
    odds = (max(uneven_db, SMALL_ERROR_DB) / ONE_PLACE_DB) ** -ONE_PLACE_STEEPNESS
    return odds / (1.0 + odds)
