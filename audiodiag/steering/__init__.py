"""Steering phases: what the wheel did and when, as a person states it or as it is inferred from the sound."""

from __future__ import annotations

from audiodiag.steering.given import phases_from_marks, phases_from_table, unknown_phases

__all__ = ["phases_from_marks", "phases_from_table", "unknown_phases"]
