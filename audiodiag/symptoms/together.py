"""What several measures say together: one number where each alone says little.

A step up in the highs is a tyre, a steady stretch is the engine, no tone is the rule; all three at once are a
relief valve. A model that adds up measures cannot say *and*, so what physics joins is multiplied here, from
the values of all symptoms of one clip: shares between 0 and 1 times a height in dB. The ends of the shares
were set on simulated clips.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from audiodiag.symptoms.measures import Measure, filled
from audiodiag.symptoms.spectra import half_order_distance

__all__ = ["MEASURES", "together"]

MEASURES = (
    Measure(
        "whine_free_comb_db",
        "dB",
        "Of the height of the best comb of tones, {value:.1f} dB count as not the engine's own.",
        label="Comb of tones off the engine's",
    ),
    Measure(
        "whine_loud_comb_db",
        "dB",
        "Of the height of the best comb of tones, {value:.1f} dB count as loud and not the engine's own.",
        label="Loud comb of tones off the engine's",
    ),
    Measure(
        "squeal_restless_db",
        "dB",
        "A high tone whose pitch wanders and whose band rises stands {value:.1f} dB out.",
        label="Restless tone of a squeal",
    ),
    Measure(
        "squeal_restless_overtone_db",
        "dB",
        "The overtone of a high tone whose pitch wanders stands {value:.1f} dB out.",
        label="Overtone of a restless tone",
    ),
    Measure(
        "hiss_merit_db",
        "dB",
        "Of the step of what may be a hiss, {value:.1f} dB count as steady hiss without tone, beat or lows.",
        label="Steady step of the hiss",
    ),
    Measure(
        "hiss_band_merit_db",
        "dB",
        "Of the step of one band, {value:.1f} dB count as noise, more of them where the engine speed dips "
        "with it.",
        label="Noisy step of one band with a dip",
    ),
    Measure(
        "chirp_slim_row_db",
        "dB",
        "A row of bursts in few bands, even as a chirp's may be, scores {value:.1f} dB.",
        label="Even rows of bursts in few bands",
    ),
    Measure(
        "chirp_slim_comb_db",
        "dB",
        "Bursts in few bands that may be a chirp beat at a belt's order with a score of {value:.1f} dB.",
        label="Bursts in few bands at the belt's pace",
    ),
    Measure(
        "growl_lone_db",
        "dB",
        "Lasting strikes, not in step with pump or belt, stand {value:.1f} dB out.",
        label="Strikes apart from pump and belt",
    ),
    Measure(
        "growl_even_lone_db",
        "dB",
        "Lasting strikes at an even pace, not in step with pump or belt, stand {value:.1f} dB out.",
        label="Even strikes apart from pump and belt",
    ),
    Measure(
        "groan_own_beat_db",
        "dB",
        "As far as no whine accounts for it, the noise beats at a pump's turns by {value:.1f} dB in sum.",
        label="Beat of the noise without the whine's",
    ),
    Measure(
        "groan_own_gap_db",
        "dB",
        "Without what a whine can account for, the noise swings most at one pump speed, {value:.1f} dB "
        "more than at any other.",
        label="Lead of the beat without the whine's",
    ),
)

LOCKED = 0.005
"""Distance from a half order, in orders, within which a tone is held for one that the crankshaft drives by
teeth (oil pump, chain, injection pump): a belt creeps, so a pump's order falls there only by chance."""

LOUD_DB = (-21.0, -4.0)
WANDER_PERCENT = (0.05, 0.7)
HUMP_DB = (2.0, 10.0)
TONE_DB = (12.0, 26.0)
"""Where each share begins and where it is whole."""

STEP_FULL_DB, PLATEAU_FULL_S, LOW_RISE_HALF_DB = 12.0, 2.0, 4.0

MOST_NOISE, LEAST_STEP_DB, DIP_FULL_PERCENT, DIP_LEAST = 1.2, 0.5, 2.0, -0.5
"""Up to which share of a step its noise may count; the least step to take shares of; dip that counts as much
again, and how much less a rise of the speed makes the step."""

ROW_FROM_DB, SLIM_SPREAD, USUAL_SPREAD = 11.0, (0.19, 0.81), 0.5
"""Height of a comb of paces from which it counts (plain noise reaches 7 to 13 dB, healthy bays 11 to 23);
mean rise over the largest from where to where bursts are no longer slim; that of bursts too few to tell."""

BELT_COMB_DB, TONE_COMB_DB, BARE_DB = (1.5, 4.0), (4.0, 10.0), (2.0, 8.0)
"""Heights of the belt's comb and of the pump's, from where to where a beat at their orders is held for
theirs, and by how much the beat may stand bare."""
BELT_WIDTH, BELT_TURNS, TONE_WIDTH, TONE_PARTS = 0.03, 20, 0.04, (0.5, 1.0, 2.0)
"""How near, in orders, a beat must come to a multiple of the belt's turns, and up to which multiple; how near
to the pump's tone, and to which parts of it."""
TURNS_GAP_DB, TURNS_WIDTH, SLOWEST_TURNS = (2.0, 6.0), 0.03, 0.1
"""By how much the pump's turns must stand out of the noise, from where to where, for a beat at a multiple of
them to be held for theirs; how near, in orders, it must come to one; and turns that no pump has."""
WHINE_COMB_DB, WHINE_VANES, WHINE_WIDTH = (4.0, 12.0), (6.5, 28.5), 0.04
"""Height of a whine's comb from where to where it is held for what beats; how many tones a turn a pump may
have; and how near to a whole number of them, a turn, its tone must lie."""
ABSURD = 1e12
"""From this size on a value is no measurement."""
LASTING, LASTING_LEAST = (0.3, 0.9), 0.5
"""Share of the time from where to where strikes last, and what the share is worth that do not."""


def together(values: Mapping[str, float]) -> dict[str, float]:
    """Join the measures of one clip: every name of ``MEASURES``, NaN where what it needs is missing.

    A tone without a pitch that could be followed does not wander; a plateau too short for its unsteadiness
    to be told wavers by 1 dB, and without a beat none is covered.

    >>> together({"squeal_prominence_db": 20.0, "squeal_wander_percent": 0.9, "squeal_hump_db": 6.0})[
    ...     "squeal_restless_db"
    ... ]
    10.0
    """
    joined = {
        "whine_free_comb_db": _free_comb_db(values),
        "whine_loud_comb_db": _free_comb_db(values) * _ramp(_of(values, "whine_share_db"), LOUD_DB),
        "hiss_merit_db": _hiss_db(values),
        "hiss_band_merit_db": _noisy_step_db(values),
        "chirp_slim_row_db": _slim(values) * max(_of(values, "chirp_row_comb_db") - ROW_FROM_DB, 0.0),
        "chirp_slim_comb_db": _slim(values) * _of(values, "chirp_narrow_comb_db"),
        "growl_lone_db": _lone_db(values, "growl_"),
        "growl_even_lone_db": _lone_db(values, "growl_even_"),
    }
    no_whine = 1.0 - _whine_beats(values)
    joined["groan_own_beat_db"] = no_whine * _of(values, "groan_beat_db")
    joined["groan_own_gap_db"] = no_whine * _of(values, "groan_beat_gap_db")
    wanders = _ramp(_of(values, "squeal_wander_percent", 0.0), WANDER_PERCENT)
    tone_db, overtone_db = _of(values, "squeal_prominence_db"), _of(values, "squeal_harmonic_db")
    joined["squeal_restless_db"] = wanders * tone_db * _ramp(_of(values, "squeal_hump_db", 0.0), HUMP_DB)
    known = not (math.isnan(tone_db) or math.isnan(overtone_db))
    joined["squeal_restless_overtone_db"] = wanders * max(overtone_db, 0.0) if known else math.nan
    return filled(MEASURES, joined)


def _free_comb_db(values: Mapping[str, float]) -> float:
    """Height of the whine's comb, less the nearer its tone lies to a half order exactly."""
    off = float(half_order_distance(_of(values, "whine_order")))
    return _of(values, "whine_comb_db") * (1.0 - math.exp(-0.5 * (off / LOCKED) ** 2))


def _hiss_db(values: Mapping[str, float]) -> float:
    """The step of a plateau times how long, steady, toneless and free of beats and lows it is."""
    edge_db = _of(values, "hiss_edge_db")
    if math.isnan(edge_db):
        return math.nan
    step_db = min(max(edge_db, 0.0), STEP_FULL_DB)
    lasting = min(max(_of(values, "hiss_plateau_s", 0.0), 0.0), PLATEAU_FULL_S) / PLATEAU_FULL_S
    steady = 1.0 / (1.0 + min(max(_of(values, "hiss_unsteadiness_db", 1.0), 0.0), 1e3)) ** 2
    toneless = 1.0 - _ramp(_of(values, "squeal_prominence_db", 0.0), TONE_DB)
    covered = min(max(1.0 - _of(values, "hiss_beat_change", 0.0), 0.2), 1.5)
    high = 1.0 / (1.0 + max(_of(values, "hiss_low_rise_db", 0.0), 0.0) / LOW_RISE_HALF_DB)
    return step_db * lasting * steady * toneless * covered * high


def _noisy_step_db(values: Mapping[str, float]) -> float:
    """The worth of one band's step times the share of it that noise makes, more where the speed dips with it.

    Without noise between tones it is nothing; an unknown speed neither adds nor takes.
    """
    worth_db, step_db = _of(values, "hiss_band_worth_db"), _of(values, "hiss_band_step_db")
    if math.isnan(worth_db):
        return math.nan
    noise = _of(values, "hiss_band_noise_db", 0.0) / max(step_db, LEAST_STEP_DB)
    dip = _of(values, "hiss_band_dip_percent", 0.0) / DIP_FULL_PERCENT
    return worth_db * min(max(noise, 0.0), MOST_NOISE) * (1.0 + min(max(dip, DIP_LEAST), 1.0))


def _slim(values: Mapping[str, float]) -> float:
    """How slim bursts are, 0 to 1: reaching over few bands."""
    return 1.0 - _ramp(_of(values, "chirp_row_spread", USUAL_SPREAD), SLIM_SPREAD)


def _lone_db(values: Mapping[str, float], kind: str) -> float:
    """The beat of strikes, less the nearer it comes to a multiple of the turns of a belt that chirps or of a
    pump that is heard, or to its tone, the barer it stands, and the less of the time it is there."""
    order, beat_db = _of(values, f"{kind}order"), _of(values, f"{kind}whole_db")
    if math.isnan(order) or math.isnan(beat_db):
        return math.nan
    belt, tone = _of(values, "chirp_belt_order"), _of(values, "whine_order")
    of_belt = of_tone = 0.0
    if belt > 0.0 and 2 <= round(order / belt) <= BELT_TURNS:
        away = (order - belt * round(order / belt)) / BELT_WIDTH
        of_belt = math.exp(-0.5 * away**2) * _ramp(_of(values, "chirp_belt_comb_db", 0.0), BELT_COMB_DB)
    if not math.isnan(tone):
        away = min(abs(order - part * tone) for part in TONE_PARTS) / TONE_WIDTH
        of_tone = math.exp(-0.5 * away**2) * _ramp(_of(values, "whine_comb_db", 0.0), TONE_COMB_DB)
    rings = 1.0 - _ramp(_of(values, f"{kind}bare_db", 0.0), BARE_DB)
    lasts = LASTING_LEAST + (1.0 - LASTING_LEAST) * _ramp(_of(values, f"{kind}constancy", 0.0), LASTING)
    return beat_db * (1.0 - of_belt) * (1.0 - of_tone) * (1.0 - _of_turns(values, order)) * rings * lasts


def _of_turns(values: Mapping[str, float], order: float) -> float:
    """How far a beat is that of the pump's turns: a multiple of them from the second on, where they beat."""
    turns = _of(values, "groan_beat_ratio")
    if not turns > SLOWEST_TURNS or round(order / turns) < 2:
        return 0.0
    away = (order - turns * round(order / turns)) / TURNS_WIDTH
    return math.exp(-0.5 * away**2) * _ramp(_of(values, "groan_beat_gap_db", 0.0), TURNS_GAP_DB)


def _whine_beats(values: Mapping[str, float]) -> float:
    """How far a whine accounts for what beats at the pump's turns: its tones shake every band they lie in.

    A comb that stands out counts a half for its loudness and a half for its being a whole number of tones
    each of those turns.
    """
    turns, whole = _of(values, "groan_beat_ratio"), 0.0
    tones = _of(values, "whine_order") / turns if turns > SLOWEST_TURNS else math.nan
    if WHINE_VANES[0] < tones < WHINE_VANES[1]:
        whole = math.exp(-0.5 * ((tones - round(tones)) / WHINE_WIDTH) ** 2)
    loud = _ramp(_of(values, "whine_share_db", LOUD_DB[0]), LOUD_DB)
    return _ramp(_of(values, "whine_comb_db", 0.0), WHINE_COMB_DB) * 0.5 * (whole + loud)


def _of(values: Mapping[str, float], name: str, missing: float = math.nan) -> float:
    """The value of a measure, ``missing`` where there is none that is finite and sane."""
    value = values.get(name, math.nan)
    return float(value) if abs(value) < ABSURD else missing


def _ramp(value: float, ends: tuple[float, float]) -> float:
    """Rise from 0 at the first end to 1 at the second; NaN stays NaN."""
    if math.isnan(value):
        return math.nan
    return min(max((value - ends[0]) / (ends[1] - ends[0]), 0.0), 1.0)
