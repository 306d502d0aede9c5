"""JSON Schemas of the rows of ``audiodiag analyse --json``; the desk's description holds the same."""

from __future__ import annotations

from audiodiag.report.schemas import ANALYSIS, REFUSAL

__all__ = ["ANALYSIS", "REFUSAL"]
