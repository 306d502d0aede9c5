"""What every source of sound can look at, and what it gives back."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from audiodiag.records import FloatArray

from .driving import Driving
from .signals import power

__all__ = ["Planted", "Scene", "cosine", "gain", "unit"]


@dataclass(frozen=True, eq=False)
class Scene:
    """The moving machine. ``turns`` and ``pump_turns``: shape (n,), float64, turns of crank and pump shaft.

    ``squeal_drive``: on the control grid, how hard the belt slips, or None where it does not.
    """

    driving: Driving
    turns: FloatArray
    pump_turns: FloatArray
    rate: int
    cylinders: int
    pulley_ratio: float
    vanes: int
    belt_order: float
    squeal_drive: FloatArray | None

    @property
    def n(self) -> int:
        """Samples."""
        return len(self.turns)

    @property
    def load(self) -> FloatArray:
        """Steering load on the control grid, 0 to 1."""
        return self.driving.steering.load

    @property
    def relative_speed(self) -> FloatArray:
        """Speed over idle speed on the control grid."""
        return self.driving.rpm / self.driving.idle_rpm


@dataclass(frozen=True, eq=False)
class Planted:
    """A sound, shape (n,), any power, its strength on the control grid, and what the truth should say."""

    sound: FloatArray
    strength: FloatArray
    details: dict[str, float] = field(default_factory=dict)


def unit(sound: FloatArray) -> FloatArray:
    """Scale to unit power."""
    return sound / np.float32(np.sqrt(power(sound)) + 1e-20)


def gain(level_db: float) -> np.float32:
    """Turn decibels into an amplitude."""
    return np.float32(10.0 ** (level_db / 20.0))


def cosine(offset: float = 0.0, *, multiple: int = 1) -> FloatArray:
    """Give one turn of a cosine as a table."""
    return np.cos(2 * np.pi * (multiple * np.arange(4096) / 4096 + offset)).astype(np.float32)
