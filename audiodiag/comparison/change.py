"""By how much has one symptom changed between two sides, how sure is that, and in which word is it said?

Each side has one or several recordings. In every recording the symptom's strength in each place is brought
onto one scale by the engine in that place (`ruler`), then all places are joined into one strength. Recordings
are the unit that counts, never frames: their scatter is measured where a side has several, and held up by a
stated prior where it has one (Welch-Satterthwaite degrees of freedom over all parts).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from audiodiag.comparison.likeness import chance_alike, chance_one_place, unevenness_db
from audiodiag.comparison.rise import RiseChange, change_by_rise
from audiodiag.comparison.ruler import Ruler, RulerPrior, blended, engine_ruler, one_phone_ruler
from audiodiag.comparison.strengths import Strengths, belonging
from audiodiag.comparison.widths import Part, recordings_for, spread_of
from audiodiag.records import FloatArray

__all__ = ["PRIORS", "Measured", "Prior", "SymptomChange", "change_of", "mirrored"]

Word = Literal["gone", "quieter", "unchanged", "louder", "cannot_tell"]
CONFIDENCE = 0.95
FEWEST_REFERENCES, FEWEST_FREE, LEAST_SPAN_OCTAVES = 2, 4, 3.5
REFERENCE_FROM = 2.5
"""Standard errors from which a band of the engine serves as a reference."""
UNHEARD_DB = 4.0
"""By how much more than its noise says a sound may hide where it is not heard: codecs and echo bury it, the
less with more of them (found on simulated pairs)."""
NEAR = 0.35
"""How near, as a share of frequency, a symptom that never rests may spoil a band of the engine."""
BRIDGE_FROM = 3.0
"""Standard errors from which a place's own difference helps the ruler across."""
LEAST_ALIKE = 0.01
"""Probability of one phone at one place below which that is not weighed at all."""
ONE_PHONE_DOUBT, ONE_PHONE_HOPPING = 0.5, 0.33
"""What is left of a doubt, and of what a hopping tone adds, with one phone at one place, as a share."""
HIDDEN_LASTS, RULER_LASTS, DOUBT_LASTS = 0.1, 0.2, 0.2
"""Share of the variance that belongs to two phones and the car and stays however many recordings there are,
of what two phones hide, of the ruler's error and of a doubt; the rest is each recording's own (chosen on
simulated pairs with four recordings a side)."""
HEALTHY_FULLY = 7.0
"""Standard errors of a healthy engine's own from which all of the error is held for it."""
FAINTEST = 0.15
"""Share of the mean power for which a recording counts at least where its side is heard (chosen on simulated
pairs)."""
TONE_DB, TONE_LEAST, TONE_FULL = 2.0, 0.03, 0.3
"""How far each tone of a sound errs on its own, standard deviation; the share of the louder side's power that
it must hold to count, and from which it counts in full (chosen on simulated pairs)."""
ROUNDS = 20
FEWEST_RISES, RISE_HIDDEN_DB, RISE_SHARE, RISE_FREEDOM = 4, 1.0, 1.3, 10.0
"""Recordings a side from which a sound that swells with the steering is told by how far its bands rise as
well; what that errs by beyond what the fit states, standard deviation; how much of the deviation that it
states it errs by; and the degrees of freedom of it all (chosen on simulated pairs)."""
RISE_TOGETHER, RISE_APART = 0.5, 0.35
"""How far the errors of rises and ruler go together (correlation), and how much of their disagreement is
held for a standard deviation (chosen on simulated pairs)."""
RISE_OVER_DB = 2.0
"""How far over the engine it must stand for that: a fainter one is not told from an engine that swells more
in one band than in another (chosen on simulated pairs)."""
FILLED_DB, FAINT_DB = (3.2, 1.0, 4.0), (2.6, 5.0, 9.0)
"""By how much an interval is wider at most, away from nought and towards it, dB, and the sizes of a change,
dB, from where to where that grows (chosen on simulated pairs)."""
UNCHANGED_WITHIN_DB = 6.0
"""A sound is called unchanged only where the interval rules out a change of this size, up or down."""
_DB = 10.0 / math.log(10.0)


DEFAULT_RULER = RulerPrior()
NEAR_RULER = RulerPrior(reach_octaves=0.65)
"""For sounds that hide most bands of the engine: what lies far from the others counts the less."""


@dataclass(frozen=True)
class Prior:
    """What is held of one symptom before several recordings say better.

    repeat_db: standard deviation of its level from recording to recording of one unchanged car.
    weight: the degrees of freedom that this is worth. place_db: of each place on its own (reflections).
    heard_from: standard errors from which it counts as heard. healthy: what a healthy engine has of the same
    kind (ticks, gear tones, a faint pump), in standard errors; it is taken off. residue: by how much the
    error is widened because engines differ in that. ruler: of both phones and the engine; ruler_share: how
    much of the standard deviation it states it really errs by; ruler_weight: the degrees of freedom of that.
    hopping_db: what is added where the sound lies in many places and not in one, as a tone that hops does.
    hidden_db: what the engine cannot show of two phones and two places, however many recordings there are;
    hidden_weight: its degrees of freedom, few where some pairs err far more than most. reaches: whether it
    never rests and may so spoil the engine's bands around it. bridges: whether its own spectrum helps the
    ruler from band to band. tones: whether its places are tones of its own, each of which tells the change.
    seldom: whether it sounds now and then, so that a recording in which it is not heard says nothing of how
    loud it is. stretched: whether a large change is less sure than its parts say (``FILLED_DB``,
    ``FAINT_DB``). one_phone_db, one_phone_share: what hidden_db and ruler_share become with one phone at one
    place.
    """

    repeat_db: float = 1.2
    weight: float = 8.0
    place_db: float = 1.0
    heard_from: float = 2.5
    healthy: float = 0.0
    residue: float = 1.0
    ruler: RulerPrior = DEFAULT_RULER
    ruler_share: float = 1.0
    ruler_weight: float = 20.0
    hopping_db: float = 0.0
    hidden_db: float = 0.0
    hidden_weight: float = 6.0
    reaches: bool = False
    bridges: bool = False
    tones: bool = False
    seldom: bool = False
    stretched: bool = False
    one_phone_db: float = 1.0
    one_phone_share: float = 1.0


PRIORS: dict[str, Prior] = {
    "pump_whine": Prior(
        repeat_db=0.6, healthy=7.0, residue=4.0, ruler_share=2.5, ruler_weight=6.0, hidden_db=1.9,
        tones=True, one_phone_db=0.9,
    ),
    "cavitation_groan": Prior(
        repeat_db=1.1, residue=1.5, ruler_share=2.0, ruler_weight=6.0, hidden_db=2.0, reaches=True,
        bridges=True, one_phone_db=0.4,
    ),
    "belt_squeal": Prior(
        repeat_db=0.9, healthy=2.0, residue=2.0, hopping_db=3.0, hidden_db=1.5, bridges=True, seldom=True,
        one_phone_db=0.4,
    ),
    "belt_chirp": Prior(
        repeat_db=0.8, healthy=1.0, ruler=NEAR_RULER, hidden_db=2.4, hidden_weight=8.0, reaches=True,
        one_phone_db=0.6,
    ),
    "relief_hiss": Prior(repeat_db=0.5, residue=3.0, hidden_db=1.8, one_phone_db=0.4),
    "bearing_growl": Prior(
        repeat_db=0.7, healthy=2.0, residue=2.5, ruler=NEAR_RULER, ruler_share=0.5, hidden_db=3.0,
        hidden_weight=20.0,
        reaches=True, bridges=True, one_phone_db=0.8,
    ),
}  # fmt: skip
PRIORS = {name: replace(prior, stretched=True) for name, prior in PRIORS.items()}
"""Priors by symptom, chosen on 708 simulated pairs of two phones (seeds 60000 to 60081, 70000 to 70035, 90000
to 90199, 95000 to 95149, 98000 to 98089 and 110000 to 110149) and 283 of one phone (91000 to 91059 and 120000
to 120179 with one recording a side, 92000 to 92039 and 121000 to 121002 with three); what is hidden of groan,
squeal and hiss widened on 160000 to 160095 and on single recordings of 150000 to 150029 and 170000 to
170089."""


@dataclass(frozen=True, eq=False)
class Measured:
    """One recording: the symptom's strengths and the engine's, from `strengths`.

    doubt_db: by how much the whole strength may be wrong beyond its stated errors, standard deviation, where
    something of the engine's sounds at the same place. rise: of a sound that swells with the steering, by how
    much each band is stronger at the stops than at rest, None where that is not used.
    """

    symptom: Strengths
    engine: Strengths
    doubt_db: float = 0.0
    rise: Strengths | None = None


@dataclass(frozen=True)
class SymptomChange:
    """How one symptom changed from before to after.

    change_db: after less before, relative to the engine in the same bands, None where a side has none to
    measure. low_db, high_db: 95 % interval; minus or plus infinity where a side is below hearing, so that
    there is no bound. smallest_db: the smallest change that could have been told from none, None where even
    that is unknown. heard_before, heard_after: whether it stands out of chance at all. levels_db: of every
    recording, before and after, relative to the mean of the louder side. references: bands in which the
    engine served as the ruler. repeatability: whether the scatter of recordings was measured or held
    beforehand. alike: probability that all recordings were made by one phone at one place, as it was held for
    the interval. uneven_db: by how much the engine's bands differ between the sides beyond the gain, NaN
    where that was not measured. needed: recordings a side, like these, with which a change of
    ``UNCHANGED_WITHIN_DB`` is found in nine of ten cases where each is made with another phone at another
    place, None where even many are too few.
    """

    name: str
    word: Word
    change_db: float | None
    low_db: float
    high_db: float
    smallest_db: float | None
    heard_before: bool
    heard_after: bool
    before_db: tuple[float, ...]
    after_db: tuple[float, ...]
    references: int
    repeatability: Literal["measured", "prior"]
    reason: str = ""
    alike: float = 0.0
    uneven_db: float = math.nan
    needed: int | None = None


def mirrored(change: SymptomChange) -> SymptomChange:
    """Give what is found when before and after change places.

    A sound that is gone is one that came when looked at the other way, and that is said as louder.

    >>> found = SymptomChange("pump_whine", "quieter", -6.0, -8.0, -4.0, 2.0, True, True, (), (), 9, "prior")
    >>> mirrored(found).word, mirrored(found).low_db, mirrored(found).change_db
    ('louder', 4.0, 6.0)
    """
    flipped = replace(
        change,
        change_db=None if change.change_db is None else -change.change_db,
        low_db=-change.high_db,
        high_db=-change.low_db,
        heard_before=change.heard_after,
        heard_after=change.heard_before,
        before_db=change.after_db,
        after_db=change.before_db,
    )
    return replace(flipped, word=_word(flipped))


def change_of(
    name: str,
    before: Sequence[Measured],
    after: Sequence[Measured],
    *,
    prior: Prior | None = None,
    odds: float = 0.0,
) -> SymptomChange:
    """Estimate the change of one symptom from the recordings of both sides.

    Parameters
    ----------
    name:
        The symptom, one of ``records.SYMPTOMS``.
    before, after:
        At least one recording each; all measured at the same places and bands, NaN where one lacks them. One
        that surely shows the engine in none of the bands that serve as the ruler is not counted.
    prior:
        What is held beforehand; that of the symptom without.
    odds:
        That all was recorded by one phone at one place, before the engine is heard: see
        ``likeness.odds_alike``.

    >>> hz = np.array([500.0, 1000.0, 2000.0])
    >>> engine = Strengths(hz, np.full(3, 0.1), np.full(3, 0.001))
    >>> loud, soft = (Strengths(hz, np.full(3, p), np.full(3, 0.0001)) for p in (0.04, 0.01))
    >>> found = change_of("cavitation_groan", [Measured(loud, engine)], [Measured(soft, engine)])
    >>> round(found.change_db, 1), found.heard_before, found.heard_after
    (-6.0, True, True)
    """
    prior = prior or PRIORS.get(name, Prior())
    found = _estimated(name, before, after, prior, odds)
    if found.word != "cannot_tell" or prior.healthy <= 0.0:
        return found
    everything = replace(prior, healthy=0.0, residue=1.0)
    return _at_least(found, _estimated(name, before, after, everything, odds))


def _at_least(found: SymptomChange, whole: SymptomChange) -> SymptomChange:
    """Give the change that can be told for certain where that of the symptom alone cannot be told.

    ``whole``: how all that is of the symptom's kind has changed, what a healthy engine has of it included. A
    healthy engine has as much of it on both sides, so that the symptom itself has changed in the same
    direction and by as much at least.
    """
    if whole.word in ("cannot_tell", "unchanged"):
        return found
    louder = whole.word == "louder"
    return replace(
        whole,
        change_db=None,
        low_db=whole.low_db if louder else -math.inf,
        high_db=math.inf if louder else whole.high_db,
    )


def _estimated(
    name: str, before: Sequence[Measured], after: Sequence[Measured], prior: Prior, odds: float
) -> SymptomChange:
    """Estimate the change of one symptom with what is held beforehand."""
    repeatability: Literal["measured", "prior"] = "measured" if min(len(before), len(after)) > 1 else "prior"
    nothing = SymptomChange(
        name, "cannot_tell", None, -math.inf, math.inf, None, False, False, (), (), 0, repeatability
    )
    everything = (*before, *after)
    places = _carried([m.symptom for m in everything])
    bands = _shown([[m.engine for m in side] for side in (before, after)])
    if not len(places):
        return replace(nothing, reason="no recording carries the bands where it would sound on both sides")
    if len(bands) < FEWEST_REFERENCES:
        return replace(nothing, reason="the engine cannot be followed on both sides, so there is no ruler")
    followed = [[m for m in side if _sure(m.engine)[bands].any()] for side in (before, after)]
    nothing = replace(nothing, repeatability="measured" if min(map(len, followed)) > 1 else "prior")
    sides = [_Side(recordings, places, bands, prior) for recordings in followed]
    hz = np.exp(np.mean([np.log(side.hz) for side in sides], axis=0))
    engine_hz = np.exp(np.mean([np.log(side.engine_hz) for side in sides], axis=0))
    reached = _reached(engine_hz, [m.symptom for m in everything], prior)
    difference = sides[1].middle_db - sides[0].middle_db
    error = np.sqrt(sum(side.middle_error_db**2 for side in sides))
    free = _free_bands(engine_hz, reached)
    uneven = _unevenness(sides, free)
    same = chance_alike(unevenness_db(difference[free], error[free]), odds)
    view = _View(engine_hz, hz, reached, free, same, min(chance_alike(uneven, odds), same), prior)
    nothing = replace(nothing, alike=view.alike, uneven_db=uneven)
    ruler = view.ruler(view.same, difference, error, _own_difference(sides) if prior.bridges else None)
    for side, sign in zip(sides, (-0.5, 0.5), strict=True):
        side.bring_onto_scale(sign * ruler.difference_db, view)
    weight, share = _weights(sides)
    if not np.any(weight > 0):
        return replace(nothing, references=ruler.references, reason="it is below hearing on both sides")
    for side in sides:
        side.join(weight)
    doubt = max((m.doubt_db for m in everything), default=0.0)
    found = _judged(nothing, sides, share, ruler, view, doubt)
    if found.change_db is None or view.alike >= 0.5:
        return found
    return _by_rise(found, _rise_change(followed), min(side.count for side in sides))


@dataclass(frozen=True, eq=False)
class _View:
    """What is the same for every ruler of one symptom: bands and places; ``same``, how likely the same phones
    made both sides; ``alike``, how likely one phone at one place made all recordings."""

    engine_hz: FloatArray
    hz: FloatArray
    reached: NDArray[np.bool_]
    free: NDArray[np.bool_]
    same: float
    alike: float
    prior: Prior

    def one_place(self, side: _Side) -> float:
        """Probability that a side was recorded by one phone at one place; a single recording surely was."""
        return 1.0 if side.count == 1 else chance_one_place(_unevenness([side, side], self.free))

    def places_left(self, side: _Side) -> float:
        """What is left, as a share, of what is each place's own: all where a side was recorded at one place,
        and the less, the more places it has."""
        one = self.one_place(side)
        return one + (1.0 - one) / side.count

    def ruler(
        self,
        alike: float,
        difference_db: FloatArray,
        error_db: FloatArray,
        bridge: tuple[FloatArray, FloatArray] | None = None,
    ) -> Ruler:
        """Estimate a difference at the symptom's places, with the covariance by which it really errs.

        ``alike``: how likely phones and places do not differ.
        """
        prior, known = self.prior, np.isfinite(difference_db)
        engine_hz, difference_db, error_db = self.engine_hz[known], difference_db[known], error_db[known]
        two = engine_ruler(engine_hz, difference_db, error_db, self.hz, prior.ruler, bridge)
        two = replace(two, covariance=prior.ruler_share**2 * two.covariance)
        if alike < LEAST_ALIKE:
            return two
        one = one_phone_ruler(engine_hz, difference_db, error_db, self.hz, self.reached[known])
        return blended(alike, replace(one, covariance=prior.one_phone_share**2 * one.covariance), two)


def _own_difference(sides: list[_Side]) -> tuple[FloatArray, FloatArray]:
    """The symptom's own differences and their errors, dB, shape (places,); NaN where one side is unsure."""
    power = [side.power.mean(axis=0) for side in sides]
    error = [np.sqrt((side.error**2).mean(axis=0) / side.count) for side in sides]
    sure = np.all([p > BRIDGE_FROM * e for p, e in zip(power, error, strict=True)], axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        difference = np.where(sure, 10.0 * np.log10(power[1] / power[0]), np.nan)
        parts = [np.where(sure, e / p, np.nan) for p, e in zip(power, error, strict=True)]
    return np.asarray(difference), _DB * np.hypot(*parts)


def _reached(hz: FloatArray, symptoms: Sequence[Strengths], prior: Prior) -> NDArray[np.bool_]:
    """Which bands of the engine the symptom may spoil because it never rests, shape (n,)."""
    near = np.zeros(len(hz), bool)
    if prior.reaches:
        for symptom in symptoms:
            loud = symptom.hz[np.nan_to_num(symptom.power) - np.nan_to_num(symptom.error) > 0.0]
            near |= (np.abs(np.log(hz[:, None] / loud[None, :])) < NEAR).any(axis=1)
    return near


def _free_bands(hz: FloatArray, reached: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The engine's bands, shape (n,), that show how evenly both sides were recorded: those that the symptom
    cannot reach, or all where too few are left or these lie close together."""
    left = hz[~reached]
    enough = len(left) >= FEWEST_FREE and float(np.log2(left.max() / left.min())) >= LEAST_SPAN_OCTAVES
    return ~reached if enough else np.ones(len(hz), bool)


def _unevenness(sides: list[_Side], used: NDArray[np.bool_]) -> float:
    """By how much the engine's bands differ beyond the gain, between any two recordings of two sides, or of
    one side named twice."""
    one, two = sides
    found = []
    for i in range(one.count):
        for j in range(two.count if one is not two else i):
            difference = two.engine_db[j] - one.engine_db[i]
            known = used & np.isfinite(difference)
            if known.sum() >= FEWEST_REFERENCES:
                error = np.hypot(one.engine_error_db[i], two.engine_error_db[j])
                found.append(unevenness_db(difference[known], error[known]))
    return float(np.sqrt(np.mean(np.square(found)))) if found else math.inf


class _Side:
    """The recordings of one side while they are worked on; arrays have shape (recordings, places)."""

    def __init__(
        self,
        measured: Sequence[Measured],
        places: NDArray[np.intp],
        bands: NDArray[np.intp],
        prior: Prior,
    ) -> None:
        self.count, self.prior = len(measured), prior
        self.hz = np.exp(np.mean([np.log(m.symptom.hz[places]) for m in measured], axis=0))
        error = np.array([m.symptom.error[places] for m in measured])
        self.power = np.array([m.symptom.power[places] for m in measured]) - prior.healthy * error
        self.error = prior.residue * error
        self.engine_hz = np.exp(np.mean([np.log(m.engine.hz[bands]) for m in measured], axis=0))
        power = np.array([m.engine.power[bands] for m in measured])
        error = np.array([m.engine.error[bands] for m in measured])
        sure = np.array([_sure(m.engine)[bands] for m in measured])
        power = np.where(sure, power, np.nan)
        self.engine_db = 10.0 * np.log10(power)
        self.engine_error_db = _DB * error / power
        self.middle_db, self.middle_error_db = _middle(self.engine_db, self.engine_error_db)
        self.joined = self.joined_error = np.zeros(self.count)

    def bring_onto_scale(self, difference_db: FloatArray, view: _View) -> None:
        """Take out what this side does to each place, and what each recording adds to that."""
        own = self.engine_db - self.middle_db
        for i in range(self.count):
            moved = view.ruler(view.alike, own[i], self.engine_error_db[i])
            gain = 10.0 ** (-0.1 * (difference_db + (moved.difference_db if self.count > 1 else 0.0)))
            self.power[i] *= gain
            self.error[i] *= gain

    def join(self, weight: FloatArray) -> None:
        """Join all places of each recording into one strength with its standard error."""
        self.joined = self.power @ weight
        self.joined_error = np.sqrt((self.error**2) @ weight**2)

    def mean(self, heard: bool) -> float:
        """Mean strength of the recordings: of their decibels where it is heard, so that none counts for more
        than the others, nor one that by chance holds nothing of it for much less; of their powers where it is
        not, which errs to neither side below hearing."""
        if not heard or self.count == 1:
            return float(self.joined.mean())
        some = self.joined > self.prior.heard_from * self.joined_error
        if not self.prior.seldom or some.mean() < 0.5:
            some = np.ones(self.count, bool)
        power, error = self.joined[some], self.joined_error[some]
        return float(np.exp(np.log(np.maximum(power, np.maximum(0.5 * error, _least(power)))).mean()))

    @property
    def noise(self) -> float:
        """Standard error of the mean strength from within the recordings."""
        return float(np.sqrt((self.joined_error**2).sum()) / self.count)

    def floor(self, prior: Prior) -> float:
        """Error below which a strength hides; as far as that is what a healthy engine has of the same kind,
        more recordings do not make it smaller."""
        own = min(prior.healthy / HEALTHY_FULLY, 1.0)
        one = float((self.joined_error**2).mean())
        return math.sqrt(own * one + (1.0 - own) * one / self.count)

    def heard(self, prior: Prior) -> bool:
        """Whether the mean stands out of chance."""
        return float(self.joined.mean()) > prior.heard_from * self.noise


def _carried(all_strengths: Sequence[Strengths]) -> NDArray[np.intp]:
    """Give the places that every recording carries."""
    return np.flatnonzero(
        np.all([np.isfinite(s.power) & np.isfinite(s.error) for s in all_strengths], axis=0)
    )


def _sure(engine: Strengths) -> NDArray[np.bool_]:
    """Which bands of one recording surely show the engine."""
    known = np.isfinite(engine.power) & np.isfinite(engine.error)
    power, error = (np.where(known, values, 0.0) for values in (engine.power, engine.error))
    return np.asarray(known & (power > REFERENCE_FROM * error))


def _shown(engines: Sequence[Sequence[Strengths]]) -> NDArray[np.intp]:
    """Give the bands in which at least half of the recordings of either side surely show the engine."""
    return np.flatnonzero(
        np.all([np.mean([_sure(e) for e in side], axis=0) >= 0.5 for side in engines], axis=0)
    )


def _middle(level_db: FloatArray, error_db: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean over the recordings and its error, shape (bands,), where some lack some bands (NaN).

    Each recording has a gain of its own, so that a band is not louder in the mean for being lacked by the
    soft ones: gains and means in turn, by least squares.
    """
    gain = np.zeros((len(level_db), 1))
    middle = np.nanmean(level_db, axis=0)
    for _ in range(ROUNDS if np.isnan(level_db).any() else 0):
        gain = np.nanmean(level_db - middle, axis=1, keepdims=True)
        gain -= gain.mean()
        middle = np.nanmean(level_db - gain, axis=0)
    count = np.isfinite(level_db).sum(axis=0)
    return np.asarray(middle), np.asarray(np.sqrt(np.nanmean(error_db**2, axis=0) / count))


def _weights(sides: list[_Side]) -> tuple[FloatArray, FloatArray]:
    """Weigh each place by how surely the symptom is heard there, alike for both sides; and give its share.

    Powers are summed, not decibels averaged: a tone may hop from place to place.
    """
    powers = np.clip([side.power.mean(axis=0) for side in sides], 0.0, None)
    strength = powers.max(axis=0)
    noise = sum((side.error**2).mean(axis=0) / side.count for side in sides) / 2.0
    weight = strength**2 / np.maximum(strength**2 + 4.0 * noise, 1e-40)
    weight = np.where(belonging(powers * weight), weight, 0.0)
    share = weight * strength
    total = float(share.sum())
    return np.asarray(weight), np.asarray(share / total if total > 0 else share)


def _judged(
    nothing: SymptomChange,
    sides: list[_Side],
    share: FloatArray,
    ruler: Ruler,
    view: _View,
    doubt_db: float,
) -> SymptomChange:
    """Put the parts of the uncertainty together and say the word."""
    prior = view.prior
    heard = [side.heard(prior) for side in sides]
    with np.errstate(divide="ignore"):  # a side that holds nothing lies infinitely low
        levels = [10.0 * np.log10(np.maximum(side.joined, 0.5 * side.joined_error)) for side in sides]
    means = [side.mean(loud) for side, loud in zip(sides, heard, strict=True)]
    middle = [
        10.0 * math.log10(max(mean, 0.5 * side.noise, 1e-300))
        for side, mean in zip(sides, means, strict=True)
    ]
    top = max(middle)
    found = replace(
        nothing,
        heard_before=heard[0],
        heard_after=heard[1],
        before_db=tuple(float(level - top) for level in levels[0]),
        after_db=tuple(float(level - top) for level in levels[1]),
        references=ruler.references,
    )
    if not any(heard):
        return replace(found, reason="it is below hearing on both sides")
    parts = _parts(sides, heard, levels, share, ruler, view, doubt_db)
    # An interval without a bound on one side needs only one quantile on the other.
    confidence = 0.5 + CONFIDENCE / 2.0 if all(heard) else CONFIDENCE
    total, t = spread_of(parts, confidence)
    up, down = zip(
        *(_margins(side, t, h, prior, view.places_left(side)) for side, h in zip(sides, heard, strict=True)),
        strict=True,
    )
    change = _by_tones(sides, ruler) if prior.tones and all(heard) else middle[1] - middle[0]
    low = change - math.hypot(t * total, math.hypot(down[1], up[0]))
    high = change + math.hypot(t * total, math.hypot(up[1], down[0]))
    sizes = [side for side in (change - low, high - change) if math.isfinite(side)]
    if all(heard) and prior.stretched:
        low, high = _stretched(change, low, high, 1.0 - view.alike)
    found = replace(
        _moved_levels(found, middle[1] - middle[0], change),
        change_db=change if all(heard) else None,
        low_db=low,
        high_db=high,
        smallest_db=max(sizes) if sizes else None,
        needed=recordings_for(UNCHANGED_WITHIN_DB, parts, min(side.count for side in sides), confidence),
    )
    found = replace(found, word=_word(found))
    return replace(found, reason=_reason(found))


def _by_tones(sides: list[_Side], ruler: Ruler) -> float:
    """Give the change, dB, of a sound whose places are tones of its own: the mean of what each tells.

    Of powers that are summed the loudest tone tells nearly all, and another sound that stands in its place on
    the softer side fills all of it. Each is weighed by how surely it and the ruler are known there, and the
    faint ones by how loud they are.
    """
    each = [
        10.0 * np.log10(np.maximum(side.power, np.maximum(0.5 * side.error, _least(side.power)))).mean(axis=0)
        for side in sides
    ]
    power = [np.maximum(side.power.mean(axis=0), 1e-300) for side in sides]
    noise = [np.sqrt((side.error**2).mean(axis=0) / side.count) for side in sides]
    unsure = [_DB * n / np.maximum(p, 0.5 * n) for p, n in zip(power, noise, strict=True)]
    variance = TONE_DB**2 + unsure[0] ** 2 + unsure[1] ** 2 + np.diag(ruler.covariance)
    louder = np.maximum(*power)
    share = louder / louder.sum()
    weight = np.where(share > TONE_LEAST, np.minimum(share / TONE_FULL, 1.0), 0.0) / variance
    return float(weight @ (each[1] - each[0]) / weight.sum())


def _least(power: FloatArray) -> FloatArray:
    """What a recording counts for at least, a share of the side's mean; ``power``: recordings first."""
    return np.asarray(np.maximum(FAINTEST * power.mean(axis=0), 1e-300))


def _moved_levels(found: SymptomChange, old_db: float, new_db: float) -> SymptomChange:
    """Move every recording's level along with its side where another change is held for true; the mean of the
    louder side stays at nought."""
    up, down = max(old_db, 0.0) - max(new_db, 0.0), min(new_db, 0.0) - min(old_db, 0.0)
    return replace(
        found,
        before_db=tuple(level + up for level in found.before_db),
        after_db=tuple(level + down for level in found.after_db),
    )


def _parts(
    sides: list[_Side],
    heard: list[bool],
    levels: Sequence[FloatArray],
    share: FloatArray,
    ruler: Ruler,
    view: _View,
    doubt_db: float,
) -> list[Part]:
    """Name the parts of the variance of a change.

    What each recording adds of its own place and phone is part of the scatter of a side that was recorded at
    several places. There it is held beforehand and held up by that scatter, and not counted beside it.
    """
    prior = view.prior
    unlike, two = 1.0 - view.alike, 1.0 - view.same
    spread, known = float((share**2).sum()), float(share @ ruler.covariance @ share)
    hidden = prior.hidden_db**2
    doubt = (unlike + view.alike * ONE_PHONE_DOUBT**2) * doubt_db**2
    hopping = (unlike + view.alike * ONE_PHONE_HOPPING**2) * prior.hopping_db**2 * (1.0 - spread)
    ruled = two * (1.0 - RULER_LASTS) * known + unlike * prior.place_db**2 * spread
    buried = unlike * (1.0 - HIDDEN_LASTS) * hidden + (1.0 - DOUBT_LASTS) * doubt
    alone = [view.one_place(side) for side in sides]
    places = sum(alone) / 2.0
    phones = two * RULER_LASTS * known
    parts = [
        Part(view.same * known + phones, ruled, places, prior.ruler_weight, phones),
        Part(
            two * HIDDEN_LASTS * hidden + view.alike * prior.one_phone_db**2 + DOUBT_LASTS * doubt,
            buried,
            places,
            prior.hidden_weight,
        ),
        Part(0.0, hopping, sum(side.count == 1 for side in sides) / 2.0, prior.hidden_weight),
    ]
    for side, level, loud, one in zip(sides, levels, heard, alone, strict=True):
        shown = (1.0 - one) * (ruled + buried) / 2.0 + hopping / 2.0 * (side.count > 1)
        each = side.count * _repeat_variance(level, loud, prior, shown)
        parts.append(Part(0.0, each, 1.0 / side.count, prior.weight + (side.count - 1.0) * loud))
    return parts


def _rise_change(sides: Sequence[Sequence[Measured]]) -> RiseChange | None:
    """Give the change that the rises of the bands tell, None where too few recordings have any."""
    rises = [
        [m.rise.power for m in side if m.rise is not None and np.isfinite(m.rise.power).any()]
        for side in sides
    ]
    return change_by_rise(*rises) if min(map(len, rises)) >= FEWEST_RISES else None


def _by_rise(found: SymptomChange, rise: RiseChange | None, count: int) -> SymptomChange:
    """Weigh the change that the rises of the bands tell, where they do, with what the ruler found.

    Each is weighed by its variance. What spoils a band spoils both, so that their errors go together, and
    where they disagree neither is believed as far as it says.
    """
    if rise is None or found.change_db is None or rise.over_db < RISE_OVER_DB:
        return found
    parts = [
        Part(RISE_HIDDEN_DB**2, count * (RISE_SHARE * rise.deviation_db) ** 2, 1.0 / count, RISE_FREEDOM)
    ]
    confidence = 0.5 + CONFIDENCE / 2.0
    deviation, t = spread_of(parts, confidence)
    ruled = (found.high_db - found.low_db) / 2.0 / t
    share = 1.0 / (1.0 + (deviation / ruled) ** 2)
    mine, other = share * deviation, (1.0 - share) * ruled if math.isfinite(ruled) else 0.0
    together = mine**2 + other**2 + 2.0 * RISE_TOGETHER * mine * other
    old = found.change_db
    new = share * rise.change_db + (1.0 - share) * old
    half = t * math.hypot(math.sqrt(together), RISE_APART * (rise.change_db - old))
    low, high = _stretched(new, new - half, new + half)
    moved = replace(
        _moved_levels(found, old, new),
        change_db=new,
        low_db=low,
        high_db=high,
        smallest_db=half,
        needed=recordings_for(UNCHANGED_WITHIN_DB, parts, count, confidence),
        reason="",
    )
    moved = replace(moved, word=_word(moved))
    return replace(moved, reason=_reason(moved))


def _stretched(change_db: float, low_db: float, high_db: float, unlike: float = 1.0) -> tuple[float, float]:
    """Widen an interval by what the softer side makes unsure, the farther it lies below the louder one.

    Another sound that fills its bands makes a change come out too small, so that the bound away from nought
    is moved out; what is much fainter than on the louder side is sometimes measured too low, so that for a
    large change the bound towards nought is moved in. ``unlike``: how likely phones and places differ; one
    phone at one place hears the same other sounds on both sides.

    >>> _stretched(-1.0, -3.0, 1.0)
    (-3.0, 1.0)
    >>> low, high = _stretched(-10.0, -12.0, -8.0)
    >>> round(low, 1), round(high, 1)
    (-13.8, -6.7)
    """
    size = abs(change_db)
    outward, inward = (
        unlike * most * min(max((size - start) / (end - start), 0.0), 1.0)
        for most, start, end in (FILLED_DB, FAINT_DB)
    )
    below, above = (outward, inward) if change_db < 0.0 else (inward, outward)
    low = change_db - math.hypot(below, change_db - low_db)
    return low, change_db + math.hypot(above, high_db - change_db)


def _margins(side: _Side, t: float, heard: bool, prior: Prior, places: float) -> tuple[float, float]:
    """How far chance within the recordings lets the side's level lie above and below its middle, dB."""
    mean = side.mean(heard)
    middle = max(mean, 0.5 * side.noise)
    most = max(mean, 0.0) + t * (side.noise if heard else side.floor(prior))
    above = 10.0 * math.log10(most / middle) if middle > 0 else math.inf
    above += 0.0 if heard else UNHEARD_DB * math.sqrt(places)
    least = mean - t * side.noise
    below = 10.0 * math.log10(middle / least) if least > 0 and heard else math.inf
    return max(above, 0.0), below


def _repeat_variance(levels_db: FloatArray, heard: bool, prior: Prior, shown: float) -> float:
    """Variance of the side's mean level from recording to recording, the prior held up by the sample.

    ``shown``: what places and phones add to the scatter, held beforehand, dB squared.
    """
    count = len(levels_db)
    known = levels_db[np.isfinite(levels_db)]  # one that holds nothing at all has no level to scatter
    squares = float(((known - known.mean()) ** 2).sum()) if heard and len(known) else 0.0
    freedom = (count - 1) if heard else 0
    return (prior.weight * (prior.repeat_db**2 + shown) + squares) / (prior.weight + freedom) / count


def _word(change: SymptomChange) -> Word:
    """Choose the word for an interval."""
    if not (change.heard_before or change.heard_after):
        return "cannot_tell"
    if change.high_db < 0.0:
        return "quieter" if change.heard_after else "gone"
    if change.low_db > 0.0:
        return "louder"
    small = change.low_db > -UNCHANGED_WITHIN_DB and change.high_db < UNCHANGED_WITHIN_DB
    return "unchanged" if small and change.heard_before and change.heard_after else "cannot_tell"


def _reason(change: SymptomChange) -> str:
    if change.word != "cannot_tell":
        return ""
    if change.heard_before and change.heard_after:
        return "the recordings differ too much for a change of this size to be told"
    return "it is heard on one side only, and not far enough above what could hide it on the other side"
