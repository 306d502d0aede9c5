"""Training: from seeds and labelled clips to a model file and its card.

The same number of clips, seed and labelled clips give the same two files to the bit on one machine, whatever
the number of processes. Everything is done twice. The *rehearsal* chooses, fits and calibrates on four clips
in five and is judged on the fifth: from it come the choice of each family and the scores on the card. The
model that is written is then fitted and calibrated in the same way on all clips. The limits of its conformal
answers come from what models said of clips of folds, and of bays, that they were not fitted on.
"""

from __future__ import annotations

import argparse
import platform
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

import audiodiag
from audiodiag.classifier.card import CARD_FILE, Trained, card_text
from audiodiag.classifier.compare import Chosen, NestedScore, audibility, choose, nested, plain_folds
from audiodiag.classifier.conformal import learn_limits
from audiodiag.classifier.examples import others, passed_on, plan, rows_from_recipes, simulated_row
from audiodiag.classifier.families import KINDS
from audiodiag.classifier.fitting import CANDIDATES, Candidate, one_thread
from audiodiag.classifier.labels import demo_rows, read_labels, workshop_rows
from audiodiag.classifier.speed_training import train_speed
from audiodiag.classifier.store import LARGEST_BYTES, MODEL_FILE, Model, SymptomModel, model_to_text
from audiodiag.classifier.strange import learn_strangeness
from audiodiag.classifier.table import PASSED_ON, Row, Table
from audiodiag.classifier.workers import mapped
from audiodiag.errors import UsageError
from audiodiag.files import write_text_whole
from audiodiag.records import SYMPTOMS
from audiodiag.resources import shipped_folder

__all__ = ["FEWEST_CLIPS", "Written", "train", "train_command", "train_on_rows"]

FEWEST_CLIPS = 40
HELD_OUT_FOLDS = 5
USUAL_PERCENT = (5.0, 50.0, 95.0)
SPEED_SEEDS = 100_000
"""First seed of the clips for the speed room, far from those for the symptoms."""

Told = Callable[[str], None]


@dataclass(frozen=True)
class Written:
    """Where the model and its card were written."""

    model: Path
    card: Path


@dataclass(frozen=True, eq=False)
class _Job:
    """The work for one symptom, to be done in a process of its own."""

    symptom: str
    learn: Table
    all: Table
    seed: int
    candidates: tuple[Candidate, ...]
    thorough: bool


def train(
    *,
    clips: int,
    seed: int = 0,
    out: str | Path | None = None,
    workers: int = 1,
    add: str | Path | None = None,
    demo: str | Path | None = None,
    keep_in: str | Path | None = None,
    speed_clips: int = 0,
    keep_comb: bool = False,
    thorough: bool = True,
    tell: Told | None = None,
) -> Written:
    """Make the training clips, measure them, train, and write the model and its card.

    Parameters
    ----------
    clips, seed:
        How many clips are simulated, and from which seed.
    out:
        Folder for the two files, by default that of the shipped models.
    workers:
        Processes to use; the result does not depend on it.
    add:
        Folder of labelled clips of one's own (see ``labels``); refused as a whole where a label is broken.
    demo:
        Folder of labelled simulated demo clips, by default the shipped one.
    keep_in:
        Folder where measured rows are kept for the next training.
    speed_clips:
        How many clips the weights of the speed room are learnt from first; 0 keeps the shipped ones.
    keep_comb:
        Of these weights only the choice between readings is learnt, the comb stays as shipped.
    thorough:
        Also judge the whole procedure by nested splits, for the card; takes most of the time after measuring.
    tell:
        Told in a few words how far things are.
    """
    say = tell or (lambda words: None)
    if clips < FEWEST_CLIPS:
        raise UsageError(
            "too few clips to train on",
            got=f"{clips}",
            allowed=f"at least {FEWEST_CLIPS}; some 1500 for a model that is used",
            todo="give a larger number with --clips",
        )
    if keep_comb and not speed_clips:
        raise UsageError(
            "--keep-comb is given, but no clips to learn the rest of the engine speed from",
            got="--speed-clips 0",
            allowed="--keep-comb together with --speed-clips",
            todo="say with --speed-clips how many clips to learn from, or leave --keep-comb out",
        )
    target = shipped_folder("models") if out is None else Path(out)
    if add is not None:
        read_labels(add)  # refuse before the long work
    for folder, option in ((target, "--out"), (keep_in, "--keep")):
        if folder is not None:
            _make_folder(Path(folder), option)
    speed_model = None
    if speed_clips:
        seeds = range(SPEED_SEEDS + 1_000_000 * seed, SPEED_SEEDS + 1_000_000 * seed + speed_clips)
        speed_model = train_speed(seeds, out=target, workers=workers, keep_comb=keep_comb, tell=say)
        keep_in = None  # rows that were kept were measured with other weights
    # Clips that cannot be read are refused before the simulated ones are made.
    beside = demo_rows(shipped_folder("recordings_demo") if demo is None else demo, workers=workers)
    if add is not None:
        beside += workshop_rows(add, progress=lambda done, of: say(f"measured {done} of {of} labelled clips"))
    recipes = plan(clips, seed=seed) + others(clips, seed=seed)
    rows = rows_from_recipes(
        recipes + passed_on(recipes),
        workers=workers,
        keep_in=None if keep_in is None else Path(keep_in),
        make=partial(simulated_row, speed_model=speed_model),
        progress=lambda done, of: say(f"measured {done} of {of} simulated clips"),
    )
    rows += beside
    trained = train_on_rows(rows, seed=seed, workers=workers, thorough=thorough, tell=say)
    text = model_to_text(trained.model)
    if len(text) > LARGEST_BYTES:
        raise RuntimeError(f"the model has {len(text)} bytes, more than {LARGEST_BYTES}")
    return Written(
        write_text_whole(target / MODEL_FILE, text), write_text_whole(target / CARD_FILE, card_text(trained))
    )


def _make_folder(folder: Path, option: str) -> None:
    """Make a folder that is written to after long work; raises ``UsageError`` where that is impossible."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as problem:
        raise UsageError(
            f"the folder for {option} cannot be used",
            got=f"{folder}: {problem.strerror or problem}",
            allowed="a folder that may be written to, or a new name where one may be made",
            todo="name another place; nothing was trained",
        ) from problem


def train_on_rows(
    rows: Sequence[Row],
    *,
    seed: int = 0,
    workers: int = 1,
    candidates: tuple[Candidate, ...] = CANDIDATES,
    thorough: bool = True,
    tell: Told | None = None,
) -> Trained:
    """Choose, fit, calibrate and judge on rows that are measured already.

    Raises ``UsageError`` where the rows left for the rehearsal say nothing of a symptom, or hold engine bays
    of fewer than two groups: clips of one group never stand on both sides of a split.
    """
    say = tell or (lambda words: None)
    table = Table.of(rows)
    held = plain_folds(table.group, folds=HELD_OUT_FOLDS, seed=seed + 7) == 0
    learn, judge = table.chosen(~held), table.chosen(held)
    _refuse_too_little(learn)
    jobs = [_Job(symptom, learn, table, seed, candidates, thorough) for symptom in SYMPTOMS]
    rehearsed: dict[str, SymptomModel] = {}
    symptoms: dict[str, SymptomModel] = {}
    chosen: dict[str, Chosen] = {}
    nests: dict[str, NestedScore] = {}
    with mapped(_do, jobs, workers=workers) as answers:
        for job, (first, final, score) in zip(jobs, answers, strict=True):
            chosen[job.symptom] = first
            rehearsed[job.symptom], symptoms[job.symptom] = _answering(first), _answering(final)
            if score is not None:
                nests[job.symptom] = score
            say(f"trained {len(chosen)} of {len(SYMPTOMS)} symptoms ({job.symptom}: {first.candidate.name})")
    return Trained(_model(table, symptoms, seed), _model(learn, rehearsed, seed), chosen, nests, table, judge)


def _refuse_too_little(learn: Table) -> None:
    """Refuse rows of which nothing could be learnt apart from those that are judged."""
    known = np.isfinite(learn.present)
    untold = ", ".join(name for name in SYMPTOMS if not known[:, learn.column(name)].any())
    groups = len(np.unique(learn.group[learn.engine > 0.5]))
    if not untold and groups >= 2:
        return
    raise UsageError(
        "too little to train on is left beside the clips kept apart for judging",
        got=f"nothing known of {untold}" if untold else f"engine bays of {groups} group{'s' * (groups != 1)}",
        allowed="something known of every symptom, and engine bays of several groups (seeds, cars)",
        todo="add clips, and give those of different cars different groups",
    )


def _do(job: _Job) -> tuple[Chosen, Chosen, NestedScore | None]:
    """Train one symptom on the clips for learning, then on all; judge the procedure where that is wanted."""
    with one_thread():
        first = choose(job.learn, job.symptom, seed=job.seed, candidates=job.candidates)
        kept = (first.candidate,)
        final = choose(job.all, job.symptom, seed=job.seed, candidates=kept, with_variants=False)
        if not job.thorough:
            return first, final, None
        return first, final, nested(job.all, job.symptom, seed=job.seed, candidates=job.candidates)


def _answering(own: Chosen) -> SymptomModel:
    """Give the model of one symptom with the limits of its answers."""
    # With too few clips the model is a constant, whatever the candidate.
    kind = next(name for name, made in KINDS.items() if isinstance(own.model, made))
    limits = learn_limits(own.apart.present, *own.apart.probabilities())
    return SymptomModel(own.candidate.name, kind, own.model, own.calibration, limits)


def _model(table: Table, symptoms: dict[str, SymptomModel], seed: int) -> Model:
    """Give the whole model of one table."""
    low, middle, high = _usual(table.values[table.engine > 0.5])
    strangeness = learn_strangeness(table, seed=seed)
    return Model(table.measures, low, middle, high, symptoms, strangeness, _made(table, seed))


def _usual(values: Any) -> tuple[Any, Any, Any]:
    """Give the 5th, 50th and 95th percentile of each column, 0 where a column is empty."""
    sides = np.zeros((3, values.shape[1]))
    for column in range(values.shape[1]):
        known = values[np.isfinite(values[:, column]), column]
        if len(known):
            sides[:, column] = np.percentile(known, USUAL_PERCENT)
    return sides[0], sides[1], sides[2]


def _made(table: Table, seed: int) -> dict[str, Any]:
    """Say what the model was made from and with; no date, so that the same training gives the same file."""
    import scipy
    import sklearn

    sources, again = table.trait("source"), table.trait(PASSED_ON)
    return {
        "program": audiodiag.__version__,
        "python": platform.python_version(),
        "numpy": np.__version__,
        "scipy": scipy.__version__,
        "scikit_learn": sklearn.__version__,
        "seed": seed,
        "clips": {source: sources.count(source) for source in sorted(set(sources))},
        "passed_on": {how: again.count(how) for how in sorted(set(again) - {""})},
        "engine_bays": int(table.engine.sum()),
        "shares": {name: _share(table, name) for name in SYMPTOMS},
    }


def _share(table: Table, symptom: str) -> float:
    """Give the share of clips in which a symptom is audibly there."""
    present = table.present[:, table.column(symptom)]
    known = np.isfinite(present)
    return round(float(np.average(present[known], weights=audibility(table, symptom)[known])), 4)


def train_command(args: argparse.Namespace) -> int:
    """Run ``audiodiag train``: ``args`` holds clips, seed, out, workers, add and, optionally, keep."""
    started = time.monotonic()
    written = train(
        clips=args.clips,
        seed=args.seed,
        out=args.out,
        workers=args.workers,
        add=args.add,
        keep_in=getattr(args, "keep", None),
        speed_clips=getattr(args, "speed_clips", 0),
        keep_comb=bool(getattr(args, "keep_comb", None)),
        tell=lambda words: print(f"{time.monotonic() - started:6.0f} s  {words}", file=sys.stderr),
    )
    print(f"Model: {written.model}")
    print(f"Card:  {written.card}")
    return 0
