"""The diagnosis as one still picture: what sounds when, at which frequency, at which order, at what speed.

From top to bottom, over one axis of time: the spectrogram, the found sounds, the engine speed over the
steering phases, and the order map, in which every part of the engine lies still. Everything is told by shape
and text, never by colour alone, and stays readable in grey and on a phone.
"""

from __future__ import annotations

import io
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np

from audiodiag.records import Analysis
from audiodiag.report import wording
from audiodiag.report.levels import (
    LOWEST_HZ,
    RANGE_DB,
    LevelPicture,
    band_of,
    joined_spans,
    order_levels,
    order_of,
    shown_sounds,
    spectrogram_levels,
)
from audiodiag.report.palette import PHASE_GREYS, even_colours

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "draw_order_map",
    "draw_sounds",
    "draw_spectrogram",
    "draw_speed",
    "picture",
    "picture_png",
    "picture_svg",
]

TEXT_SIZE = 12.0
SMALL_SIZE = 10.5

_HATCHES = {
    "pump_whine": "",
    "cavitation_groan": "xxx",
    "belt_squeal": "///",
    "belt_chirp": "|||",
    "relief_hiss": "...",
    "bearing_growl": "\\\\\\",
}


def picture_png(analysis: Analysis, *, dots_per_inch: int = 150) -> bytes:
    """Give the picture of one analysis as the bytes of a PNG file."""
    written = io.BytesIO()
    picture(analysis).savefig(written, format="png", dpi=dots_per_inch, metadata={"Software": "audiodiag"})
    return written.getvalue()


def picture_svg(analysis: Analysis) -> str:
    """Give the picture of one analysis as SVG; the same analysis gives the same text."""
    import matplotlib

    written = io.StringIO()
    with matplotlib.rc_context({"svg.hashsalt": "audiodiag", "svg.fonttype": "none"}):
        picture(analysis).savefig(written, format="svg", metadata={"Date": None, "Creator": "audiodiag"})
    return written.getvalue()


def picture(analysis: Analysis) -> Figure:
    """Draw one analysis: spectrogram, found sounds, engine speed over the steering phases, order map."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    sounds = max(1, len(shown_sounds(analysis)))
    known = analysis.speed.known
    heights = [3.4, 0.42 * sounds + 0.1, 1.7 if known else 0.6, 3.2 if known else 0.5]
    figure = Figure(figsize=(6.2, 1.75 + sum(heights)), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots(4, 1, sharex=True, height_ratios=heights)
    figure.suptitle(_title(analysis), fontsize=TEXT_SIZE + 1, x=0.02, ha="left")
    draw_spectrogram(axes[0], analysis)
    draw_sounds(axes[1], analysis)
    draw_speed(axes[2], analysis)
    draw_order_map(axes[3], analysis)
    axes[3].set_xlabel("time (s)", fontsize=TEXT_SIZE)
    axes[3].set_xlim(0.0, analysis.clip.duration_s)
    bar = figure.colorbar(axes[0].images[0], ax=list(axes), location="bottom", aspect=45, pad=0.01)
    bar.set_label("level (dB below the loudest)", fontsize=SMALL_SIZE)
    bar.set_ticks([-60, -40, -20, 0], labels=["60", "40", "20", "0"])
    bar.ax.tick_params(labelsize=SMALL_SIZE)
    figure.align_ylabels(axes)
    return figure


def draw_spectrogram(axes: Axes, analysis: Analysis) -> None:
    """Draw level over time (s) and frequency (kHz, logarithmic), with the found sounds framed."""
    made = spectrogram_levels(analysis.clip)
    _show(axes, made)
    kilohertz = [
        value for value in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0) if value * 1000 < 10**made.high
    ]
    axes.set_yticks([np.log10(value * 1000) for value in kilohertz], [f"{value:g}" for value in kilohertz])
    axes.set_ylabel("frequency (kHz)", fontsize=TEXT_SIZE)
    for number, found in enumerate(shown_sounds(analysis), 1):
        top_hz = 0.97 * 10**made.high
        low, high = (float(np.log10(min(max(f, 1.1 * LOWEST_HZ), top_hz))) for f in band_of(found, analysis))
        for left, right in joined_spans(found, analysis.clip.duration_s):
            _frame(axes, left, right, low, high)
        if found.spans_s:
            left, right = max(
                joined_spans(found, analysis.clip.duration_s), key=lambda span: span[1] - span[0]
            )
            share = number / (len(shown_sounds(analysis)) + 1)
            _tag(axes, left + share * (right - left), high, str(number))


def draw_sounds(axes: Axes, analysis: Analysis) -> None:
    """Draw one row for every sound that is heard or perhaps heard, with bars when it sounds."""
    shown = shown_sounds(analysis)
    for row, found in enumerate(shown):
        number = row + 1
        for left, right in found.spans_s:
            width = max(right - left, 0.006 * analysis.clip.duration_s)
            axes.barh(
                row + 0.2,
                width,
                left=left,
                height=0.42,
                color="0.75",
                edgecolor="black",
                hatch=_HATCHES[found.name],
                linewidth=0.8,
            )
        maybe = "" if found.probability >= wording.HEARD_FROM else "perhaps "
        name = f"{maybe}{wording.SYMPTOM_WORDS[found.name]}"
        axes.text(
            0.01,
            row - 0.26,
            f"{number}  {name}, {wording.percent(found.probability)} sure",
            transform=axes.get_yaxis_transform(),
            fontsize=SMALL_SIZE,
            va="center",
        )
    axes.set_yticks([])
    axes.set_ylabel("heard", fontsize=TEXT_SIZE)
    axes.set_ylim(max(len(shown), 1) - 0.5, -0.5)
    axes.spines[["top", "right"]].set_visible(False)
    if not shown:
        claimed = analysis.verdict.kind in ("symptoms", "normal")
        _say(axes, "no sound of a fault is heard" if claimed else "nothing is claimed about any sound")


def draw_speed(axes: Axes, analysis: Analysis) -> None:
    """Draw engine speed (rpm) over time with the band of its middle 90 %, over the steering phases."""
    _shade_phases(axes, analysis)
    axes.set_ylabel("speed (rpm)", fontsize=TEXT_SIZE)
    axes.tick_params(labelsize=SMALL_SIZE)
    axes.spines[["top", "right"]].set_visible(False)
    speed = analysis.speed
    if not speed.known:
        axes.set_yticks([])
        _say(axes, "engine speed unknown")
        return
    axes.fill_between(speed.time_s, speed.rpm_low, speed.rpm_high, color="0.45", alpha=0.45, linewidth=0)
    for edge in (speed.rpm_low, speed.rpm_high):
        axes.plot(speed.time_s, edge, color="black", linewidth=0.7, linestyle="--")
    axes.plot(speed.time_s, speed.rpm, color="black", linewidth=1.6)
    low, high = float(np.nanmin(speed.rpm_low)), float(np.nanmax(speed.rpm_high))
    room = max(high - low, 0.04 * speed.median_rpm)
    axes.set_ylim(low - 0.45 * room, high + 0.45 * room)
    text = f"{wording.speed_source_words(speed)}; dashed: 90 % band"
    axes.text(0.01, 0.04, text, transform=axes.transAxes, fontsize=SMALL_SIZE, va="bottom", bbox=_paper())


def draw_order_map(axes: Axes, analysis: Analysis) -> None:
    """Draw level over time (s) and order (events a crank revolution), with the order-locked sounds marked."""
    axes.set_ylabel("order (events / rev)", fontsize=TEXT_SIZE)
    if not analysis.speed.known:
        axes.set_yticks([])
        _say(axes, "no order map without engine speed")
        return
    made = order_levels(analysis)
    _show(axes, made)
    for number, found in enumerate(shown_sounds(analysis), 1):
        order = order_of(found, analysis)
        height = order if order is not None and order < made.high else None
        for left, right in joined_spans(found, analysis.clip.duration_s):
            if height is not None:
                _frame(axes, left, right, height - 0.45, height + 0.45)
        if height is not None and found.spans_s:
            left, right = _longest(found.spans_s)
            _tag(axes, (left + right) / 2, height + 0.45, str(number))
    firing = None if analysis.speed.cylinders is None else analysis.speed.cylinders / 2
    if firing is not None and firing < made.high:
        axes.annotate(
            f"firing, order {firing:g}",
            (made.left_s, firing),
            xytext=(4, 2),
            textcoords="offset points",
            fontsize=SMALL_SIZE,
            va="bottom",
            bbox=_paper(),
        )


def _title(analysis: Analysis) -> str:
    import textwrap

    name = "".join(sign if sign.isprintable() else "?" for sign in analysis.clip.name).replace("$", r"\$")
    if wording.is_simulated(analysis.clip) and "simulated" not in name.lower():
        name += " (simulated clip)"
    verdict = analysis.verdict.text.replace("$", r"\$")
    return "\n".join([*textwrap.wrap(name, 62), *textwrap.wrap(verdict, 62)[:3]])


def _longest(spans_s: Iterable[tuple[float, float]]) -> tuple[float, float]:
    return max(spans_s, key=lambda span: span[1] - span[0])


def _show(axes: Axes, made: LevelPicture) -> None:
    from matplotlib.colors import ListedColormap

    axes.imshow(
        made.level_db,
        extent=(made.left_s, made.right_s, made.low, made.high),
        origin="lower",
        aspect="auto",
        cmap=ListedColormap(even_colours(256)),
        vmin=-RANGE_DB,
        vmax=0.0,
        interpolation="nearest",
    )
    axes.set_facecolor("0.85")
    axes.tick_params(labelsize=SMALL_SIZE)


def _shade_phases(axes: Axes, analysis: Analysis) -> None:
    """Shade the steering phases and write on each, where there is room, what the wheel does."""
    short = {"centre": "rest", "turning": "turn", "stop": "stop"}
    duration_s = analysis.clip.duration_s
    for span in analysis.phases.spans:
        axes.axvspan(span.start_s, span.end_s, color=PHASE_GREYS[span.phase], linewidth=0)
        axes.axvline(span.start_s, color="0.5", linewidth=0.8, linestyle=":")
        if span.end_s - span.start_s > 0.025 * len(short[span.phase]) * duration_s:
            axes.text(
                (span.start_s + span.end_s) / 2,
                0.97,
                short[span.phase],
                transform=axes.get_xaxis_transform(),
                fontsize=SMALL_SIZE,
                ha="center",
                va="top",
            )
    if not analysis.phases.spans:
        axes.text(
            0.99,
            0.97,
            "steering unknown",
            transform=axes.transAxes,
            fontsize=SMALL_SIZE,
            ha="right",
            va="top",
        )


def _frame(axes: Axes, left: float, right: float, low: float, high: float) -> None:
    from matplotlib.patches import Rectangle

    for colour, width in (("black", 3.0), ("white", 1.3)):
        axes.add_patch(
            Rectangle((left, low), right - left, high - low, fill=False, color=colour, linewidth=width)
        )


def _tag(axes: Axes, x: float, y: float, text: str) -> None:
    """Set a numbered tag inside the upper edge of a frame; the number is that of the sound's row."""
    axes.annotate(
        text,
        (x, y),
        xytext=(0, -2),
        textcoords="offset points",
        fontsize=SMALL_SIZE,
        fontweight="bold",
        ha="center",
        va="top",
        bbox=_paper(),
    )


def _paper() -> dict[str, Any]:
    return {
        "boxstyle": "round,pad=0.2",
        "facecolor": "white",
        "edgecolor": "black",
        "linewidth": 0.6,
        "alpha": 0.92,
    }


def _say(axes: Axes, text: str) -> None:
    axes.text(0.5, 0.5, text, transform=axes.transAxes, fontsize=TEXT_SIZE, ha="center", va="center")
