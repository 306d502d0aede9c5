"""Labelled clips of one's own: which files, what a label file may say, and what is refused.

Beside a clip ``NAME.m4a`` stands ``NAME.labels.toml``::

    heard = ["pump_whine"]           # symptoms surely there; may be empty
    absent = ["belt_squeal"]         # symptoms surely not there; "all_others" means all that are not heard
    cylinders = 4                    # optional, told to the speed
    car = "the blue van"             # optional, clips of one car are judged together

What is named in neither list is unknown, and nothing is learnt from it. Demo clips have ``NAME.truth.json``
in place of it and are simulated.
"""

from __future__ import annotations

import difflib
import json
import tomllib
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from audiodiag.classifier.examples import measure_clip, row_from_truth
from audiodiag.classifier.fitting import one_thread
from audiodiag.classifier.table import Row
from audiodiag.classifier.workers import mapped
from audiodiag.errors import UsageError
from audiodiag.records import SYMPTOMS
from audiodiag.vehicle import Vehicle

__all__ = [
    "ALL_OTHERS",
    "CheckedLabels",
    "Labels",
    "demo_rows",
    "labels_from_plain",
    "read_labels",
    "workshop_rows",
]

LABEL_ENDING = ".labels.toml"
TRUTH_ENDING = ".truth.json"
ALL_OTHERS = "all_others"
_KEYS = ("heard", "absent", "cylinders", "car")
_FIRST_GROUP = 10**16
"""Groups of labelled clips start here, above all seeds."""


@dataclass(frozen=True)
class Labels:
    """What a person states of one clip."""

    clip: Path
    heard: tuple[str, ...]
    absent: tuple[str, ...]
    cylinders: int | None = None
    car: str | None = None


@dataclass(frozen=True)
class CheckedLabels:
    """The content of a label file after checking; ``wrong`` holds one sentence for each thing that is."""

    heard: tuple[str, ...]
    absent: tuple[str, ...]
    cylinders: int | None
    car: str | None
    wrong: tuple[str, ...]


def labels_from_plain(plain: Mapping[str, Any]) -> CheckedLabels:
    """Check the content of a label file.

    >>> labels_from_plain({"heard": ["pump_whine"], "absent": ["all_others"]}).wrong
    ()
    >>> labels_from_plain({"heard": ["pump_whine"], "absent": ["pump_whine"]}).wrong
    ('pump_whine is said to be heard and to be absent',)
    """
    wrong = [f"unknown entry {key!r}{_nearest(key, _KEYS)}" for key in plain if key not in _KEYS]
    heard = _checked_names(plain, "heard", SYMPTOMS, wrong)
    absent = _checked_names(plain, "absent", (*SYMPTOMS, ALL_OTHERS), wrong)
    wrong += [f"{name} is said to be heard and to be absent" for name in heard if name in absent]
    if not wrong and not heard and not absent:
        wrong.append("neither heard nor absent names a symptom, so that there is nothing to learn")
    cylinders, car = plain.get("cylinders"), plain.get("car")
    whole = isinstance(cylinders, int) and not isinstance(cylinders, bool)
    if cylinders is not None and not (whole and 1 <= int(cylinders) <= 16):
        wrong.append(f"cylinders is {cylinders!r} and must be a whole number from 1 to 16")
    if car is not None and not (isinstance(car, str) and car.strip()):
        wrong.append("car must be a name in quotes")
    if ALL_OTHERS in absent:
        absent = tuple(name for name in SYMPTOMS if name not in heard)
    return CheckedLabels(heard, absent, cylinders, car, tuple(wrong))


def _checked_names(
    plain: Mapping[str, Any], side: str, allowed: tuple[str, ...], wrong: list[str]
) -> tuple[str, ...]:
    """Give the names on one side and add a sentence to ``wrong`` for each that cannot be."""
    given = plain.get(side, [])
    if not isinstance(given, list) or not all(isinstance(each, str) for each in given):
        wrong.append(f"{side} must be a list of names in quotes")
        return ()
    wrong += [
        f"{side} names {each!r}, which is no symptom{_nearest(each, allowed)}"
        for each in given
        if each not in allowed
    ]
    wrong += [f"{side} names {each} twice" for each in sorted(set(given)) if given.count(each) > 1]
    return tuple(given)


def read_labels(folder: str | Path) -> tuple[Labels, ...]:
    """Read all label files of a folder, in the order of their names.

    Raises ``UsageError`` with a sentence for each label file that is broken, contradicts itself, or has not
    exactly one clip beside it; and where the folder holds none at all.
    """
    place = Path(folder)
    files = sorted(place.glob(f"*{LABEL_ENDING}")) if place.is_dir() else []
    if not files:
        raise UsageError(
            "there are no labelled clips to add",
            got=f"{place}" if place.is_dir() else f"{place}, which is no folder",
            allowed=f"a folder with clips and a NAME{LABEL_ENDING} beside each",
            todo="write a label file for each clip, with the lists heard and absent",
        )
    labels, wrong = [], []
    for file in files:
        try:
            plain = tomllib.loads(file.read_text(encoding="utf-8-sig"))
        except (OSError, ValueError, RecursionError) as problem:  # the last of brackets without end
            wrong.append(f"{file.name}: cannot be read as TOML ({problem})")
            continue
        checked = labels_from_plain(plain)
        wrong += [f"{file.name}: {sentence}" for sentence in checked.wrong]
        stem = file.name.removesuffix(LABEL_ENDING)
        clips = [
            each
            for each in sorted(place.iterdir())
            if each.stem == stem and each.suffix not in (".json", ".toml")
        ]
        if len(clips) != 1:
            found = ", ".join(each.name for each in clips) or "none"
            wrong.append(
                f"{file.name}: needs one clip named {stem} with its ending beside it (found: {found})"
            )
        elif not checked.wrong:
            labels.append(Labels(clips[0], checked.heard, checked.absent, checked.cylinders, checked.car))
    if wrong:
        raise UsageError(
            f"labels in {place} cannot be used",
            got="; ".join(wrong),
            allowed=f"heard and absent as lists of {', '.join(SYMPTOMS)}",
            todo="correct these files; nothing was trained",
        )
    return tuple(labels)


def workshop_rows(folder: str | Path, *, progress: Callable[[int, int], None] | None = None) -> list[Row]:
    """Measure the labelled clips of a folder; raises as ``read_labels``, and ``ClipError`` for a bad clip."""
    from audiodiag.clip import read_clip

    labels = read_labels(folder)
    rows = []
    for number, label in enumerate(labels, start=1):
        with one_thread():
            measured = measure_clip(read_clip(label.clip), Vehicle(cylinders=label.cylinders))
        known = dict.fromkeys(label.heard, True) | dict.fromkeys(label.absent, False)
        rows.append(
            Row(
                name=label.clip.name,
                group=_FIRST_GROUP + zlib.crc32((label.car or label.clip.name).encode()),
                measurements=measured,
                present=known,
                audible=label.heard,
                traits={"source": "workshop", "cylinders": "told" if label.cylinders else "unknown"},
            )
        )
        if progress is not None:
            progress(number, len(labels))
    return rows


def demo_rows(folder: str | Path, *, workers: int = 1) -> list[Row]:
    """Measure the demo clips of a folder, which are simulated and carry their truth beside them.

    workers: processes to use; the rows do not depend on it.
    """
    from audiodiag.clip import read_clip

    found = []
    for file in sorted(Path(folder).glob(f"*{TRUTH_ENDING}")):
        try:
            truth = json.loads(file.read_text(encoding="utf-8"))
            read_clip(file.parent / truth["file"])  # refused here, before the long work
        except (ValueError, KeyError, TypeError, RecursionError) as problem:
            raise UsageError(
                f"{file.name} is damaged",
                got=f"{type(problem).__name__}: {problem}",
                allowed="the truth as it was written beside a simulated clip",
                todo="make the demo clips again, or take the file away",
            ) from problem
        found.append((file, truth))
    with mapped(_demo_row, found, workers=workers) as rows:
        return list(rows)


def _demo_row(demo: tuple[Path, dict[str, Any]]) -> Row:
    """Measure one demo clip: the file of its truth, and the truth."""
    from audiodiag.clip import read_clip

    file, truth = demo
    with one_thread():
        clip = read_clip(file.parent / truth["file"])
        measured = measure_clip(clip, Vehicle(cylinders=truth.get("cylinders")))
    name = f"simulated demo {file.name.removesuffix(TRUTH_ENDING)}"
    group = _FIRST_GROUP + zlib.crc32(name.encode())
    return row_from_truth(truth, measured, name=name, group=group, traits={"cylinders": "told"})


def _nearest(got: str, allowed: tuple[str, ...]) -> str:
    """Suggest the nearest allowed name."""
    near = difflib.get_close_matches(got, allowed, n=1)
    return f" (did you mean {near[0]}?)" if near else f" (allowed: {', '.join(allowed)})"
