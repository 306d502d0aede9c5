"""`audiodiag explain NAME`: what the program knows of a cause, a check, a question; or a work sheet."""

from __future__ import annotations

import argparse
import sys

from audiodiag.options import PRICES_OPTION, Option

__all__ = ["OPTIONS", "run"]

OPTIONS: tuple[Option, ...] = (PRICES_OPTION,)


def run(wanted: argparse.Namespace) -> int:
    """Print the entry, or without a name the list of all entries."""
    from audiodiag.causes import load_knowledge
    from audiodiag.causes.entries import entry_text, list_text

    knowledge = load_knowledge(prices=wanted.prices)
    text = list_text(knowledge) if wanted.name is None else entry_text(wanted.name.strip(), knowledge)
    sys.stdout.write(text)
    return 0
