"""What was found, told: as plain words on one screen, as JSON for machines, as one still picture."""

from __future__ import annotations

from audiodiag.report.figures import picture, picture_png
from audiodiag.report.jsonform import analysis_to_dict, analysis_to_json_line, refusal_to_dict, to_json_line
from audiodiag.report.text import text_report, verdict_line

__all__ = [
    "analysis_to_dict",
    "analysis_to_json_line",
    "picture",
    "picture_png",
    "refusal_to_dict",
    "text_report",
    "to_json_line",
    "verdict_line",
]
