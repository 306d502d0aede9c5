"""`audiodiag questions`: what can be asked of a person at the car, and the answers that --saw takes."""

from __future__ import annotations

import argparse

from audiodiag.options import Option

__all__ = ["OPTIONS", "run"]

OPTIONS: tuple[Option, ...] = ()


def run(wanted: argparse.Namespace) -> int:
    """Print what can be asked of a person at the car, one question and its answers each."""
    from audiodiag.causes import load_knowledge

    for observation in load_knowledge().observations:
        print(f"{observation.name}: {observation.question}")
        for answer in observation.answers:
            print(f"    --saw {observation.name}={answer.name}  ({answer.text})")
    return 0
