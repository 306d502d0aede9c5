"""Change maps, changes with their intervals, the bleed watch and the course over months, as still pictures.

Everything is told by shape and text, never by colour alone; levels run from dark to light, and in a
difference the sign is told by the side of the scale and written on it.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from audiodiag.comparison.bleed import DONE_SHARE, BleedWatch
from audiodiag.comparison.compare import Comparison
from audiodiag.comparison.order_changes import ChangeMaps
from audiodiag.comparison.trend import AXES, SymptomTrend
from audiodiag.records import Analysis, FloatArray
from audiodiag.report import wording
from audiodiag.report.compared_text import BLEED_WORDS, CHANGE_WORDS
from audiodiag.report.palette import even_colours, two_sided_colours

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["bleed_png", "change_maps_png", "changes_png", "title_of", "trend_png"]

TEXT_SIZE, SMALL_SIZE = 12.0, 10.5
MAP_RANGE_DB = (-30.0, 20.0)
DIFFERENCE_DB = 15.0
WIDEST_DB = 30.0
HIGHEST_AIR, LOWEST_AIR = 160.0, -60.0


def change_maps_png(
    maps: ChangeMaps, names: tuple[str, str], *, title: str = "", dots_per_inch: int = 130
) -> bytes:
    """Draw the order maps of both sides on one scale and their difference, one above the other."""
    from matplotlib.colors import ListedColormap

    figure, axes = _figure(3, 10.5, title)
    shared: Any = ListedColormap(even_colours(256))
    pictures = []
    for place, name, level in zip(axes[:2], names, (maps.before_db, maps.after_db), strict=True):
        pictures.append(_map(place, maps, level, shared, MAP_RANGE_DB))
        place.set_title(_plain(name), fontsize=TEXT_SIZE, loc="left")
    last = _map(
        axes[2],
        maps,
        maps.difference_db,
        ListedColormap(two_sided_colours(256)),
        (-DIFFERENCE_DB, DIFFERENCE_DB),
    )
    axes[2].set_title(f"{_plain(names[1])} less {_plain(names[0])}", fontsize=TEXT_SIZE, loc="left")
    axes[2].set_xlabel("instants, from the calmest to the loudest (%)", fontsize=TEXT_SIZE)
    bar = figure.colorbar(pictures[0], ax=list(axes[:2]), aspect=30, pad=0.02)
    bar.set_label("dB above the engine's lines", fontsize=SMALL_SIZE)
    other = figure.colorbar(last, ax=axes[2], aspect=15, pad=0.02)
    other.set_label("dB: + is louder after", fontsize=SMALL_SIZE)
    other.set_ticks([-15, -10, -5, 0, 5, 10, 15], labels=["-15", "-10", "-5", "0", "+5", "+10", "+15"])
    return _png(figure, dots_per_inch)


def changes_png(found: Comparison, *, title: str = "", dots_per_inch: int = 130) -> bytes:
    """Draw the change of every symptom that can be told with its 95 % interval; open ends run into an
    arrow."""
    shown = [change for change in found.told_first if change.heard_before or change.heard_after]
    figure, axes = _figure(1, 2.2 + 0.8 * max(len(shown), 1), title)
    place = axes[0]
    place.axvline(0.0, color="black", linewidth=1.0)
    for row, change in enumerate(shown):
        low, high = max(change.low_db, -WIDEST_DB), min(change.high_db, WIDEST_DB)
        place.plot([low, high], [row, row], color="black", linewidth=2.0)
        for end, real, sign in ((low, change.low_db, "<"), (high, change.high_db, ">")):
            place.plot(
                [end], [row], sign if end != real else "|", color="black", markersize=9, markeredgewidth=2
            )
        if change.change_db is not None:
            inside = min(max(change.change_db, -WIDEST_DB), WIDEST_DB)
            place.plot([inside], [row], "o", color="white", markeredgecolor="black", markersize=9)
        words = f"{wording.SYMPTOM_WORDS[change.name]}: {CHANGE_WORDS[change.word].lower()}"
        place.text(0.01, row - 0.25, words, transform=place.get_yaxis_transform(), fontsize=SMALL_SIZE)
    if not shown:
        place.text(
            0.5, 0.5, "nothing is heard clearly on either side", transform=place.transAxes, ha="center"
        )
    place.set_ylim(max(len(shown), 1) - 0.5, -0.6)
    place.set_xlim(-WIDEST_DB - 1, WIDEST_DB + 1)
    place.set_yticks([])
    place.set_xlabel(
        f"change re engine (dB): left is quieter {_plain(found.names[1])}, right louder", fontsize=TEXT_SIZE
    )
    place.spines[["top", "right", "left"]].set_visible(False)
    return _png(figure, dots_per_inch)


def bleed_png(watch: BleedWatch, *, title: str = "", dots_per_inch: int = 130) -> bytes:
    """Draw the air index of every cycle with its interval, and the share below which it may be called
    done."""
    figure, axes = _figure(1, 4.2, title)
    place = axes[0]
    number = np.arange(1, len(watch.cycles) + 1)
    air = np.array([100 * cycle.air for cycle in watch.cycles])
    reach = np.array([[100 * (c.air - c.low), 100 * (c.high - c.air)] for c in watch.cycles]).T
    top = min(HIGHEST_AIR, float(np.nanmax(air + reach[1])) + 10.0)
    place.errorbar(number, air, yerr=reach, fmt="o-", color="black", capsize=4, linewidth=1.4)
    for at, value in zip(number, air, strict=True):
        if value > top:
            place.plot([at], [top], "^", color="black", markersize=9, clip_on=False)
            place.text(float(at), 0.97 * top, f"  {value:.0f}", fontsize=SMALL_SIZE, va="top")
    place.axhline(100 * DONE_SHARE, color="black", linestyle="--", linewidth=1.0)
    place.text(
        0.99,
        100 * DONE_SHARE,
        "above this it is not done",
        transform=place.get_yaxis_transform(),
        ha="right",
        va="bottom",
        fontsize=SMALL_SIZE,
    )
    if watch.done_at is not None:
        place.axvline(watch.done_at, color="0.5", linestyle=":")
        place.text(watch.done_at, top, f" done at {watch.done_at}", fontsize=SMALL_SIZE, va="top")
    place.set_ylim(max(min(-10.0, float(np.nanmin(air - reach[0])) - 5.0), LOWEST_AIR), top)
    place.set_xticks(number[:: max(len(number) // 12, 1)])
    place.set_xlabel("lock-to-lock cycle", fontsize=TEXT_SIZE)
    place.set_ylabel("air index (%)", fontsize=TEXT_SIZE)
    place.set_title(BLEED_WORDS[watch.state], fontsize=TEXT_SIZE, loc="left")
    place.spines[["top", "right"]].set_visible(False)
    return _png(figure, dots_per_inch)


def trend_png(
    trends: Sequence[SymptomTrend], *, unit: str, title: str = "", dots_per_inch: int = 130
) -> bytes:
    """Draw every symptom's level over the axis with its intervals; steps as dotted lines, unheard as
    crosses, heard without a level as open circles."""
    figure, axes = _figure(max(len(trends), 1), 1.2 + 2.6 * max(len(trends), 1), title)
    for place, trend in zip(axes, trends, strict=False):
        heard = [p for p in trend.points if p.level_db is not None]
        level = np.array([p.level_db for p in heard], float)
        reach = [[float(p.level_db or 0) - float(p.low_db or 0) for p in heard]] * 2
        place.errorbar([p.at for p in heard], level, yerr=reach, fmt="o", color="black", capsize=4)
        middle = float(np.mean([p.at for p in trend.points]))
        bottom = (float(level.min()) if len(level) else 0.0) - 12.0
        for is_heard, mark, words in ((False, "x", "not heard"), (True, "o", "heard, no level")):
            bare = [p.at for p in trend.points if p.level_db is None and p.heard == is_heard and p.judged]
            under = bottom - 6.0 * is_heard
            place.plot(bare, [under] * len(bare), mark, color="black", markersize=8, markerfacecolor="none")
            if bare:
                side = "right" if bare[0] > middle else "left"
                place.text(bare[0], under, f"  {words}  ", fontsize=SMALL_SIZE, va="center", ha=side)
        for step in trend.change_points:
            place.axvline((step.after + step.before) / 2, color="0.4", linestyle=":")
            place.text(
                (step.after + step.before) / 2,
                float(level.max()) + 6,
                f" {step.step_db:+.0f} dB",
                fontsize=SMALL_SIZE,
            )
        place.set_title(wording.SYMPTOM_WORDS[trend.name], fontsize=TEXT_SIZE, loc="left")
        place.set_ylabel("dB re engine", fontsize=SMALL_SIZE)
        place.spines[["top", "right"]].set_visible(False)
    if not trends:
        axes[0].text(
            0.5, 0.5, "no symptom is heard in any recording", transform=axes[0].transAxes, ha="center"
        )
    axis = AXES[unit] if AXES[unit] == unit else f"{AXES[unit]} ({unit})"
    axes[-1].set_xlabel(axis, fontsize=TEXT_SIZE)
    return _png(figure, dots_per_inch)


def title_of(sides: Sequence[Analysis], words: str) -> str:
    """Give a title that calls a simulated clip simulated.

    >>> title_of([], "before and after")
    'before and after'
    """
    return f"{words} (simulated)" if any(wording.is_simulated(found.clip) for found in sides) else words


def _figure(rows: int, height: float, title: str) -> tuple[Figure, list[Axes]]:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(6.2, height), layout="constrained")
    FigureCanvasAgg(figure)
    axes = list(np.atleast_1d(np.asarray(figure.subplots(rows, 1), dtype=object)))
    if title:
        figure.suptitle(_plain(title), fontsize=TEXT_SIZE + 1, x=0.02, ha="left")
    for place in axes:
        place.tick_params(labelsize=SMALL_SIZE)
    return figure, axes


def _map(place: Axes, maps: ChangeMaps, level: FloatArray, colours: Any, span: tuple[float, float]) -> Any:
    half = 0.5 * float(maps.orders[1] - maps.orders[0])
    place.set_ylabel("order (events / rev)", fontsize=TEXT_SIZE)
    return place.imshow(
        level,
        extent=(0.0, 100.0, float(maps.orders[0]) - half, float(maps.orders[-1]) + half),
        origin="lower",
        aspect="auto",
        cmap=colours,
        vmin=span[0],
        vmax=span[1],
        interpolation="nearest",
    )


def _png(figure: Figure, dots_per_inch: int) -> bytes:
    written = io.BytesIO()
    figure.savefig(written, format="png", dpi=dots_per_inch, metadata={"Software": "audiodiag"})
    return written.getvalue()


def _plain(text: str) -> str:
    return "".join(sign if sign.isprintable() else "?" for sign in text).replace("$", r"\$")
