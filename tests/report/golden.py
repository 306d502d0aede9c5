"""Reports kept as text: ``python -m tests.report.golden`` writes them anew from the analyses made by hand."""

from __future__ import annotations

from pathlib import Path

from audiodiag.report.text import text_report
from tests.report.examples import cannot_tell_analysis, crowded_analysis, normal_analysis, squeal_analysis

GOLDEN = Path(__file__).parent / "golden"
REPORTS = {
    "cannot_tell": cannot_tell_analysis,
    "crowded": crowded_analysis,
    "normal": normal_analysis,
    "squeal": squeal_analysis,
}


def main() -> None:
    """Write all kept reports."""
    GOLDEN.mkdir(exist_ok=True)
    for name, analysis in REPORTS.items():
        (GOLDEN / f"{name}.txt").write_text(text_report(analysis()), encoding="utf-8")


if __name__ == "__main__":
    main()
