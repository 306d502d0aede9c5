"""Write simulated clips of the bay made afresh: `python -m audiodiag.simulation.afresh FOLDER`.

Beside each clip, as a phone would send it, stands NAME.truth.json. The clips are for judging and for
training; they are simulated, and no recordings.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
from collections.abc import Sequence
from functools import partial
from pathlib import Path

from audiodiag.errors import AudiodiagError, UsageError

from .writing import write_clip

_MOST_CLIPS, _MOST_PROCESSES = 100_000, 64


def main(arguments: Sequence[str] | None = None) -> int:
    """Read the arguments, write the clips; 2 for arguments that cannot be used."""
    parser = argparse.ArgumentParser(
        prog="python -m audiodiag.simulation.afresh",
        description="Write simulated clips of an engine bay with their truth, for judging and training.",
    )
    parser.add_argument("folder", type=Path, help="where to write; made if missing")
    parser.add_argument("--first", type=int, default=1, metavar="SEED", help="first seed (1)")
    parser.add_argument("--count", type=int, default=10, metavar="N", help="how many clips (10)")
    parser.add_argument("--processes", type=int, default=1, metavar="N", help="how many at once (1)")
    told = parser.parse_args(arguments)
    try:
        _refuse("first seed", told.first, 0, 10**12)
        _refuse("count of clips", told.count, 1, _MOST_CLIPS)
        _refuse("number of processes", told.processes, 1, _MOST_PROCESSES)
        _make_folder(told.folder)
        write = partial(write_clip, told.folder)
        seeds = range(told.first, told.first + told.count)
        if told.processes == 1:
            written = [write(seed) for seed in seeds]
        else:
            with multiprocessing.get_context("spawn").Pool(told.processes) as pool:
                written = pool.map(write, seeds, chunksize=4)
    except AudiodiagError as problem:
        print(problem, file=sys.stderr)
        return 2
    print(f"{len(written)} simulated clips in {told.folder}")
    return 0


def _refuse(what: str, value: int, least: int, most: int) -> None:
    if not least <= value <= most:
        raise UsageError(
            f"the {what} is out of range",
            got=str(value),
            allowed=f"{least} to {most}",
            todo="give a number in this range",
        )


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise UsageError(
            "the folder cannot be made",
            got=f"{folder}: {problem.strerror or problem}",
            allowed="a folder, or a path at which one can be made",
            todo="name another place",
        ) from problem


if __name__ == "__main__":
    raise SystemExit(main())
