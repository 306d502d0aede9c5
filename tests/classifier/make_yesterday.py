"""Writes yesterday.json, a small model of made-up clips with its answers; run once, then kept as it is.

Run from the folder of the project: ``python -m tests.classifier.make_yesterday``.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

from audiodiag.classifier.fitting import Candidate
from audiodiag.classifier.store import Model, model_to_text
from audiodiag.classifier.train import train_on_rows
from audiodiag.records import SYMPTOMS
from tests.classifier.made_up import made_up_rows

KINDS = (
    Candidate("naive Bayes on 4 measures", "bayes", 0, {"measures": 4}),
    Candidate("logistic with kinks", "linear", 1, {"strength": 0.1, "kinks": (-1.0, 1.0)}),
    Candidate("boosted trees", "boosted", 2, {"trees": 8, "leaves": 4, "rate": 0.3}),
    Candidate("random forest", "forest", 3, {"trees": 6, "leaves": 6}),
)


def main() -> None:
    """Train each family alone, give each symptom one of them in turn, and keep what the model says."""
    rows = made_up_rows(240, 11)
    models = [train_on_rows(rows, candidates=(kind,), thorough=False).model for kind in KINDS]
    first = models[0]
    mixed = {name: models[i % len(KINDS)].symptoms[name] for i, name in enumerate(SYMPTOMS)}
    model = Model(first.measures, first.low, first.middle, first.high, mixed, first.strangeness, {"seed": 11})
    cases = []
    for row in made_up_rows(6, 12):
        said = model.predict(row.measurements, phrases={})
        clip = {name: value if math.isfinite(value) else None for name, value in row.measurements.items()}
        probability = {name: said.symptoms[name].probability for name in SYMPTOMS}
        cases.append(
            {"measurements": clip, "probability": probability, "distance": said.strangeness.distance}
        )
    frozen = {"model": json.loads(model_to_text(model)), "cases": cases}
    Path(__file__).with_name("yesterday.json").write_text(json.dumps(frozen, separators=(",", ":")) + "\n")


if __name__ == "__main__":
    main()
