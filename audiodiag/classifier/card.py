"""The model's card: what it was made from, how well it does, and where it must not be trusted."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from audiodiag.classifier.calibrate import SPEEDLESS_MOST
from audiodiag.classifier.compare import Chosen, NestedScore
from audiodiag.classifier.conformal import ALPHA
from audiodiag.classifier.examples import AUDIBLE_DB
from audiodiag.classifier.judged import (
    LEVEL_EDGES_DB,
    SymptomScores,
    any_false_alarm,
    conformal_coverage,
    recall_by_level,
    recall_by_trait,
    symptom_scores,
)
from audiodiag.classifier.scores import calibration_curve
from audiodiag.classifier.store import Model
from audiodiag.classifier.strange import ENGINE_FROM, STRANGE_RANK
from audiodiag.classifier.table import Table
from audiodiag.records import SYMPTOMS, FloatArray

__all__ = ["CARD_FILE", "Trained", "card_text"]

CARD_FILE = "CARD.md"
TRAITS = ("bay", "codec", "mode", "cylinders", "hard", "passed_on")


@dataclass(frozen=True, eq=False)
class Trained:
    """A trained model and what its card is written from.

    model: what is written, learnt from all rows. rehearsal: what the same procedure made of the rows without
    ``judge``, by which it is judged. chosen: the family kept for each symptom, and how all did in the
    rehearsal. nested: how the whole procedure did, where that was asked. table: all rows. judge: the rows
    that the rehearsal never heard.
    """

    model: Model
    rehearsal: Model
    chosen: Mapping[str, Chosen]
    nested: Mapping[str, NestedScore]
    table: Table
    judge: Table


def card_text(trained: Trained) -> str:
    """Write the card as Markdown; the same training gives the same text."""
    made = trained.model.made
    held = np.stack(
        [trained.rehearsal.symptoms[name].probability(trained.judge.values) for name in SYMPTOMS], axis=1
    )
    parts = [
        "# Card of the symptom model",
        "Turns the measurements of one clip into a probability for each of six symptoms. "
        "Written by the training itself; do not edit.",
        "## Made from",
        _table(("what", "value"), [(key.replace("_", " "), _plain(value)) for key, value in made.items()]),
        "Clips called simulated come out of the simulation of an engine bay, not from a car. "
        "The model in the file was fitted and calibrated on all of them. What is said below of *clips kept "
        f"apart* was said by a rehearsal: one clip in five ({len(trained.judge)}) took no part in its "
        "fitting, choice or calibration. The file keeps the families that the rehearsal chose; its model has "
        "learnt from a quarter more clips than the rehearsal's, and none is left that could judge itself. "
        f"A symptom is called audible from {AUDIBLE_DB:g} dB against the engine, and present from a "
        "probability of 0.5. A probability is that of a symptom being audibly there: in learning, and in the "
        "shares above, a clip that holds it counts by the chance that somebody hears it, a half at "
        f"{AUDIBLE_DB:g} dB; the scores below count all clips alike, faint ones too.",
        "## Families compared",
        "Mean log loss after calibration in the rehearsal, on clips not fitted on (in brackets: on "
        "structural variants of the source that were left out; on the simulation of bays that was left out). "
        "The simplest within one "
        "standard error of the best is kept, in bold; the simulation left out counts as much as the other "
        "two together. Probabilities are calibrated half on clips of simulations that were heard and half on "
        "clips of the one left out, with one law for clips whose engine speed was heard right and one for "
        "those where it was not; a clip gets the mean of both, weighed by the confidence in its speed. A "
        "symptom that can be heard without any speed has a second model, held kinked logistic, of the "
        "measures that hang on no order: where the speed is wrong, the odds of both are averaged, of the "
        f"second up to {SPEEDLESS_MOST:g}. The laws named are those in the file.",
        _families(trained),
        "## Scores on clips kept apart",
        _scores(symptom_scores(trained.judge, name, held[:, i]) for i, name in enumerate(SYMPTOMS)),
        f"Clean clips with any false alarm: {any_false_alarm(trained.judge, held)}.",
    ]
    if trained.nested:
        parts += _nested_parts(trained)
    parts += [
        "## Calibration",
        "All symptoms together, clips kept apart.",
        _curve(trained.judge, held),
        "## Answers with stated coverage",
        f"Limits for {100 * (1 - ALPHA):.0f} % coverage of each truth, taken half from what models and laws "
        "said of clips of a fold that they were not fitted on, and half from what models said that never "
        "heard the clip's simulation of bays. The coverage here is that of the rehearsal's limits on the "
        "clips kept apart.",
        _coverage(trained, held),
        "## Measures that move the answer most",
        _movers(trained),
        "## Strangeness",
        _strangeness(trained),
        "## Limits of use",
        _LIMITS,
    ]
    return "\n\n".join(parts) + "\n"


def _nested_parts(trained: Trained) -> list[str]:
    """Write the scores of the nested splits over all rows, and how they differ by level and trait."""
    table = trained.table
    plain = np.stack([trained.nested[name].plain for name in SYMPTOMS], axis=1)
    traits = [
        (f"{trait}: {value}", *_shares(table, plain, trait, value))
        for trait in TRAITS
        for value in sorted(set(table.trait(trait)) - {""})
        if not (trait == "mode" and value in _other_kinds(table))
    ]
    edges = [f"{low:g} to {high:g} dB" for low, high in pairwise(LEVEL_EDGES_DB)]
    edges[0], edges[-1] = f"below {LEVEL_EDGES_DB[1]:g} dB", f"above {LEVEL_EDGES_DB[-2]:g} dB"
    return [
        "## Scores by nested splits over all clips",
        "Choice of the family and calibration are repeated inside each split, so that these numbers "
        "judge the procedure.",
        _scores(symptom_scores(table, name, plain[:, i]) for i, name in enumerate(SYMPTOMS)),
        f"Clean clips with any false alarm: {any_false_alarm(table, plain)}.",
        "### Structural variants never heard",
        "Each variant of a symptom's source in turn is left out of training and judged.",
        _scores(symptom_scores(table, name, trained.nested[name].unheard) for name in SYMPTOMS),
        _by_variant(trained),
        "### Kinds of engine never heard",
        "Each kind of engine that the simulation makes in turn is left out of training and judged.",
        _scores(symptom_scores(table, name, trained.nested[name].other_engine) for name in SYMPTOMS),
        "### Simulations of bays never heard",
        "Each of the simulations in turn is left out of training and judged; such a model is calibrated on "
        "the other ones, each of them left out in its turn where they are several.",
        _scores(symptom_scores(table, name, trained.nested[name].other_bay) for name in SYMPTOMS),
        "### Recall by level against the engine",
        _table(
            ("symptom", *edges),
            [
                (name, *(str(share) for share in recall_by_level(table, name, plain[:, i])))
                for i, name in enumerate(SYMPTOMS)
            ],
        ),
        "### Recall of audible symptoms and false alarms on clean clips, by kind of clip",
        _table(("kind", *SYMPTOMS), traits),
    ]


def _other_kinds(table: Table) -> set[str]:
    """Name the kinds of sound that are no engine bay."""
    return {row.traits.get("mode", "") for row in table.rows if not row.engine}


def _shares(table: Table, said: FloatArray, trait: str, value: str) -> list[str]:
    """Give recall and false alarms of every symptom for one value of a trait."""
    found = [recall_by_trait(table, name, said[:, i], trait, value) for i, name in enumerate(SYMPTOMS)]
    return [f"{each.recall}; {each.false_alarms}" for each in found]


def _by_variant(trained: Trained) -> str:
    """Write the recall of audible symptoms for each variant that was left out."""
    lines = []
    for name in SYMPTOMS:
        said = trained.nested[name].unheard
        column = trained.table.column(name)
        for variant in trained.table.variants(name):
            which = np.array([row.variant.get(name) == variant for row in trained.table.rows])
            which &= (trained.table.audible[:, column] > 0.5) & np.isfinite(said)
            if which.any():
                lines.append((name, variant, f"{100 * np.mean(said[which] >= 0.5):.0f} % of {which.sum()}"))
    return _table(("symptom", "variant left out", "recall of audible ones"), lines)


def _families(trained: Trained) -> str:
    """Write the comparison of the families."""
    names = [score.candidate for score in next(iter(trained.chosen.values())).scores]
    lines = []
    for symptom, own in trained.chosen.items():
        cells = [
            f"{_loss(score.log_loss)} ({_loss(score.variant_log_loss)}; {_loss(score.bay_log_loss)})"
            for score in own.scores
        ]
        kept = names.index(own.candidate.name)
        cells[kept] = f"**{cells[kept]}**"
        kept_laws = trained.model.symptoms[symptom].calibration
        laws = [law.law for law in (kept_laws.right, kept_laws.astray) if law is not None]
        laws += [] if kept_laws.speedless is None else [f"{kept_laws.speedless.law.law} (no speed)"]
        lines.append((symptom, *cells, ", ".join(laws)))
    return _table(("symptom", *names, "calibrated by"), lines)


def _loss(value: float) -> str:
    """Write a log loss, *none* where nothing could be left out."""
    return "none" if math.isnan(value) else f"{value:.3f}"


def _scores(scores: Iterable[SymptomScores]) -> str:
    """Write one line a symptom."""
    head = (
        "symptom",
        "clips",
        "area under curve",
        "log loss",
        "Brier",
        "calibration error",
        "recall",
        "recall, audible",
        "false alarms, clean",
        "false alarms, other symptom there",
        "false alarms, no engine",
    )
    return _table(
        head,
        [
            (
                own.symptom,
                str(own.clips),
                f"{own.area_under_curve:.3f}",
                f"{own.log_loss:.3f}",
                f"{own.brier:.3f}",
                f"{own.calibration_error:.3f}",
                str(own.recall),
                str(own.recall_audible),
                str(own.false_alarms_clean),
                str(own.false_alarms_other_symptom),
                str(own.false_alarms_elsewhere),
            )
            for own in scores
        ],
    )


def _curve(judge: Table, held: FloatArray) -> str:
    """Write the calibration curve over all symptoms."""
    present = np.asarray(judge.present)
    known = np.isfinite(present)
    curve = calibration_curve(present[known], held[known])
    lines = zip(curve.count, curve.said, curve.true, strict=True)
    return _table(
        ("clips times symptoms", "said", "true"),
        [(f"{count:.0f}", f"{said:.3f}", f"{true:.3f}") for count, said, true in lines],
    )


def _coverage(trained: Trained, held: FloatArray) -> str:
    """Write the coverage of the conformal answers."""
    judge = trained.judge
    lines = []
    for i, name in enumerate(SYMPTOMS):
        known = np.isfinite(judge.present[:, i])
        limits = trained.rehearsal.symptoms[name].limits
        shares = conformal_coverage(np.asarray(judge.present[known, i]), held[known, i], limits)
        lines.append((name, str(shares.present), str(shares.absent), str(shares.single)))
    return _table(("symptom", "present covered", "absent covered", "answers of one word"), lines)


def _movers(trained: Trained) -> str:
    """Write the measures with the largest mean charge on all clips."""
    lines = []
    for name in SYMPTOMS:
        size = np.abs(trained.model.symptoms[name].scorer.charges(trained.table.values)).mean(axis=0)
        order = np.argsort(-size, kind="stable")[:6]
        lines.append((name, ", ".join(f"{trained.model.measures[i]} ({size[i]:.2f})" for i in order)))
    return _table(("symptom", "measure (mean change of log-odds)"), lines)


def _strangeness(trained: Trained) -> str:
    """Write how sounds that are no engine bay, and engine bays, are received."""
    judge, model = trained.judge, trained.rehearsal.strangeness
    bay = judge.engine > 0.5
    said = model.calibration.probability(model.engine.odds(judge.values))
    far = np.array([model.judge(row, trained.rehearsal.measures).strange for row in judge.values])
    lines = []
    for title, which in (("engine bays kept apart", bay), ("other sounds kept apart", ~bay)):
        if which.any():
            called = f"{100 * np.mean(said[which] < ENGINE_FROM):.0f} %"
            lines.append((title, str(int(which.sum())), called, f"{100 * np.mean(far[which]):.0f} %"))
    text = _table(
        ("clips", "number", "called no engine bay", f"farther than {100 * STRANGE_RANK:g} %"), lines
    )
    kinds = ", ".join(sorted(_other_kinds(trained.table))) or "none"
    return text + f"\n\nKinds of other sounds learnt from: {kinds}."


def _table(head: Iterable[str], lines: Iterable[Iterable[str]]) -> str:
    """Write a Markdown table."""
    names = list(head)
    rows = [names, ["---"] * len(names), *(list(line) for line in lines)]
    return "\n".join("| " + " | ".join(row) + " |" for row in rows)


def _plain(value: object) -> str:
    """Write a value for a person."""
    if isinstance(value, Mapping):
        return ", ".join(f"{number} {name}" for name, number in value.items())
    return str(value)


_LIMITS = """\
- The model learns from simulated clips, from labelled ones only as far as the table above counts any. Scores
  on simulated clips say how well it tells what the simulation makes; real clips differ in ways nobody
  has drawn.
- Probabilities hold for clips that come with symptoms about as often as the training clips do, and for
  symptoms that can be heard: of fainter ones they say too little.
- A speech coding (AMR) cuts everything above 4 kHz: chirp, squeal and hiss are then judged from little.
- The level that counts as audible is assumed, not taken from listeners.
- The coverage holds for clips drawn like those learnt from, for no single clip and for no other kind of clip.
- A clip that is called strange, or no engine bay, is not judged on its symptoms.
- Hearing a symptom names no cause: the checks at the car do, with the maker's instructions and a licensed
  technician before this tool. Keep hands, sleeves, hair and cords away from belts, fan and pulleys."""
