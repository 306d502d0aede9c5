"""Causes: what one would repair, how probable it is, what to look at next, and what can hurt someone.

The knowledge is data (``data/*.toml``, schema in ``data/README.md``); the inference over it is exact.
"""

from __future__ import annotations

from audiodiag.causes.cautions import cautions_for
from audiodiag.causes.checks import next_checks
from audiodiag.causes.circumstances import Circumstances
from audiodiag.causes.inference import infer_causes
from audiodiag.causes.knowledge import NOT_LOOKED, Knowledge
from audiodiag.causes.loading import load_knowledge
from audiodiag.causes.observations import observations_from_text, observations_heard
from audiodiag.causes.suction import SuctionLine, suction_margin

__all__ = [
    "NOT_LOOKED",
    "Circumstances",
    "Knowledge",
    "SuctionLine",
    "cautions_for",
    "infer_causes",
    "load_knowledge",
    "next_checks",
    "observations_from_text",
    "observations_heard",
    "suction_margin",
]
