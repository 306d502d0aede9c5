"""Engine speed that a person states: one number read off the dial, or a table of time and speed.

Convention: a trace has one value every 0.1 s from the start of the clip; NaN means unknown, never zero.
The bands are assumptions of this program (no published source) and stand in `DIAL_BAND` and `TABLE_BAND`.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from audiodiag.errors import AudiodiagError, SpeedError
from audiodiag.records import FloatArray, Note, SpeedTrace, read_only

__all__ = [
    "DIAL_BAND",
    "GAP_S",
    "GRID_S",
    "MAX_RPM",
    "MIN_RPM",
    "TABLE_BAND",
    "TableRow",
    "decimal",
    "read_rows",
    "speed_from_number",
    "speed_from_table",
    "time_grid_s",
]

GRID_S = 0.1
"""Step of every speed trace, seconds."""
GAP_S = 2.0
"""Rows further apart than this leave the speed between them unknown, seconds."""
HOLD_S = 1.0
"""A table's first and last row speak for at most this long beyond themselves, seconds."""
MIN_RPM, MAX_RPM = 100.0, 10000.0
"""Range of a stated engine speed; below it the engine stands or is being cranked."""
DIAL_BAND = 0.03
"""Half-width of the band around one number read off a dial: the dial and the wander of the idle together."""
TABLE_BAND = 0.01
"""Half-width of the band around a table's speed, at its rows; it widens between rows that differ."""


@dataclass(frozen=True)
class TableRow:
    """One row of a table: its line in the file and its cells without surrounding blanks."""

    line: int
    cells: tuple[str, ...]


def time_grid_s(duration_s: float) -> FloatArray:
    """Give the instants of a speed trace, shape (n,), every 0.1 s from 0 to the end of the clip.

    >>> time_grid_s(0.35).tolist()
    [0.0, 0.1, 0.2, 0.30000000000000004]
    """
    return np.arange(math.floor(duration_s / GRID_S + 1e-9) + 1) * GRID_S


def decimal(text: str) -> float:
    """Read a number with a decimal point or comma; NaN where the text is no number.

    Digits of another script and grouped ones are none: options do not take them either.

    >>> decimal("2,5"), decimal("750"), decimal("\u0667\u0665\u0660"), decimal("7_50")
    (2.5, 750.0, nan, nan)
    """
    text = text.strip()
    if "_" in text or not text.isascii():
        return math.nan
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return math.nan


def read_rows(path: str | Path, error: Callable[..., AudiodiagError], *, what: str) -> list[TableRow]:
    """Read the rows of a small table whose cells stand between semicolons, tabs or commas.

    The first of semicolon, tab and comma that the first row holds is the separator; blank lines and lines
    that begin with ``#`` are passed over. Decimal commas need semicolons or tabs.

    Parameters
    ----------
    path:
        A text file.
    error:
        The error to raise, one of `audiodiag.errors`.
    what:
        What the table is, for the error's text.
    """
    file = Path(path)
    try:
        lines = file.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as problem:
        raise error(
            f"the {what} {file.name} cannot be read",
            got=getattr(problem, "strerror", None) or "signs that are no UTF-8",
            allowed="a text file (UTF-8) that exists and may be read",
            todo="check the path and save the table as CSV",
        ) from problem
    kept = [(number, line) for number, line in enumerate(lines, start=1) if line.strip()]
    kept = [(number, line) for number, line in kept if not line.lstrip().startswith("#")]
    if not kept:
        raise error(
            f"the {what} {file.name} is empty",
            got="no rows",
            allowed="one row a line",
            todo="save the table as CSV again",
        )
    separator = next((mark for mark in ";\t," if mark in kept[0][1]), ",")
    rows = []
    for number, line in kept:
        try:
            cells = next(csv.reader([line], delimiter=separator, strict=True), [])
        except csv.Error as problem:
            raise error(
                f"line {number} of the {what} {file.name} is no row of cells",
                got=str(problem),
                allowed="short cells, with as many closing as opening quotation marks",
                todo="correct the row and save the table as CSV again",
            ) from problem
        rows.append(TableRow(number, tuple(cell.strip() for cell in cells)))
    return rows


def speed_from_number(rpm: float, duration_s: float) -> SpeedTrace:
    """Take one stated engine speed for the whole clip.

    Parameters
    ----------
    rpm:
        Revolutions of the crankshaft a minute, 100 to 10000.
    duration_s:
        Length of the clip in seconds.

    Returns
    -------
    SpeedTrace
        Constant, source ``entered``, with a band of 3 % either way: one number read off a dial does not say
        how the idle dips when the wheel is turned.

    Raises
    ------
    SpeedError
        If the number is no engine speed.

    Examples
    --------
    >>> trace = speed_from_number(750, 4.0)
    >>> trace.median_rpm, float(trace.rpm_high[0])
    (750.0, 772.5)
    """
    if not MIN_RPM <= rpm <= MAX_RPM:
        raise SpeedError(
            "the stated engine speed cannot be used",
            got=f"{rpm:g} rpm",
            allowed=f"{MIN_RPM:g} to {MAX_RPM:g} rpm",
            todo="state revolutions a minute as the dial shows them, or leave the option out",
        )
    time_s = time_grid_s(duration_s)
    flat = np.full(len(time_s), float(rpm))
    note = Note(
        "speed_entered",
        f"The engine speed is one stated number, {rpm:g} rpm, for the whole clip; real speed wanders, "
        f"so every order carries at least {100 * DIAL_BAND:g} % of doubt.",
        severity="info",
    )
    return SpeedTrace(
        source="entered",
        confidence=0.95,
        time_s=read_only(time_s),
        rpm=read_only(flat),
        rpm_low=read_only(flat * (1 - DIAL_BAND)),
        rpm_high=read_only(flat * (1 + DIAL_BAND)),
        instant_confidence=read_only(np.full(len(time_s), 0.95)),
        notes=(note,),
    )


def speed_from_table(path: str | Path, duration_s: float) -> SpeedTrace:
    """Read engine speed over time from a table with the columns ``time_s`` and ``rpm``.

    Parameters
    ----------
    path:
        CSV with comma, semicolon or tab; a header is optional and may name the columns in either order;
        decimal commas are read where semicolon or tab separate the columns. Times are seconds from the
        start of the clip and must rise.
    duration_s:
        Length of the clip in seconds.

    Returns
    -------
    SpeedTrace
        Source ``table``, linear between the rows every 0.1 s; NaN where rows are more than 2 s apart and
        more than 1 s before the first or after the last row. The band is 1 % at a row and grows by half
        the difference of two rows midway between them.

    Raises
    ------
    SpeedError
        With the line number, if a row is no pair of numbers, out of range or out of order, or if fewer than
        two rows lie in the clip.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = pathlib.Path(folder, "speed.csv")
    ...     _ = file.write_text("time_s,rpm\\n0,700\\n1,800\\n")
    ...     trace = speed_from_table(file, 1.0)
    >>> float(trace.rpm[5])
    750.0
    """
    name = Path(path).name
    times_s, rpms = _columns(name, read_rows(path, SpeedError, what="speed table"))
    inside = int(np.count_nonzero((times_s >= 0) & (times_s <= duration_s)))
    if inside < 2:
        raise SpeedError(
            f"the speed table {name} has too few rows within the clip",
            got=f"{inside} of {len(times_s)} rows between 0 and {duration_s:.1f} s",
            allowed="at least two",
            todo="give times in seconds from the start of the clip",
        )
    time_s = time_grid_s(duration_s)
    rpm = np.interp(time_s, times_s, rpms)
    after = np.clip(np.searchsorted(times_s, time_s, side="left"), 1, len(times_s) - 1)
    gap_s = times_s[after] - times_s[after - 1]
    share = np.clip((time_s - times_s[after - 1]) / gap_s, 0.0, 1.0)
    beyond_s = np.maximum(times_s[0] - time_s, time_s - times_s[-1])
    in_gap = (gap_s > GAP_S) & (share > 0) & (share < 1)
    unknown = in_gap | (beyond_s > HOLD_S)
    half = TABLE_BAND * rpm + 2.0 * share * (1.0 - share) * np.abs(rpms[after] - rpms[after - 1])
    half = np.where(beyond_s > 0, DIAL_BAND * rpm, half)
    for values in (rpm, half):
        values[unknown] = np.nan
    notes = [Note("speed_from_table", f"Engine speed read from {name}, {inside} rows.", severity="info")]
    if unknown.any():
        spans_s = _spans(time_s, unknown)
        text = f"The speed table says nothing for {GRID_S * np.count_nonzero(unknown):.1f} s of the clip."
        notes.append(Note("speed_table_gap", text, spans_s))
    return SpeedTrace(
        source="table",
        confidence=0.97,
        time_s=read_only(time_s),
        rpm=read_only(rpm),
        rpm_low=read_only(rpm - half),
        rpm_high=read_only(rpm + half),
        instant_confidence=read_only(np.where(unknown, 0.0, np.where(beyond_s > 0, 0.7, 0.97))),
        notes=tuple(notes),
    )


def _spans(time_s: FloatArray, marked: NDArray[np.bool_]) -> tuple[tuple[float, float], ...]:
    """Give the runs of marked instants as pairs of seconds."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], marked.astype(np.int8), [0]))))
    return tuple(
        (round(float(time_s[first]), 3), round(float(time_s[last - 1]), 3))
        for first, last in zip(edges[::2], edges[1::2], strict=True)
    )


def _columns(name: str, rows: list[TableRow]) -> tuple[FloatArray, FloatArray]:
    """Give the validated times and speeds, shape (rows,) each."""
    time_column, rpm_column, width = 0, 1, 2
    first = rows[0]
    if all(math.isnan(decimal(cell)) and cell.lower() not in {"nan", ""} for cell in first.cells):
        time_column, rpm_column = _header(name, first)
        width = len(first.cells)
        rows = rows[1:]
    times_s: list[float] = []
    rpms: list[float] = []
    for row in rows:
        place = f"line {row.line} of the speed table {name}"
        if len(row.cells) != width:
            raise SpeedError(
                f"{place} has the wrong number of columns",
                got=f"{len(row.cells)} columns",
                allowed=f"{width} columns: time_s and rpm",
                todo="use semicolons between the columns if the decimals take commas",
            )
        time_s, rpm = decimal(row.cells[time_column]), decimal(row.cells[rpm_column])
        if not math.isfinite(time_s) or time_s < 0:
            raise SpeedError(
                f"{place} has a time that cannot be used",
                got=row.cells[time_column] or "nothing",
                allowed="seconds from the start of the clip, 0 or more",
                todo="correct or remove the row",
            )
        if not MIN_RPM <= rpm <= MAX_RPM:
            raise SpeedError(
                f"{place} has a speed that cannot be used",
                got=row.cells[rpm_column] or "nothing",
                allowed=f"{MIN_RPM:g} to {MAX_RPM:g} rpm",
                todo="correct the row, or remove the rows in which the engine stands",
            )
        if times_s and time_s <= times_s[-1]:
            raise SpeedError(
                f"{place} is out of order",
                got=f"{time_s:g} s after {times_s[-1]:g} s",
                allowed="times that rise from row to row, each only once",
                todo="sort the table by time and remove double rows",
            )
        times_s.append(time_s)
        rpms.append(rpm)
    if len(times_s) < 2:
        raise SpeedError(
            f"the speed table {name} has too few rows",
            got=f"{len(times_s)} rows",
            allowed="at least two rows of time_s and rpm",
            todo="add rows, or state one speed for the whole clip instead",
        )
    return np.array(times_s), np.array(rpms)


def _header(name: str, row: TableRow) -> tuple[int, int]:
    """Find the columns of time and speed by their names."""
    names = [cell.lower() for cell in row.cells]
    times = [index for index, cell in enumerate(names) if cell.split("_")[0] in {"time", "t", "seconds"}]
    speeds = [index for index, cell in enumerate(names) if "rpm" in cell or "speed" in cell]
    if names.count("rpm") == 1:  # beside it a band, as `audiodiag speed` writes it
        speeds = [names.index("rpm")]
    if len(times) != 1 or len(speeds) != 1:
        raise SpeedError(
            f"line {row.line} of the speed table {name} does not name its columns",
            got=", ".join(row.cells),
            allowed="one column time_s and one column rpm",
            todo="name the columns time_s and rpm",
        )
    return times[0], speeds[0]
