"""The training table: one row a clip, with what was measured and what is known to be true.

A table is pure values. It is made from seeds in ``examples``, from labelled clips in ``labels``, and by hand
in tests.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from audiodiag.classifier.features import IntArray
from audiodiag.records import SYMPTOMS, FloatArray, read_only

__all__ = ["PASSED_ON", "Row", "Table"]

PASSED_ON = "passed_on"
"""The trait of a clip that was passed on after it was recorded: how."""

TRUST = "speed_confidence"
"""The measure that tells how far the engine speed, and all that is read off its orders, can be believed."""


@dataclass(frozen=True)
class Row:
    """One clip: its measurements and its truth.

    Parameters
    ----------
    name:
        What tells the clip from all others: ``simulated 17``, a file name.
    group:
        Clips of one group (one seed, one car) never stand on both sides of a split.
    measurements:
        Measure name to value; NaN where it could not be measured.
    present:
        Symptom name to true, false, or None where nobody knows.
    audible:
        Symptoms that are present and loud enough that a person could hear them.
    level_db:
        Symptom name to its true level against the engine; may be empty.
    variant:
        Symptom name to the structural variant of the source that made it; may be empty.
    engine:
        False for a clip that is no engine bay at all; its kind then stands in ``mode``.
    traits:
        Codec, vehicle told or not, source of the clip and whatever else a score is split by.
    speed_right:
        Whether the measurements were taken at the true engine speed, None where nobody knows.
    """

    name: str
    group: int
    measurements: Mapping[str, float]
    present: Mapping[str, bool | None]
    audible: tuple[str, ...] = ()
    level_db: Mapping[str, float] = field(default_factory=dict)
    variant: Mapping[str, str] = field(default_factory=dict)
    engine: bool = True
    traits: Mapping[str, str] = field(default_factory=dict)
    speed_right: bool | None = None


@dataclass(frozen=True, eq=False)
class Table:
    """All rows side by side.

    measures: the m measure names. values: (n, m) float64 with NaN for missing. present: (n, 6) with 1, 0, or
    NaN where nobody knows. audible: (n, 6) of 1 and 0. level_db: (n, 6) with NaN. group: (n,). engine: (n,)
    of 1 and 0. speed_right: (n,) with 1, 0, or NaN where nobody knows. Columns of six follow ``SYMPTOMS``.
    """

    rows: tuple[Row, ...]
    measures: tuple[str, ...]
    values: FloatArray
    present: FloatArray
    audible: FloatArray
    level_db: FloatArray
    group: IntArray
    engine: FloatArray
    speed_right: FloatArray

    @classmethod
    def of(cls, rows: Iterable[Row], measures: Sequence[str] | None = None) -> Table:
        """Lay rows side by side; a measure that no row has is left out unless ``measures`` asks for it.

        >>> rows = [Row("a", 1, {"snr_db": 3.0}, {"pump_whine": True}), Row("b", 2, {}, {})]
        >>> table = Table.of(rows)
        >>> table.measures, len(table), table.values.tolist()
        (('snr_db',), 2, [[3.0], [nan]])
        """
        kept = tuple(rows)
        names = (
            tuple(measures)
            if measures is not None
            else tuple(sorted({name for row in kept for name in row.measurements}))
        )
        nan = float("nan")
        values = np.array([[row.measurements.get(name, nan) for name in names] for row in kept], dtype=float)
        values = values.reshape(len(kept), len(names))
        values[~np.isfinite(values)] = nan
        present = [[_as_number(row.present.get(name)) for name in SYMPTOMS] for row in kept]
        audible = [[float(name in row.audible) for name in SYMPTOMS] for row in kept]
        level_db = [[float(row.level_db.get(name, nan)) for name in SYMPTOMS] for row in kept]
        return cls(
            rows=kept,
            measures=names,
            values=read_only(values),
            present=read_only(np.array(present, dtype=float).reshape(-1, len(SYMPTOMS))),
            audible=read_only(np.array(audible, dtype=float).reshape(-1, len(SYMPTOMS))),
            level_db=read_only(np.array(level_db, dtype=float).reshape(-1, len(SYMPTOMS))),
            group=np.array([row.group for row in kept], dtype=np.int64),
            engine=read_only(np.array([float(row.engine) for row in kept], dtype=float)),
            speed_right=read_only(np.array([_as_number(row.speed_right) for row in kept], dtype=float)),
        )

    def __len__(self) -> int:
        return len(self.rows)

    def chosen(self, which: Any) -> Table:
        """Give the rows that a mask or an index array of shape (n,) chooses, with the same measures."""
        index = np.arange(len(self))[which]
        return Table.of([self.rows[i] for i in index], self.measures)

    def column(self, symptom: str) -> int:
        """Give the column of a symptom in ``present``, ``audible`` and ``level_db``.

        >>> Table.of([]).column("belt_squeal")
        2
        """
        return SYMPTOMS.index(symptom)

    @property
    def trust(self) -> int | None:
        """Give the column of ``values`` with the confidence in the engine speed, None where there is none."""
        return self.measures.index(TRUST) if TRUST in self.measures else None

    @property
    def recording(self) -> IntArray:
        """Give every row the number of the recording that it was measured on, shape (n,).

        A clip that was passed on shares it with the clip of its group that was not, where there is one such.

        >>> copy = Row("b", 1, {}, {}, traits={PASSED_ON: "22050 Hz"})
        >>> Table.of([Row("a", 1, {}, {}), copy, Row("c", 2, {}, {})]).recording.tolist()
        [0, 0, 2]
        """
        as_recorded: dict[int, list[int]] = {}
        for place, row in enumerate(self.rows):
            if PASSED_ON not in row.traits:
                as_recorded.setdefault(row.group, []).append(place)
        number = np.arange(len(self))
        for place, row in enumerate(self.rows):
            first = as_recorded.get(row.group, [])
            if PASSED_ON in row.traits and len(first) == 1:
                number[place] = first[0]
        return number

    def variants(self, symptom: str) -> tuple[str, ...]:
        """Name the structural variants of a symptom that occur, in alphabetical order."""
        return tuple(sorted({row.variant[symptom] for row in self.rows if row.variant.get(symptom)}))

    def trait(self, name: str) -> tuple[str, ...]:
        """Give one trait of every row, an empty word where a row does not have it."""
        return tuple(row.traits.get(name, "") for row in self.rows)


def _as_number(known: bool | None) -> float:
    """Give 1, 0 or NaN for true, false and unknown."""
    return float("nan") if known is None else float(known)
