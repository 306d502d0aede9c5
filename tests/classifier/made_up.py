"""A made-up table whose truth is known: no sound, only numbers that behave like measurements."""

from __future__ import annotations

import numpy as np

from audiodiag.classifier.table import Row
from audiodiag.records import SYMPTOMS


def made_up_rows(count: int, seed: int, *, other_share: float = 0.1) -> list[Row]:
    """Give rows in which each symptom lifts its own score; variant ``b`` lifts it less."""
    rng = np.random.default_rng(seed)
    rows = []
    for number in range(count):
        engine = rng.random() >= other_share
        values = {
            "engine_comb_db": rng.normal(14, 3),
            "snr_db": rng.normal(20, 5),
            "noise_slope": rng.normal(-5, 1),
        }
        present: dict[str, bool | None] = {}
        audible, levels = [], {}
        variants = {"engine": ("petrol", "diesel")[number % 3 == 0]} if engine else {}
        for symptom in SYMPTOMS:
            there = bool(engine and rng.random() < 0.25)
            present[symptom] = there
            lift = 0.0
            if there:
                variants[symptom] = "a" if rng.random() < 0.5 else "b"
                levels[symptom] = float(rng.uniform(-20, 3))
                lift = (2.5 if variants[symptom] == "a" else 2.0) + 0.1 * levels[symptom]
                audible += [symptom] if levels[symptom] > -12 else []
            values[f"{symptom}_score"] = float(rng.normal(lift, 0.7))
        if not engine:
            values |= {"engine_comb_db": rng.normal(2, 1), "noise_slope": rng.normal(-1, 1)}
        values["sparse"] = (
            float("nan") if rng.random() < 0.4 else float(rng.normal(present["pump_whine"], 1.0))
        )
        traits = {"codec": ("wav", "m4a")[number % 2], "source": "simulated"}
        mode = "idle" if engine else ("speech", "rain")[number % 2]
        rows.append(
            Row(
                f"made up {number}",
                seed * 100_000 + number,
                values,
                present,
                tuple(audible),
                levels,
                variants,
                engine,
                traits | {"mode": mode},
            )
        )
    return rows
