"""What stands on the page about two sides of recordings: what has changed, how surely, and to listen to."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from audiodiag.comparison import Comparison, SymptomChange
from audiodiag.comparison.compare import UNHEARD
from audiodiag.records import Analysis
from audiodiag.report.compared_figures import MAP_RANGE_DB
from audiodiag.report.language import Said, Sentences
from audiodiag.report.page_pictures import Raster, Tick
from audiodiag.report.page_sound import encoded_aac
from audiodiag.report.page_words import names_said
from audiodiag.report.palette import two_sided_colours
from audiodiag.report.raster import data_address, levels_png

__all__ = ["ChangeRow", "ChangeView", "change_view"]

DIFFERENCE_DB = 15.0
LISTENING_BIT_RATE = 64_000


@dataclass(frozen=True)
class ChangeRow:
    """One sound's change in words. ``told``: whether anything can be told of it; ``why`` not, else None.

    ``smallest`` is empty where only the least is known: it is larger than that and would seem to deny it.
    """

    sound: str
    verdict: str
    why: Said | None
    told: bool
    change: str
    interval: str
    smallest: str


@dataclass(frozen=True)
class ChangeView:
    """All that the page says of a comparison. ``unheard``: the sounds of no side in a line, or empty."""

    headline: str
    sides: tuple[str, str]
    rows: tuple[ChangeRow, ...]
    unheard: str
    notes: tuple[Said, ...]
    maps: tuple[tuple[str, Raster], ...]
    maps_note: str
    listen: str
    address: str


def change_view(found: Comparison, s: Sentences) -> ChangeView:
    """Say what has changed between two sides in the words of one language."""
    told = [change for change in found.symptoms if change.word != "cannot_tell"]
    moved = [change for change in told if change.word != "unchanged"]
    if moved:
        names = [f"{s.say(f'sound.{c.name}')} {s.say(f'comparison.{c.word}')}" for c in moved]
        headline = s.say("comparison.changed", sounds=names_said(names, s))
    else:
        headline = s.say("comparison.unchanged" if told else "comparison.cannot")
    unheard = [s.say(f"sound.{each.name}") for each in found.symptoms if each.reason == UNHEARD]
    notes = [s.tell(note.text) for note in found.conditions.notes]
    if told and all(change.repeatability == "prior" for change in told):
        notes.append(Said(s.say("comparison.one_each"), s.language))
    listen, address = "", ""
    if found.listening is not None:
        first, second = found.names
        listen = s.say("comparison.play", first=first, second=second)
        made = found.listening
        sound = encoded_aac(made.samples, made.sample_rate_hz, LISTENING_BIT_RATE)
        address = data_address("audio/mp4", sound)
    return ChangeView(
        headline,
        (_side(found.names[0], found.before, s), _side(found.names[1], found.after, s)),
        tuple(
            _with_tone(_row(change, s), found, s) if change.name == "pump_whine" else _row(change, s)
            for change in found.told_first
            if change.reason != UNHEARD
        ),
        s.say("comparison.unheard", sounds=", ".join(unheard)) if unheard else "",
        tuple(notes),
        _maps(found, s),
        s.say(
            "comparison.maps_note", first=found.names[0], second=found.names[1], range=round(DIFFERENCE_DB)
        ),
        listen,
        address,
    )


def _side(name: str, analyses: tuple[Analysis, ...], s: Sentences) -> str:
    return s.say("comparison.sides", name=name, clips=", ".join(found.clip.name for found in analyses))


def _row(change: SymptomChange, s: Sentences) -> ChangeRow:
    told = change.word != "cannot_tell"
    word = "unchanged_word" if change.word == "unchanged" else change.word
    unknown = s.say("comparison.unknown")
    return ChangeRow(
        s.say(f"sound.{change.name}"),
        s.say(f"comparison.{word}"),
        s.tell(change.reason) if change.reason else None,
        told,
        _change(change, s) if told else unknown,
        _interval(change.low_db, change.high_db, s) if told else unknown,
        _level(change.smallest_db, s) if change.change_db is not None or not told else "",
    )


def _with_tone(row: ChangeRow, found: Comparison, s: Sentences) -> ChangeRow:
    """Name the stated pump's first tone beside its sound, where it and the speed are known."""
    order, hz, rpm = found.pump_order, found.pump_hz, found.mean_rpm
    if order is None or hz is None or rpm is None:
        return row
    name = "comparison.pump_tone_odd" if found.odd_vanes else "comparison.pump_tone"
    sound = s.say(name, sound=row.sound, order=s.number(order, 2), hz=s.number(hz), rpm=s.number(rpm))
    return replace(row, sound=sound)


def _change(change: SymptomChange, s: Sentences) -> str:
    """Say by how much; where only the least is known, that, whose way the verdict says."""
    if change.change_db is None:
        least = change.low_db if change.word == "louder" else -change.high_db
        if math.isfinite(least):
            return s.say("comparison.least", number=s.number(least, 1))
    return _level(change.change_db, s, sign=True)


def _level(value: float | None, s: Sentences, *, sign: bool = False) -> str:
    if value is None or not math.isfinite(value):
        return s.say("comparison.unknown")
    return s.say("comparison.db", number=s.number(value, 1, sign=sign))


def _interval(low: float | None, high: float | None, s: Sentences) -> str:
    """Say an interval; a side that is open is left away."""
    lowest, highest = (
        s.number(value, 1, sign=True) if value is not None and math.isfinite(value) else None
        for value in (low, high)
    )
    if lowest is not None and highest is not None:
        return s.say("comparison.range", low=lowest, high=highest)
    if highest is not None:
        return s.say("comparison.at_most", high=highest)
    return s.say("comparison.any" if lowest is None else "comparison.at_least", low=lowest)


def _maps(found: Comparison, s: Sentences) -> tuple[tuple[str, Raster], ...]:
    if found.maps is None:
        return ()
    maps, (first, second) = found.maps, found.names
    ticks = tuple(
        Tick(100.0 * order / float(maps.orders[-1]), f"{order}")
        for order in range(0, int(maps.orders[-1]) + 1, 4)
    )

    def raster(image: bytes, name: str) -> tuple[str, Raster]:
        alt = f"{s.say('comparison.maps')}: {name}"
        return name, Raster(data_address("image/png", image), 0.0, 100.0, ticks, (), alt)

    difference = levels_png(maps.difference_db, -DIFFERENCE_DB, DIFFERENCE_DB, two_sided_colours(61))
    return (
        raster(levels_png(maps.before_db, *MAP_RANGE_DB), first),
        raster(levels_png(maps.after_db, *MAP_RANGE_DB), second),
        raster(difference, f"{second} − {first}"),
    )
