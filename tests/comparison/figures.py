"""Print how well the comparison and the bleed watch do on simulated pairs and bleeds.

``python -m tests.comparison.figures pairs FIRST COUNT [FOLDER] [RECORDINGS] [WORDS]``: with so many
recordings a side; words: "alike", with one phone at one place; "stated", and the user says so; "apart", every
recording at another place and in another coding, one phone before and another after; "shared", the same with
both phones on both sides; "mixed", the same with a phone of its own for every recording. ``... bleeds FIRST
COUNT``: the bleed watch. Measured pairs are kept in FOLDER, where one is named, so that a changed prior need
not simulate again. Choices were made on pairs 60000 to 60081, 70000 to 70035, 90000 to 90199, 95000 to 95149,
98000 to 98089, 110000 to 110149, 160000 to 160095, on alike ones 91000 to 91059, 92000 to 92039, 120000 to
120179, 121000 to 121028, on those of several recordings 150000 to 150059, 170000 to 170089 and 180000 to
180199, on bleeds 5000 to 5023, 7000 to 7009; figures from other seeds are the ones that count.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path
from typing import get_args

import numpy as np

from audiodiag.comparison.change import SymptomChange, change_of
from audiodiag.records import SYMPTOMS
from tests.comparison.bleeds import bleed_result
from tests.comparison.measured import PairRow, row_from_text, row_of, row_to_text
from tests.comparison.pairs import draw_pair
from tests.comparison.visits import Phones, draw_visits

CHANGED = ("gone", "quieter", "louder")


def pair_rows(
    first: int,
    count: int,
    folder: Path | None = None,
    recordings: int = 1,
    *,
    alike: bool = False,
    stated: bool = False,
    phones: Phones | None = None,
) -> Iterable[PairRow]:
    """Give the measured pairs of these seeds, with so many recordings a side; ``stated``: one phone, at one
    place, as the user says; ``phones``: every recording at another place, with these phones."""
    kind = f"{recordings}{'_alike' * alike}{'_stated' * stated}{'' if phones is None else '_' + phones}"
    for seed in range(first, first + count):
        place = None if folder is None else folder / f"{seed}_{kind}.json"
        if place is not None and place.exists():
            yield row_from_text(place.read_text(encoding="utf-8"))
            continue
        if phones is None:
            pair = draw_pair(seed, recordings=recordings, alike=alike)
        else:
            pair = draw_visits(seed, recordings, phones)
        row = row_of(pair, one_phone=stated)
        if place is not None:
            place.write_text(row_to_text(row), encoding="utf-8")
        yield row


def judged(row: PairRow) -> SymptomChange | None:
    """Give what the comparison says of a pair, None where it refuses to compare."""
    if not row.comparable or not row.before:
        return None
    return change_of(row.symptom, row.before, row.after, odds=row.odds)


def figures(rows: list[PairRow]) -> dict[str, float]:
    """Give coverage, false changes and found changes, of the ruler and of the naive differences.

    The naive difference takes the same word rule; its interval has the width that covers 95 % of the truths
    in
    these very pairs, which is the best that could be done with it.
    """
    finite = [row for row in rows if np.isfinite(row.change_db)]
    said = [(row, judged(row)) for row in rows]
    told = [(r, c) for r, c in said if c is not None and (c.heard_before or c.heard_after)]
    known = [(r, c) for r, c in told if np.isfinite(r.change_db)]
    out = {
        "pairs": float(len(rows)),
        "covered": _share(c.low_db <= r.change_db <= c.high_db for r, c in known),
        "false_change": _share(c is not None and c.word in CHANGED for r, c in said if r.change_db == 0.0),
        "ruler_error_db": _rms(c.change_db - r.change_db for r, c in known if c.change_db is not None),
        "cannot_tell": _share(c is None or c.word == "cannot_tell" for _, c in said),
        "gone_said_gone": _share(
            c is not None and c.word == "gone" for r, c in said if np.isneginf(r.change_db)
        ),
        "gone_said_quieter_or_gone": _share(
            c is not None and c.word in ("gone", "quieter") for r, c in said if np.isneginf(r.change_db)
        ),
        "median_half_width_db": float(
            np.median(
                [(c.high_db - c.low_db) / 2 for _, c in known if np.isfinite(c.high_db - c.low_db)]
                or [np.nan]
            )
        ),
    }
    for change in (-3.0, -6.0, -12.0):
        out[f"found_{-change:.0f}_db"] = _share(
            c is not None and c.word in ("gone", "quieter") for r, c in said if r.change_db == change
        )
    for kind in ("rms", "band"):
        error = np.array([getattr(r, f"{kind}_db") - r.change_db for r in finite])
        width = float(np.quantile(np.abs(error), 0.95)) if len(error) else np.nan
        out[f"{kind}_error_db"] = float(np.sqrt(np.mean(error**2))) if len(error) else np.nan
        out[f"{kind}_half_width_db"] = width
        out[f"{kind}_found_6_db"] = _share(
            getattr(r, f"{kind}_db") + width < 0 for r in rows if r.change_db == -6.0
        )
        # Taken at its word, with the scatter of a level meter's reading only:
        out[f"{kind}_false_change_at_2_db"] = _share(
            abs(getattr(r, f"{kind}_db")) > 2.0 for r in rows if r.change_db == 0.0
        )
    return out


def errors_by_symptom(rows: list[PairRow]) -> dict[str, tuple[int, float, float]]:
    """Give, by symptom, how many changes were measured, their root mean square error and their mean
    error, dB."""
    out = {}
    for name in SYMPTOMS:
        error = [
            c.change_db - r.change_db
            for r in rows
            if r.symptom == name and np.isfinite(r.change_db) and (c := judged(r)) and c.change_db is not None
        ]
        out[name] = (len(error), float(np.sqrt(np.mean(np.square(error)))) if error else np.nan,
                     float(np.mean(error)) if error else np.nan)  # fmt: skip
    return out


def _rms(errors: Iterable[float]) -> float:
    values = np.array(list(errors), dtype=float)
    return float(np.sqrt(np.mean(values**2))) if len(values) else float("nan")


def _share(said: Iterable[bool]) -> float:
    values = list(said)
    return float(np.mean(values)) if values else float("nan")


def main(argv: list[str]) -> None:
    """Print the figures."""
    what, first, count = argv[0], int(argv[1]), int(argv[2])
    if what == "pairs":
        folder = Path(argv[3]) if len(argv) > 3 else None
        recordings = int(argv[4]) if len(argv) > 4 and argv[4].isdigit() else 1
        phones = next((kind for kind in get_args(Phones) if kind in argv), None)
        rows = list(
            pair_rows(
                first, count, folder, recordings,
                alike="alike" in argv, stated="stated" in argv, phones=phones,
            )
        )  # fmt: skip
        for name, value in figures(rows).items():
            print(f"{name:28s} {value:.3f}")
        for name, (n, rms, mean) in errors_by_symptom(rows).items():
            print(f"{name:28s} n {n:3d}  rms error {rms:5.2f} dB  mean {mean:+5.2f} dB")
    else:
        results = [bleed_result(seed) for seed in range(first, first + count)]
        fair = [abs((r.said or 99) - r.truth) <= 1 for r in results]
        early = [r.said is not None and r.air_left_when_said > 0.25 for r in results]
        print(f"bleeds {count}: done said within one cycle {np.mean(fair):.2f}")
        print(f"said with more than a quarter of the air left: {sum(early)}")


if __name__ == "__main__":
    main(sys.argv[1:])
