"""Has the work changed anything, is the air out yet, and how has it gone over months?"""

from __future__ import annotations

from audiodiag.comparison.bleed import BleedWatch, watch_bleed
from audiodiag.comparison.change import SymptomChange, change_of
from audiodiag.comparison.compare import Comparison, compare_sides, flipped
from audiodiag.comparison.trend import SymptomTrend, symptom_trends

__all__ = [
    "BleedWatch",
    "Comparison",
    "SymptomChange",
    "SymptomTrend",
    "change_of",
    "compare_sides",
    "flipped",
    "symptom_trends",
    "watch_bleed",
]
