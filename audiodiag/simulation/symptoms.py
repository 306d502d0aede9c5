"""The six symptoms' sounds by name, and the structural variants that each is drawn from."""

from __future__ import annotations

import numpy as np

from .bearing import growl
from .belt import chirp, squeal
from .pump import groan, hiss, whine
from .scene import Planted, Scene

__all__ = ["SYMPTOM_VARIANTS", "plant"]

SYMPTOM_VARIANTS: dict[str, dict[str, float]] = {
    "pump_whine": {"harmonics": 3, "ripple": 3, "modulated": 2},
    "cavitation_groan": {
        "mid": 3,
        "wide": 2,
        "rough_low": 2,
        "bursts": 1.5,
        "sawing": 1.5,
        "beating_noise": 2,
    },
    "belt_squeal": {"smooth": 3, "hopping": 2, "rough": 2, "steady": 1.5},
    "belt_chirp": {"tonal": 3, "noisy": 3, "pairs": 1.5, "pulley": 1.5},
    "relief_hiss": {"flat": 3, "resonant": 2, "whistle": 1.5},
    "bearing_growl": {"impacts": 4, "rough": 2, "cage": 2},
}
"""Structural variants of each symptom and how often each is drawn."""

_MAKERS = {
    "pump_whine": whine,
    "cavitation_groan": groan,
    "belt_squeal": squeal,
    "belt_chirp": chirp,
    "relief_hiss": hiss,
    "bearing_growl": growl,
}


def plant(
    name: str, car: np.random.Generator, rng: np.random.Generator, scene: Scene, variant: str
) -> Planted:
    """Make the sound of one symptom, of any power: the caller sets its level and its way to the microphone.

    ``car`` draws what belongs to the machine, ``rng`` what belongs to this clip.
    """
    return _MAKERS[name](car, rng, scene, variant)
