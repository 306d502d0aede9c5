"""The car as far as it is known; unknown is allowed everywhere.

``Vehicle`` holds what the person states. Reading it from a TOML file and from command options lives here
too, so that a wrong statement is refused with the file, the key, what was got and what is allowed.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["BeltDrivenPart", "Vehicle"]


@dataclass(frozen=True)
class BeltDrivenPart:
    """A part that shares the belt: its turns per crank turn, and its events per own turn (poles, blades)."""

    name: str
    turns_per_crank_turn: float
    events_per_turn: tuple[float, ...] = ()


@dataclass(frozen=True)
class Vehicle:
    """What is known of the car; None where it is not.

    ``pump_ratio``: pump turns per crank turn. ``belt_passes_per_crank_turn``: belt order B.
    """

    name: str | None = None
    cylinders: int | None = None
    pump_ratio: float | None = None
    vanes: int | None = None
    crank_pulley_mm: float | None = None
    pump_pulley_mm: float | None = None
    belt_length_mm: float | None = None
    belt_passes_per_crank_turn: float | None = None
    idle_low_rpm: float | None = None
    idle_high_rpm: float | None = None
    other_parts: tuple[BeltDrivenPart, ...] = ()
