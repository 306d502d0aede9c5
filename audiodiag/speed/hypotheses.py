"""Half, double, or another number of cylinders? The long order spectrum decides, or says that it cannot.

One track and its multiples by small ratios explain a short spectrum almost equally well. Over the whole clip,
straightened by the refined track, the lines are sharp: an engine of N cylinders has its firing lines at
multiples of N/2, weaker lines at the other half orders, and nothing at the quarter orders. Each hypothesis
(factor on the track, cylinders) is described by the mean level at these places and by its speed; a softmax
with learned weights gives their probabilities.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audiodiag.records import FloatArray

__all__ = ["FACTORS", "HYPOTHESIS_FEATURES", "Hypothesis", "describe", "hypotheses"]

FACTORS = (1 / 4, 1 / 3, 3 / 8, 2 / 5, 1 / 2, 3 / 5, 5 / 8, 2 / 3, 3 / 4, 4 / 5, 5 / 6, 1.0,
           6 / 5, 5 / 4, 4 / 3, 3 / 2, 8 / 5, 5 / 3, 2.0, 5 / 2, 8 / 3, 3.0, 4.0)  # fmt: skip
ORDER_STEP = 1 / 96
LOWEST_RPM, HIGHEST_RPM = 450.0, 6500.0
HYPOTHESIS_FEATURES = (
    *(f"{c}_{n}" for c in ("low", "env") for n in (
        "firing_1", "firing_2", "firing_3_4", "firing_5_8", "whole", "half_orders", "half_firing_1",
        "half_firing_3", "quarter", "firing_excess", "first_half_orders", "between_excess", "firing_2_of_1")),
    "prior", "few_lows", "as_tracked", "as_tracked_sharpness", "restricted",
    *(f"cylinders_{n}" for n in (3, 4, 5, 6, 8)),
)  # fmt: skip


@dataclass(frozen=True)
class Hypothesis:
    """The true speed is a track times ``factor`` and the engine has that many cylinders."""

    factor: float
    cylinders: int
    track: int = 0


def hypotheses(median_rpm: float, cylinders: tuple[int, ...], track: int = 0) -> tuple[Hypothesis, ...]:
    """List the hypotheses worth comparing about a track, which has the number ``track``.

    >>> len(hypotheses(850.0, (4,))) > 5
    True
    """
    return tuple(
        Hypothesis(factor, number, track)
        for number in cylinders
        for factor in FACTORS
        if LOWEST_RPM <= factor * median_rpm <= HIGHEST_RPM
    )


def _at(levels: FloatArray, orders: FloatArray) -> FloatArray:
    """Highest level within +-1.5/96 order of each place; NaN beyond the spectrum."""
    index = np.round(np.asarray(orders) / ORDER_STEP).astype(int)
    inside = (index > 0) & (index < len(levels) - 1)
    index = np.where(inside, index, 1)
    near = np.maximum(np.maximum(levels[index - 1], levels[index]), levels[index + 1])
    return np.where(inside, near, np.nan)


def _mean(values: FloatArray) -> float:
    values = values[np.isfinite(values)]
    return float(values.mean()) if len(values) else 0.0


def _spectrum_features(levels: FloatArray, guess: Hypothesis) -> list[float]:
    def at(orders: FloatArray) -> FloatArray:
        return _at(levels, np.asarray(orders) * guess.factor)

    firing = guess.cylinders / 2.0
    multiples = at(firing * np.arange(1, 9))
    halves = np.arange(1, 25) / 2.0
    on_firing = np.isclose(halves % firing, 0) | np.isclose(halves % firing, firing)
    whole = np.isclose(halves % 1, 0) & ~on_firing
    half = ~np.isclose(halves % 1, 0) & ~on_firing
    at_halves = at(halves)
    quarter = _mean(at(np.arange(24) / 2.0 + 0.25))
    not_firing = _mean(at_halves[~on_firing])
    middle = at(firing * np.array([0.5, 1.5, 2.5, 3.5]))
    return [
        _mean(multiples[:1]), _mean(multiples[1:2]), _mean(multiples[2:4]), _mean(multiples[4:]),
        _mean(at_halves[whole]), _mean(at_halves[half]), _mean(middle[:1]), _mean(middle[1:]), quarter,
        _mean(multiples) - not_firing, _mean(at_halves[:6]), not_firing - quarter,
        _mean(multiples[1:2]) - _mean(multiples[:1]),
    ]  # fmt: skip


def describe(
    low: FloatArray,
    envelope: FloatArray,
    guess: Hypothesis,
    *,
    median_rpm: float,
    log_prior: float,
    sharpness: float,
) -> FloatArray:
    """Describe one hypothesis by numbers, in the order of ``HYPOTHESIS_FEATURES``.

    low, envelope: long order spectra of the low band and of the envelopes, levels above background in nats.
    sharpness: how sharply the track was found, 0 to 1.
    """
    numbers = [float(guess.cylinders == n) for n in (3, 4, 5, 6, 8)]
    speed = guess.factor * median_rpm
    return np.array(
        [
            *_spectrum_features(low, guess),
            *_spectrum_features(envelope, guess),
            log_prior,
            float(speed * guess.cylinders / 120.0 < 15.0),
            float(guess.factor == 1.0),
            sharpness * float(guess.factor == 1.0),
            float(guess.track > 0),
            *numbers,
        ]
    )
