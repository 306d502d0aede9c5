"""Write clips of a simulation of its own as a phone would send them, each with its truth beside it."""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
import tempfile
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any, Protocol

from audiodiag.errors import AudiodiagError, UsageError
from audiodiag.files import write_bytes_whole, write_text_whole
from audiodiag.records import FloatArray
from audiodiag.simulation.codecs import encode

__all__ = ["Scene", "write_many", "write_scene"]


_MOST_CLIPS, _MOST_PROCESSES = 100_000, 64


class Scene(Protocol):
    """A clip before it is encoded: samples of shape (n,), full scale 1, at ``rate`` in Hz, and its truth."""

    @property
    def samples(self) -> FloatArray:
        """Samples, shape (n,)."""

    @property
    def rate(self) -> int:
        """Samples a second, Hz."""

    @property
    def truth(self) -> dict[str, Any]:
        """What was made, with codec, bit rate and encoder."""


def write_scene(scene: Scene, folder: Path, name: str) -> Path:
    """Write a clip, encoded, and NAME.truth.json into a folder that exists; give the clip's path."""
    truth = scene.truth
    file = folder / f"{name}.{truth['codec']}"
    with tempfile.TemporaryDirectory() as aside:
        made = encode(
            scene.samples,
            scene.rate,
            Path(aside) / file.name,
            truth["codec"],
            truth["bit_rate"],
            quick=truth["quick_encoder"],
        )
        write_bytes_whole(file, made.read_bytes())
    write_text_whole(folder / f"{name}.truth.json", json.dumps({"file": file.name, **truth}) + "\n")
    return file


def write_many(
    write_clip: Callable[[Path, int], Path], program: str, arguments: Sequence[str] | None = None
) -> int:
    """Read the arguments, write the clips; 2 for arguments that cannot be used.

    write_clip: writes the clip of one seed into a folder; a function of a module, so that other processes
    find it. program: how this is called, for the help. arguments: those of the command line by default.
    """
    parser = argparse.ArgumentParser(
        prog=program,
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
