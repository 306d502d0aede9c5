"""A stand-in for the pipeline that answers by the clip's name, so that the command is tested by itself."""

from __future__ import annotations

import json
import os
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

from audiodiag.cli import main
from audiodiag.errors import ClipError
from audiodiag.records import Analysis
from tests.report.examples import cannot_tell_analysis, normal_analysis, squeal_analysis


def analyse(source: str, *, progress: Any = None, **settings: Any) -> Analysis:
    name = Path(source).name
    if progress is not None:
        progress("reading", 0.0)
        progress("listening", 0.5)
    if "bad" in name:
        raise ClipError("the clip is empty", got="0 s", allowed="at least 3 s", todo="record again")
    if "bug" in name:
        raise ZeroDivisionError("float division by zero")
    if "death" in name:
        os._exit(9)
    if "slow" in name:
        time.sleep(0.3)
    if "endless" in name:
        Path(source).write_text(str(os.getpid()))
        time.sleep(600)
    if "settings" in name:
        Path(source).write_text(json.dumps({key: str(value) for key, value in settings.items()}))
    if "threads" in name:
        Path(source).write_text(os.environ.get("OMP_NUM_THREADS", "unset"))
    made = squeal_analysis()
    if "kitchen" in name:
        made = cannot_tell_analysis()
    if "normal" in name:
        made = normal_analysis()
    return replace(made, clip=replace(made.clip, name=name))


if __name__ == "__main__":
    sys.exit(main(analyse=analyse))
