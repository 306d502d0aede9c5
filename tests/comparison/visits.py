"""Simulated pairs with several recordings a side, every one at another place and in another coding."""

from __future__ import annotations

from typing import Literal

import numpy as np

from audiodiag.simulation import BaySettings
from tests.comparison.pairs import CODINGS, Pair, draw_pair, steered

__all__ = ["Phones", "draw_visits"]

Phones = Literal["apart", "shared", "mixed"]
"""One phone before and another after; both phones in turn on both sides; or a phone of its own for every
recording."""


def draw_visits(seed: int, recordings: int, phones: Phones) -> Pair:
    """Draw a pair whose every recording has another place, coding, surroundings, gain control and speed.

    Symptom and change go round as in :func:`tests.comparison.pairs.draw_pair`.
    """
    drawn = draw_pair(seed)
    rng = np.random.default_rng([seed, 78])
    idle = float(rng.uniform(680.0, 950.0))
    pool = [int(rng.integers(1, 2**31)) for _ in range(2)]
    every = np.random.default_rng([seed, 79])
    sides, places = [], []
    for side, what in enumerate((drawn.level_db, drawn.level_db + drawn.change_db)):
        one = []
        for i in range(recordings):
            codec, rate, bits = CODINGS[int(rng.integers(len(CODINGS)))]
            around = [name for name, often in (("room", 0.4), ("street", 0.5)) if rng.random() < often]
            around += ["gain_control"] if rng.random() < 0.5 else []
            phases = steered(rng)
            phone = pool[side if phones == "apart" else i % 2]
            one.append(
                BaySettings(
                    symptoms=(drawn.symptom,) if np.isfinite(what) else (),
                    levels_db={drawn.symptom: what} if np.isfinite(what) else None,
                    mode="idle",
                    idle_rpm=idle * float(rng.uniform(0.9, 1.1)),
                    duration_s=round(phases[-1][2], 1),
                    phases=phases,
                    codec=codec,
                    sample_rate_hz=rate,
                    bit_rate=bits,
                    disturbances=tuple(around),
                    surroundings_db=float(rng.uniform(-25.0, -10.0)),
                    car_seed=seed,
                    phone_seed=int(every.integers(1, 2**31)) if phones == "mixed" else phone,
                )
            )
        sides.append(tuple(one))
        places.append(tuple(int(rng.integers(1, 2**31)) for _ in range(recordings)))
    return Pair(seed, drawn.symptom, drawn.change_db, drawn.level_db, sides[0], sides[1], tuple(places))
