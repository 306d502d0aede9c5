"""The model file: plain numbers in JSON, checked when read, and what a model says of one clip.

The file's schema is ``audiodiag/model/1``. It holds no code and no date, so that the same training gives the
same file, and reading it runs nothing.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from audiodiag.classifier.calibrate import Believed, Calibration, Speedless, odds_of
from audiodiag.classifier.conformal import ConformalLimits, PresenceSet
from audiodiag.classifier.explain import Moved, Phrase, Usual, evidence_of, known_phrases
from audiodiag.classifier.families import KINDS, Bayes, Boosted, Forest, Linear, Scorer
from audiodiag.classifier.leanings import BESIDE, SPEEDLESS, WITH
from audiodiag.classifier.strange import StrangeModel, Strangeness
from audiodiag.errors import ModelError
from audiodiag.records import SYMPTOMS, Evidence, FloatArray
from audiodiag.resources import shipped_folder

__all__ = [
    "LARGEST_BYTES",
    "MODEL_FILE",
    "MODEL_SCHEMA",
    "Confusion",
    "Model",
    "Prediction",
    "SymptomModel",
    "SymptomPrediction",
    "load_model",
    "measured_confusion",
    "model_from_plain",
    "model_to_text",
]

MODEL_SCHEMA = "audiodiag/model/1"
MODEL_FILE = "symptoms.json"
LARGEST_BYTES = 1_500_000
MOST_MOVED = 3
ALIKE = 0.05
"""Values of one unit that lie nearer than this read alike."""


@dataclass(frozen=True, eq=False)
class SymptomModel:
    """All that answers for one symptom."""

    candidate: str
    kind: str
    scorer: Scorer
    calibration: Believed
    limits: ConformalLimits

    def probability(self, values: FloatArray) -> FloatArray:
        """Give the calibrated probability of each row of ``values`` (n, m), shape (n,)."""
        return self.calibration.probability(self.scorer.odds(values), values)

    def weighed(self, row: FloatArray, others: Sequence[tuple[float, FloatArray]]) -> float:
        """Give the probability of one clip, ``row`` (m,), measured at other readings of its speed as well.

        others: probability of each other reading and its measurements (m,). Each reading says what it would
        if it were right; what no reading accounts for is said as at a wrong speed.
        """
        law = self.calibration
        if law.astray is None or law.trust is None or not others:
            return float(self.probability(row[None, :])[0])
        trust = min(max(float(np.nan_to_num(row[law.trust])), 0.0), 1.0)
        share = np.array([trust, *(probability for probability, _ in others)])
        odds = self.scorer.odds(np.stack([row, *(values for _, values in others)]))
        known = float(share.sum())
        said = float(share @ law.right.probability(odds)) / max(known, 1.0)
        alone = None if law.speedless is None else law.speedless.probability(row[None, :])
        return said + max(1.0 - known, 0.0) * float(law.at_wrong_speed(odds[:1], alone)[0])

    def charges(self, row: FloatArray, others: Sequence[tuple[float, FloatArray]] = ()) -> FloatArray:
        """Tell how far each measure of one clip, shape (m,), moves the answer, in log-odds, shape (m,).

        Where the speed may be wrong, what is said without one counts by its share of the odds there. others:
        as of ``weighed``; what no reading accounts for is said as at a wrong speed.
        """
        own = self.scorer.charges(row[None, :])[0]
        law = self.calibration
        if law.astray is None or law.speedless is None:
            return own
        known = float(law.trusted(row[None, :])[0]) + sum(probability for probability, _ in others)
        told = float(odds_of(law.astray.probability(self.scorer.odds(row[None, :])))[0])
        alone = float(odds_of(law.speedless.probability(row[None, :]))[0])
        share = max(1.0 - known, 0.0) * alone / max(told + alone, 1e-12)
        return (1.0 - share) * own + share * law.speedless.scorer.charges(row[None, :])[0]


@dataclass(frozen=True)
class SymptomPrediction:
    """What the model says of one symptom in one clip.

    possible: which of present and absent cannot be ruled out at the model's stated coverage. moved: the
    measures that moved the answer most, the strongest first, each number once, and none that only says that
    another sound, or what another would show as well, is not there; evidence says the same in sentences.
    """

    name: str
    probability: float
    possible: PresenceSet
    moved: tuple[Moved, ...]
    evidence: tuple[Evidence, ...]


@dataclass(frozen=True)
class Prediction:
    """What the model says of one clip: all six symptoms by name, and how strange the clip is.

    strange_because: where the clip lies outside what was learnt, in sentences.
    """

    symptoms: Mapping[str, SymptomPrediction]
    strangeness: Strangeness
    strange_because: tuple[Evidence, ...]


@dataclass(frozen=True, eq=False)
class Model:
    """A trained model: the m measures it listens to, one model a symptom, and what strange means to it.

    low, middle, high: where the engine bays learnt from lie, shape (m,): 5th, 50th and 95th percentile.
    made: versions, seeds and numbers of clips, as plain values.
    """

    measures: tuple[str, ...]
    low: FloatArray
    middle: FloatArray
    high: FloatArray
    symptoms: Mapping[str, SymptomModel]
    strangeness: StrangeModel
    made: Mapping[str, Any] = field(default_factory=dict)

    @property
    def weighs_readings(self) -> bool:
        """Whether what is said at right and at wrong engine speeds was learnt apart."""
        return any(own.calibration.astray is not None for own in self.symptoms.values())

    @property
    def shares(self) -> Mapping[str, float]:
        """Give the share of each symptom among the clips learnt from; empty where the file does not say."""
        return {str(name): float(share) for name, share in dict(self.made.get("shares", {})).items()}

    @cached_property
    def _usual(self) -> dict[str, Usual]:
        rows = zip(self.measures, self.low, self.middle, self.high, strict=True)
        return {name: Usual(float(low), float(middle), float(high)) for name, low, middle, high in rows}

    def values(self, measurements: Mapping[str, float]) -> FloatArray:
        """Lay measurements in the model's order, shape (m,); a name that is not there becomes NaN."""
        row = np.array([measurements.get(name, math.nan) for name in self.measures], dtype=float)
        return np.where(np.isfinite(row), row, math.nan)

    def predict(
        self,
        measurements: Mapping[str, float],
        *,
        phrases: Mapping[str, Phrase] | None = None,
        others: Sequence[tuple[float, Mapping[str, float]]] = (),
    ) -> Prediction:
        """Give the probability of each symptom with what moved it, and how strange the clip is.

        measurements: name to value, NaN or absent where missing; names that the model does not know are left
        aside. phrases: unit and sentence of each measure; by default those of the symptoms' tables. others:
        probability and measurements of other readings of the engine speed, which the probabilities weigh too.
        """
        spoken = known_phrases() if phrases is None else phrases
        row = self.values(measurements)
        rest = [(probability, self.values(each)) for probability, each in others]
        found = {name: self._one(name, row, spoken, rest) for name in SYMPTOMS}
        strangeness = self.strangeness.judge(row, self.measures)
        far = [Moved(name, float(row[self.measures.index(name)]), 0.0) for name in strangeness.far_out]
        outside = [each for each in far if self._outside(each)]
        plain = {name: replace(phrase, text="") for name, phrase in spoken.items()}
        because = tuple(evidence_of(each, plain, self._usual) for each in outside or far[:1])
        return Prediction(found, strangeness, because)

    def _outside(self, moved: Moved) -> bool:
        usual = self._usual[moved.measure]
        return not usual.low <= moved.value <= usual.high

    def _one(
        self,
        name: str,
        row: FloatArray,
        phrases: Mapping[str, Phrase],
        others: Sequence[tuple[float, FloatArray]],
    ) -> SymptomPrediction:
        own = self.symptoms[name]
        probability = own.weighed(row, others)
        charges = own.charges(row, others)
        moved: tuple[Moved, ...] = ()
        for place in np.argsort(-np.abs(charges), kind="stable"):
            if len(moved) == MOST_MOVED or not charges[place]:
                break
            each = Moved(self.measures[place], float(row[place]), float(charges[place]))
            lent = BESIDE if each.charge > 0 else WITH
            absent = each.measure in lent.get(name, ())
            if not absent and not any(_same_said(each, other, phrases) for other in moved):
                moved += (each,)
        evidence = tuple(evidence_of(each, phrases, self._usual) for each in moved)
        return SymptomPrediction(name, probability, own.limits.answer(probability), moved, evidence)


def _same_said(one: Moved, other: Moved, phrases: Mapping[str, Phrase]) -> bool:
    """Tell whether two measures say one number one way, as a joined one that counts in full and its part."""
    units = [phrases[each.measure].unit if each.measure in phrases else "" for each in (one, other)]
    alike = units[0] == units[1] != "" and abs(one.value - other.value) < ALIKE
    return alike and (one.charge > 0) == (other.charge > 0)


def model_to_text(model: Model) -> str:
    """Write a model as compact JSON with a line end."""
    plain = {
        "schema": MODEL_SCHEMA,
        "made": dict(model.made),
        "measures": list(model.measures),
        "usual": {name: getattr(model, name).tolist() for name in ("low", "middle", "high")},
        "symptoms": {
            name: {
                "candidate": own.candidate,
                "kind": own.kind,
                "model": own.scorer.to_plain(),
                "calibration": own.calibration.right.to_plain(),
                **(
                    {"astray": own.calibration.astray.to_plain(), "trust": own.calibration.trust}
                    if own.calibration.astray is not None
                    else {}
                ),
                **_speedless_to_plain(own.calibration.speedless),
                "limits": {
                    "present": own.limits.present,
                    "absent": own.limits.absent,
                    "alpha": own.limits.alpha,
                },
            }
            for name, own in model.symptoms.items()
        },
        "strangeness": model.strangeness.to_plain(),
    }
    return json.dumps(plain, separators=(",", ":"), allow_nan=False) + "\n"


def _speedless_to_plain(own: Speedless | None) -> dict[str, Any]:
    """Give what is said without a speed as an entry for a JSON file, none where nothing is."""
    if own is None:
        return {}
    kind = next(name for name, made in KINDS.items() if isinstance(own.scorer, made))
    return {"speedless": {"kind": kind, "model": own.scorer.to_plain(), "law": own.law.to_plain()}}


def load_model(path: str | Path | None = None) -> Model:
    """Read a model file, the shipped one without ``path``; raises ``ModelError`` in words."""
    place = shipped_folder("models") / MODEL_FILE if path is None else Path(path)
    try:
        text = place.read_text(encoding="utf-8")
        plain = json.loads(text)
    except OSError as problem:
        raise ModelError(
            "the model file cannot be read",
            got=f"{place}: {problem.strerror or problem}",
            allowed="a file written by audiodiag train",
            todo="name another file, or make one with: audiodiag train",
        ) from problem
    except (ValueError, RecursionError) as problem:  # the latter of brackets without end
        raise _broken(place.name, f"no JSON ({problem})") from problem
    return model_from_plain(plain, name=place.name)


def model_from_plain(plain: Any, *, name: str = "model") -> Model:
    """Check the plain values of a model file and give the model; raises ``ModelError`` in words."""
    if not isinstance(plain, dict) or plain.get("schema") != MODEL_SCHEMA:
        got = plain.get("schema") if isinstance(plain, dict) else type(plain).__name__
        raise ModelError(
            f"{name} is no model of the kind this version reads",
            got=f"schema {got!r}",
            allowed=f"schema {MODEL_SCHEMA!r}",
            todo="train again with this version: audiodiag train",
        )
    try:
        measures = tuple(str(each) for each in plain["measures"])
        usual = {side: np.array(plain["usual"][side], dtype=float) for side in ("low", "middle", "high")}
        symptoms = {each: _symptom_from_plain(each, plain["symptoms"][each], measures) for each in SYMPTOMS}
        strangeness = StrangeModel.from_plain(plain["strangeness"])
        made = dict(plain.get("made", {}))
        if not all(math.isfinite(float(share)) for share in dict(made.get("shares", {})).values()):
            raise ValueError("a share of the clips learnt from is no number")
        if {side.shape for side in usual.values()} != {(len(measures),)}:
            raise ValueError("usual ranges do not fit the measures")
        _fits(strangeness.engine, len(measures))
        if len(strangeness.scaling.centre) != len(measures):
            raise ValueError("strangeness does not fit the measures")
    except KeyError as problem:
        raise _broken(name, f"no entry {problem}") from problem
    except (ValueError, TypeError, AttributeError, IndexError, OverflowError) as problem:
        raise _broken(name, str(problem)) from problem
    return Model(measures, symptoms=symptoms, strangeness=strangeness, made=made, **usual)


def _symptom_from_plain(name: str, plain: dict[str, Any], measures: tuple[str, ...]) -> SymptomModel:
    """Take one symptom's model from the file; raises ``KeyError`` or ``ValueError`` where it breaks."""
    scorer = _scorer_from_plain(plain, len(measures))
    limits = ConformalLimits(*(float(plain["limits"][side]) for side in ("present", "absent", "alpha")))
    laws = _believed(name, plain, measures)
    return SymptomModel(str(plain["candidate"]), plain["kind"], scorer, laws, limits)


def _scorer_from_plain(plain: dict[str, Any], measures: int) -> Scorer:
    """Take a model of any kind from the file; raises ``KeyError`` or ``ValueError`` where it breaks."""
    if plain["kind"] not in KINDS:
        raise ValueError(f"kind of model {plain['kind']!r}, none of {', '.join(KINDS)}")
    scorer: Scorer = KINDS[plain["kind"]].from_plain(plain["model"])
    _fits(scorer, measures)
    with np.errstate(all="ignore"):
        said = scorer.odds(np.full((1, measures), np.nan))
    if said.shape != (1,) or not np.isfinite(said).all():
        raise ValueError("a model whose answer is no number")
    return scorer


def _fits(scorer: Scorer, measures: int) -> None:
    """Raise ``ValueError`` where a model asks for other measures than the file has."""
    if isinstance(scorer, (Boosted, Forest)):
        asked = scorer.trees.measure
        if len(asked) and not 0 <= asked.min() <= asked.max() < measures:
            raise ValueError("a tree asks for a measure out of the list")
        if not all(np.all(np.isfinite(each)) for each in (scorer.trees.value, scorer.trees.threshold)):
            raise ValueError("a tree with a number that is none")
    elif isinstance(scorer, (Bayes, Linear)) and len(scorer.scaling.centre) != measures:
        raise ValueError(f"scaling of {len(scorer.scaling.centre)} measures where the file has {measures}")


def _believed(name: str, plain: dict[str, Any], measures: tuple[str, ...]) -> Believed:
    """Take the laws of one symptom from the file; older files have one for all clips, or none speedless."""
    right = Calibration.from_plain(plain["calibration"])
    if "astray" not in plain:
        if "speedless" in plain:
            raise ValueError("a model for a wrong engine speed without the law for one")
        return Believed(right)
    trust = plain["trust"]
    if type(trust) is not int or not 0 <= trust < len(measures):
        raise ValueError(f"trust in measure {trust!r} where the file has {len(measures)}")
    alone = _speedless_from_plain(name, plain["speedless"], len(measures)) if "speedless" in plain else None
    return Believed(right, Calibration.from_plain(plain["astray"]), trust, alone)


def _speedless_from_plain(name: str, plain: Any, measures: int) -> Speedless:
    """Take what is said of a symptom without a speed from the file; raises ``ValueError`` where it breaks."""
    if name not in SPEEDLESS:
        raise ValueError(f"{name} with an entry 'speedless', which is for {', '.join(SPEEDLESS)} alone")
    if not isinstance(plain, dict):
        raise ValueError(f"{name}, speedless: {type(plain).__name__} in place of a model and its law")
    try:
        return Speedless(_scorer_from_plain(plain, measures), Calibration.from_plain(plain["law"]))
    except KeyError as problem:
        raise ValueError(f"{name}, speedless: no entry {problem}") from problem
    except (ValueError, TypeError, AttributeError, IndexError, OverflowError) as problem:
        raise ValueError(f"{name}, speedless: {problem}") from problem


def _broken(name: str, got: str) -> ModelError:
    """Say that a model file is damaged."""
    return ModelError(
        f"{name} is damaged",
        got=got,
        allowed="a file written by audiodiag train, unchanged",
        todo="fetch the file again, or make one with: audiodiag train",
    )


CARD_BESIDE = "CARD.md"
_SCORES = ("## Scores by nested splits over all clips", "## Scores on clips kept apart")
_SHARE = re.compile(r"(\d+) % of (\d+)")


@dataclass(frozen=True)
class Confusion:
    """How often a symptom is called heard, as measured: where it is there, and in engine bays where not.

    >>> Confusion(recall=0.5, false_alarms=0.02).ratio_heard
    25.0
    """

    recall: float
    false_alarms: float

    @property
    def ratio_heard(self) -> float:
        """Likelihood ratio of being called heard."""
        return self.recall / self.false_alarms

    @property
    def ratio_unheard(self) -> float:
        """Likelihood ratio of not being called heard."""
        return (1.0 - self.recall) / (1.0 - self.false_alarms)


@lru_cache(maxsize=4)
def measured_confusion(folder: str | Path | None = None) -> Mapping[str, Confusion]:
    """Read from the card beside the model how often each symptom was called heard rightly and wrongly.

    The scores of the nested splits over all clips count, else those on the clips kept apart. False alarms
    are those on clean clips and on clips with another symptom together. Half a clip is added to each count
    (the rule of Jeffreys), so that no share is 0 or 1; the card rounds its shares to whole per cents.

    Raises
    ------
    ModelError
        If the card cannot be read or holds no such table.

    Examples
    --------
    >>> all(c.ratio_heard > 1 > c.ratio_unheard for c in measured_confusion().values())
    True
    """
    place = (shipped_folder("models") if folder is None else Path(folder)) / CARD_BESIDE
    try:
        text = place.read_text(encoding="utf-8")
    except OSError as problem:
        raise ModelError(
            "the card of the model cannot be read",
            got=f"{place.name}: {problem.strerror or problem}",
            allowed="the card that audiodiag train wrote beside the model",
            todo="put it back, or train again: audiodiag train",
        ) from problem
    for title in _SCORES:
        rows = _rows_below(text, title)
        if set(SYMPTOMS) <= rows.keys() and all(
            len(rows[name]) == 5 and rows[name][0][1] and rows[name][2][1] + rows[name][3][1]
            for name in SYMPTOMS
        ):
            return {name: _confusion_of(rows[name]) for name in SYMPTOMS}
    raise ModelError(
        f"{place.name} holds no scores of the six symptoms",
        got="no table with recall and false alarms",
        allowed="the card that audiodiag train wrote beside the model, unchanged",
        todo="put it back, or train again: audiodiag train",
    )


def _rows_below(text: str, title: str) -> dict[str, list[tuple[int, int]]]:
    """Give the shares (per cent, number) in each row of the first table below a title."""
    _, found, rest = text.partition(f"{title}\n")
    rows: dict[str, list[tuple[int, int]]] = {}
    for line in rest.splitlines() if found else ():
        if line.startswith("#"):
            break
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if cells[0] in SYMPTOMS and cells[0] not in rows:
            shares = [_SHARE.fullmatch(cell) for cell in cells]
            rows[cells[0]] = [(int(share[1]), int(share[2])) for share in shares if share]
    return rows


def _confusion_of(row: list[tuple[int, int]]) -> Confusion:
    """Take recall and false alarms from a row: recall, recall of audible ones, clean, other, no engine."""
    recall = _counted(row[:1])
    alarms = _counted(row[2:4])
    return Confusion(recall=max(recall, alarms), false_alarms=alarms)


def _counted(shares: list[tuple[int, int]]) -> float:
    hits = sum(percent / 100.0 * number for percent, number in shares)
    return (hits + 0.5) / (sum(number for _, number in shares) + 1.0)
