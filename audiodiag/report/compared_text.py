"""What has changed, in plain words: before and after, the bleed watch, the course over months."""

from __future__ import annotations

import datetime
import math
import textwrap
from collections.abc import Iterable, Sequence

from audiodiag.causes import cautions_for, load_knowledge
from audiodiag.comparison.bleed import DONE_SHARE, BleedWatch
from audiodiag.comparison.change import SymptomChange
from audiodiag.comparison.compare import UNHEARD, Comparison
from audiodiag.comparison.order_changes import OrderChange
from audiodiag.comparison.trend import AXES, SymptomTrend, place_words
from audiodiag.orders.drive import ODD_VANES
from audiodiag.records import Analysis
from audiodiag.report import wording

__all__ = [
    "BLEED_WORDS",
    "CHANGE_WORDS",
    "bleed_report",
    "change_sentence",
    "comparison_report",
    "trend_report",
]

CHANGE_WORDS = {
    "gone": "GONE",
    "quieter": "QUIETER",
    "unchanged": "UNCHANGED",
    "louder": "LOUDER",
    "cannot_tell": "CANNOT TELL",
}
TONE_NEAR, TONE_GRID = 0.01, 0.1
"""How near to a tone of the stated pump a line is said to stand at it: share of the order, and at least."""
_NUMBER_WORDS = {1: "first", 2: "second", 3: "third"}
OWN_HIDES = "how much more cannot be told, since a healthy engine has some of this sound as well"
BLEED_WORDS = {
    "too_few": "TOO FEW CYCLES: go on, at least two more",
    "no_air": "NO AIR HEARD in any cycle",
    "falling": "STILL FALLING: go on",
    "level_not_done": "LEVEL, BUT STILL HEARD: not done",
    "done": "LEVEL FOR TWO CYCLES: done",
    "rising": "RISING: stop and look at the level in the reservoir",
    "unrecognised": "NO GROAN RECOGNISED: whether air is left cannot be told",
}
_BLEED_NEXT = {
    "too_few": "Turn slowly from lock to lock and back, with two seconds at rest in the middle.",
    "no_air": "Either no air is in the fluid or the phone is too far away to hear it; look for bubbles "
    "as well.",
    "falling": "Go on with slow cycles and keep the reservoir filled; pause for a minute if it foams.",
    "level_not_done": "What is left does not go down any more: let the fluid rest, engine off, then "
    "look for bubbles and for a place where air may be drawn in.",
    "done": "Look at the level and for bubbles, engine off, and top up; this program hears air, it does "
    "not see it.",
    "rising": "Air may be drawn in: the level may be low, or a joint on the suction side may leak.",
    "unrecognised": "Something swells with the steering, but it does not sound like air: look for bubbles "
    "and at the level, engine off, and record nearer to the pump where air is suspected.",
}


def comparison_report(found: Comparison, *, width: int = 80) -> str:
    """Give the comparison as text, lines at most ``width`` columns wide, with a line end."""
    one, two = found.names
    lines = [f"{one} and {two}"]
    for name, side in zip(found.names, (found.before, found.after), strict=True):
        clips = ", ".join(_clip_words(analysis) for analysis in side)
        lines += _hanging(f"{name}: {clips}", width)
    asked = [c for c in found.told_first if c.reason != UNHEARD]
    lines.append("What has changed")
    for change in asked:
        lines += _hanging(change_sentence(change, found.names), width)
        if change.name == "pump_whine" and found.pump_order is not None:
            lines += _hanging(_pump_words(found), width, first="    ")
    quiet = [wording.SYMPTOM_WORDS[c.name] for c in found.symptoms if c not in asked]
    if quiet:
        lines += _hanging(f"cannot tell, not heard on either side: {', '.join(quiet)}", width)
    if any(change.references for change in asked) and all(c.repeatability == "prior" for c in asked):
        lines += _hanging(
            "With one recording on a side, how far recordings of one car differ is assumed, not measured: "
            "record each side two or three times, moving nothing, to know it.",
            width,
        )
    moved = [order for order in found.orders if order.changed]
    if found.orders:
        lines.append("Tones that stand still over the crank")
        told = [
            f"order {order.order:g}: {_signed(order.change_db)} "
            f"({_signed(order.low_db)} to {_signed(order.high_db)})" + _maker_words(order, found.pump_order)
            for order in moved[:4]
        ]
        lines += _hanging("; ".join(told) or "none has changed more than engines do by themselves", width)
    lines.append("Compared")
    lines += _hanging(_conditions_words(found), width)
    for note in found.conditions.notes:
        lines += _hanging(note.text, width, bullet="! " if note.severity != "info" else "- ")
    lines += _take_care(found.cautions, width)
    return "\n".join(lines) + "\n"


def change_sentence(change: SymptomChange, names: tuple[str, str]) -> str:
    """Say one symptom's change with its interval and the smallest change that could have been seen.

    >>> found = SymptomChange("pump_whine", "quieter", -6.2, -8.0, -4.4, 1.8, True, True, (), (), 9, "prior")
    >>> change_sentence(found, ("before", "after")).partition(";")[0]
    'pump whine: QUIETER by 6.2 dB after (95 %: 4.4 to 8.0 dB quieter)'
    >>> from dataclasses import replace
    >>> least = replace(found, change_db=None, low_db=-math.inf, high_db=-2.6)
    >>> change_sentence(least, ("before", "after")).partition(";")[0]
    'pump whine: QUIETER after, at least 2.6 dB (95 %)'
    """
    name, word = wording.SYMPTOM_WORDS[change.name], CHANGE_WORDS[change.word]
    after = names[1]
    seen = ""
    if change.smallest_db is not None:
        seen = f"; a change of {change.smallest_db:.1f} dB could have been told"
    if change.word == "cannot_tell":
        between = ""
        if change.change_db is not None:
            low, high = _signed(change.low_db), _signed(change.high_db)
            between = f"{_signed(change.change_db)} (95 %: {low} to {high}): "
        return f"{name}: {word}, {between}{change.reason}{seen}"
    if change.word == "gone":
        least = f"at least {-change.high_db:.1f} dB quieter (95 %)"
        return f"{name}: {word} {after}, {least}, below what can be heard"
    if change.change_db is None:
        bound = change.low_db if change.word == "louder" else -change.high_db
        known = change.heard_before and change.heard_after
        why = OWN_HIDES if known else "it was below what can be heard"
        return f"{name}: {word} {after}, at least {bound:.1f} dB (95 %); {why}"
    if change.word == "unchanged":
        return (
            f"{name}: {word}, {_signed(change.change_db)} (95 %: {_signed(change.low_db)} to "
            f"{_signed(change.high_db)}){seen}"
        )
    small, large = sorted((abs(change.low_db), abs(change.high_db)))
    least = f"{small:.1f} to {large:.1f} dB" if math.isfinite(large) else f"at least {small:.1f} dB"
    return f"{name}: {word} by {abs(change.change_db):.1f} dB {after} (95 %: {least} {change.word}){seen}"


def bleed_report(watch: BleedWatch, analyses: Sequence[Analysis], *, width: int = 80) -> str:
    """Give the bleed watch as text: how it stands, then every cycle, then what to take care of."""
    lines = _hanging(", ".join(_clip_words(found) for found in analyses), width, first="")
    lines.append(BLEED_WORDS[watch.state])
    if decided := _decided_words(watch):
        lines += _hanging(decided, width)
    lines += _hanging(_BLEED_NEXT[watch.state], width)
    if watch.done_at is not None and watch.state != "done":
        lines += _hanging(f"it was level after cycle {watch.done_at}, but not since", width)
    lines.append("Air index (geometric mean of the two loudest cycles = 100 %)")
    for number, cycle in enumerate(watch.cycles, 1):
        bar = "#" * round(20 * min(max(cycle.air, 0.0), 1.0))
        if len(analyses) > 1 and cycle.recording not in {
            each.recording for each in watch.cycles[: number - 1]
        }:
            lines += _hanging(analyses[cycle.recording].clip.name, width)
        lines.append(
            f"  {number:>3}  {cycle.start_s:6.1f} s  {100 * cycle.air:4.0f} %  "
            f"({100 * cycle.low:.0f} to {100 * cycle.high:.0f} %)  {bar}"
        )
    if watch.per_cycle is not None:
        moved = _points(watch.per_cycle)
        moved += " a cycle" if moved != "no change" else ""
        lines += _hanging(
            f"a straight line over the last three cycles: {moved} (the state above does not go by it)", width
        )
    for note in wording.notes_once(watch.notes):
        lines += _hanging(note.text, width, bullet="! " if note.severity != "info" else "- ")
    lines += _take_care(cautions_for(["cavitation_groan"], [], knowledge=load_knowledge()), width)
    return "\n".join(lines) + "\n"


def _decided_words(watch: BleedWatch) -> str:
    """Say by which comparison of cycles the state was chosen; nothing where it was not by one."""
    if watch.last is None or watch.state in ("too_few", "no_air", "unrecognised"):
        return ""
    step, drop, margin = watch.last.step, watch.last.drop, watch.last.margin
    sure = f"told from chance from {100 * margin:.0f} on"
    if watch.state == "falling" and step > -margin and drop > margin:
        return f"last cycle against the loudest of the last three: {_points(-drop)} ({sure})"
    words = f"last cycle against the one before: {_points(step)} ({sure})"
    if watch.state == "level_not_done" and step > margin:
        words += f"; up to an index of {100 * DONE_SHARE:.0f} % that is not called rising"
    return words


def _points(share: float) -> str:
    """Say a difference of two shares.

    >>> _points(-0.2), _points(0.01), _points(0.002)
    ('-20 percentage points', '+1 percentage point', 'no change')
    """
    points = round(100 * share)
    return f"{points:+d} percentage point{'s' * (abs(points) != 1)}" if points else "no change"


def trend_report(
    trends: Sequence[SymptomTrend],
    analyses: Sequence[Analysis],
    *,
    unit: str,
    width: int = 80,
    first_day: datetime.date | None = None,
) -> str:
    """Give the course of all symptoms over the axis as text, and which recordings could not be judged.

    ``unit``: unit of the axis, one of ``AXES``. ``first_day``: the date at which days are counted from 0;
    every recording's is then said.
    """
    simulated = {each.clip.name for each in analyses if wording.is_simulated(each.clip)}
    many = sum(wording.is_simulated(each.clip) for each in analyses)
    of_them = f" ({many} of them simulated)" if many else ""
    lines = [f"{len(analyses)} recordings{of_them}, by {'date' if unit == 'day' else AXES[unit]}"]
    unjudged = [each for each in analyses if each.verdict.kind in ("not_an_engine_bay", "cannot_tell")]
    if not trends:
        which = "the others" if unjudged else "any of them"
        words = f"no symptom is heard in {which}, so there is no course to tell"
        if len(unjudged) == len(analyses):
            words = "none of them could be judged, so there is no course to tell"
        lines += _hanging(words, width)
    for trend in trends:
        lines += _hanging(f"{wording.SYMPTOM_WORDS[trend.name]}: {trend.text}", width)
        for point in trend.points:
            level = "not heard" if point.judged else "cannot be judged"
            if point.judged and point.probability >= wording.MAYBE_FROM:
                level = f"perhaps heard ({wording.percent(point.probability)})"
            if point.heard:
                level = f"heard ({wording.percent(point.probability)}), level cannot be told"
            if point.level_db is not None and point.low_db is not None and point.high_db is not None:
                level = f"{point.level_db:+.0f} dB ({point.low_db:+.0f} to {point.high_db:+.0f}) re engine"
            made = ", simulated" if point.name in simulated and "simulated" not in point.name.lower() else ""
            lines += _hanging(
                f"{place_words(point.at, unit)}{_date(point.at, first_day)}: {level} [{point.name}{made}]",
                width,
                first="    ",
            )
    for each in unjudged:
        lines += _hanging(f"{each.clip.name}: {each.verdict.text}", width, bullet="! ")
    heard = sorted({trend.name for trend in trends})
    lines += _take_care(cautions_for(heard, [], knowledge=load_knowledge()), width)
    return "\n".join(lines) + "\n"


def _date(day: float, first: datetime.date | None) -> str:
    return f" ({first + datetime.timedelta(days=day)})" if first is not None else ""


def _pump_words(found: Comparison) -> str:
    """Name the stated pump's first tone, with its pitch where all recordings have one sure speed."""
    if found.pump_order is None:
        return ""
    words = f"the pump as stated sounds first at order {found.pump_order:.2f}"
    if found.pump_hz is not None:
        words += f", {found.pump_hz:.0f} Hz at the mean speed of {found.mean_rpm:.0f} rpm"
    return f"{words}; that is twice pulley ratio times vanes. {ODD_VANES}" if found.odd_vanes else words


def _maker_words(tone: OrderChange, pump_order: float | None) -> str:
    """Say whose tone may stand at an order: the stated pump's, the engine's, or both.

    >>> _maker_words(OrderChange(24.0, -9.0, -14.0, -4.0, True), 12.0)
    ", at the stated pump's second tone, also an order of the engine"
    >>> _maker_words(OrderChange(11.5, -9.0, -14.0, -4.0, True), 12.0)
    ', also an order of the engine'
    """
    said = ""
    if pump_order is not None:
        number = round(tone.order / pump_order)
        near = max(TONE_NEAR * tone.order, TONE_GRID)
        if number > 0 and abs(tone.order - number * pump_order) <= near:
            which = _NUMBER_WORDS.get(number)
            said = f", at the stated pump's {f'{which} tone' if which else f'tone {number}'}"
    return said + (", also an order of the engine" if tone.of_engine else "")


def _conditions_words(found: Comparison) -> str:
    low, high = found.conditions.band_hz
    said = f"{low:.0f} Hz to {high / 1000:.1f} kHz, what all recordings carry"
    if found.conditions.speed_rpm is not None:
        slow, fast = found.conditions.speed_rpm
        shared = "speeds that both pass through" if found.conditions.shared_speed else "no speed in common"
        said += f"; {slow:.0f} to {fast:.0f} rpm, {shared}"
    used = max((change.references for change in found.symptoms), default=0)
    said += f"; measured against the engine in {used} bands" if used else "; no band to measure the engine by"
    chances = [change.alike for change in found.symptoms if change.references]
    if not chances:
        return said
    stated = "stated" if found.one_phone else "not stated"
    least, most = (wording.percent(chance) for chance in (min(chances), max(chances)))
    likely = least if least == most else f"{least} to {most}"
    return f"{said}; that it was one phone at one place is {stated}, and {likely} likely by the sound"


def _clip_words(found: Analysis) -> str:
    name = found.clip.name
    if wording.is_simulated(found.clip) and "simulated" not in name.lower():
        name += ", a simulated clip"
    return f"{name} ({found.clip.duration_s:.1f} s)"


def _take_care(cautions: Iterable[str], width: int) -> list[str]:
    short = {caution.text: caution.short for caution in load_knowledge().cautions}
    said = " ".join(short.get(text, text) for text in dict.fromkeys(cautions))
    return ["Take care", *_hanging(said, width)] if said else []


def _signed(level_db: float) -> str:
    if not math.isfinite(level_db):
        return "no bound"
    return f"{level_db:+.1f} dB"


def _hanging(text: str, width: int, *, bullet: str = "", first: str = "  ") -> list[str]:
    """Wrap text, later lines further in; what cannot be printed becomes a question mark."""
    shown = "".join(sign if sign.isprintable() else "?" for sign in bullet + text)
    return textwrap.wrap(
        shown, max(width, 40), initial_indent=first, subsequent_indent=first + "  ", break_on_hyphens=False
    )
