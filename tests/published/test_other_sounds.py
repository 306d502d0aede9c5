"""Recordings in which no engine bay is heard: whoever sends one is told so, or that nothing can be told.

Open data: the sounds of places and machines in Debian's package lincity-ng-data, 141 short recordings at 8
to 44.1 kHz, of which 117 last 3 s and more, the longest 5.5 s (its copyright file holds their terms). Nothing
was learnt from them; one bar of the verdict (`analysis.BAY_LIKELY`) was looked at on them. They are read
where the package is installed and never copied. Mines, mills, diggers and trains are among them: engines and
machines that turn, as few other sounds are so near to an engine bay.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from audiodiag.analysis import analyse
from audiodiag.errors import ClipError
from tests.report.browser import missing

pytestmark = pytest.mark.limit(400)
SOUNDS = Path("/usr/share/games/lincity-ng/sounds")
MOST_CALLED = 0.13


def test_recordings_of_places_and_machines_are_no_engine_bay():
    """Asked for are 95 %; of these 91 % end so: 10 of 117 are called normal, in one a symptom is claimed.

    That is a factory: a groan of 0.58. The two models before claimed three and one, and called 10 and 12
    normal.
    """
    if not SOUNDS.is_dir():
        missing("the open recordings (Debian's lincity-ng-data) are not installed")
    answers: Counter[str] = Counter()
    for path in sorted(SOUNDS.glob("*.wav")):
        try:
            answers[analyse(path).verdict.kind] += 1
        except ClipError as refused:
            assert "too short" in str(refused) or "silent" in str(refused), path.name
    assert answers.total() > 100
    assert answers["symptoms"] <= 2, answers
    assert answers["normal"] + answers["symptoms"] <= MOST_CALLED * answers.total(), answers
