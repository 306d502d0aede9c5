"""The engine speed of one clip, told: as text with its reasons, as JSON, as a table, as a picture."""

from __future__ import annotations

import io
import math
import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np

from audiodiag.analysis import engine_followed
from audiodiag.records import Clip, FloatArray, Quality, SpeedAlternative, SpeedTrace
from audiodiag.report import wording
from audiodiag.report.jsonform import to_json_line

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["reasons", "speed_csv", "speed_picture", "speed_png", "speed_text", "speed_to_json"]

SCHEMA = "audiodiag/speed/1"
WIDTH = 80
PLOT_COLUMNS, PLOT_ROWS = 64, 9
SURE_FROM, UNSURE_BELOW = 0.8, 0.5
TEXT_SIZE, SMALL_SIZE = 12.0, 10.5
RANGE_DB = 50.0
PICTURE_ORDER = 13.0
"""The picture reaches up to this order at the median speed."""


def reasons(clip: Clip, quality: Quality, speed: SpeedTrace) -> tuple[str, ...]:
    """Say in sentences why the speed is sure or not, the weightiest first."""
    said = []
    if not speed.known:
        return tuple(note.text for note in speed.notes) or ("No engine speed was found.",)
    confidence = wording.percent(speed.confidence)
    if speed.source != "acoustic":
        said += [note.text for note in speed.notes]
        said.append(f"It was not found by ear; it is trusted to {confidence}.")
        return tuple(said)
    if not engine_followed(speed):
        said.append(
            f"Cannot tell ({confidence}): no speed stands out of the noise, so what is found is a guess, and "
            "there may be no engine in this clip."
        )
    elif speed.confidence >= SURE_FROM:
        said.append(f"Sure ({confidence}): one speed explains the engine's tones far better than any other.")
    elif speed.confidence >= UNSURE_BELOW:
        said.append(f"Fairly sure ({confidence}): the engine's tones fit this speed best, but not by much.")
    else:
        said.append(f"Not sure ({confidence}): the engine's tones hardly tell this speed from others.")
    width = _band_percent(speed)
    known_share = float(np.isfinite(speed.rpm).mean())
    if width <= 1.0:
        said.append(f"If it is this speed, its course is sharp: the 90 % band is {width:.1f} % wide.")
    else:
        said.append(
            f"Its course is not sharp: the 90 % band is {width:.1f} % wide. Its tones are faint, or its "
            "speed wanders."
        )
    if known_share < 0.98:
        said.append(
            f"For {100 * (1 - known_share):.0f} % of the clip no engine can be heard; there it is unknown."
        )
    rivals = [
        other for other in speed.alternatives if abs(other.factor - 1.0) > 0.02 and other.probability >= 0.02
    ]
    if rivals:
        said.append(
            f"The strongest other reading has {wording.percent(rivals[0].probability)}: "
            f"{_alternative_words(rivals[0], speed)}."
        )
    elif engine_followed(speed) and speed.other_course < 0.02:
        said.append("No other speed, such as half or double, has more than 2 %.")
    if speed.cylinders_source == "entered":
        said.append(
            f"That the engine has {speed.cylinders} cylinders was stated: that rules out most other readings."
        )
    elif speed.cylinders is not None:
        said.append(
            f"The number of cylinders was not stated; {speed.cylinders} fit best. State it with --cylinders: "
            "the same sound is another speed with another number."
        )
    if clip.duration_s < 8.0:
        said.append(f"The clip is short ({clip.duration_s:.1f} s); 15 s or more make it surer.")
    if quality.band_hz[0] > 150.0:
        said.append(
            f"The recording lacks what lies below {quality.band_hz[0]:.0f} Hz, where the firing is loudest."
        )
    skipped = {"cylinders_ambiguous", "speed_gaps"}
    said += [note.text for note in speed.notes if note.code not in skipped]
    return tuple(said)


def _band_percent(speed: SpeedTrace) -> float:
    """Median width of the band over the speed, per cent."""
    return float(np.nanmedian((speed.rpm_high - speed.rpm_low) / speed.rpm)) * 100.0


def _alternative_words(other: SpeedAlternative, speed: SpeedTrace) -> str:
    cylinders = "" if other.cylinders is None else f" with {other.cylinders} cylinders"
    if abs(other.factor - 1.0) < 0.005:
        return f"the same speed{cylinders}"
    return f"{other.factor * speed.median_rpm:.0f} rpm ({other.factor:.3g} times this){cylinders}"


def speed_text(clip: Clip, quality: Quality, speed: SpeedTrace) -> str:
    """Give the speed as text of one screen: figures, a small plot, other readings, reasons."""
    simulated = ", a simulated clip" if wording.is_simulated(clip) else ""
    lines = [
        f"{clip.name}{simulated} ({clip.duration_s:.1f} s): engine speed {wording.speed_source_words(speed)}"
    ]
    followed = engine_followed(speed)
    if speed.known and not followed:
        lines += textwrap.wrap(
            "CANNOT TELL: no engine can be followed in this clip. The figures below are the best guess, "
            f"{wording.percent(speed.confidence)} sure, and none to go by.",
            WIDTH,
        )
    if speed.known:
        known = np.flatnonzero(np.isfinite(speed.rpm))
        rpm = speed.rpm[known]
        low, high = float(np.nanmedian(speed.rpm_low)), float(np.nanmedian(speed.rpm_high))
        first, last = float(speed.time_s[known[0]]), float(speed.time_s[known[-1]])
        lines += [
            "",
            f"  median {np.median(rpm):.0f} rpm (90 % band {low:.0f} to {high:.0f}), "
            f"lowest {rpm.min():.0f}, highest {rpm.max():.0f}",
            f"  start {rpm[0]:.0f} rpm (at {first:.1f} s), end {rpm[-1]:.0f} rpm (at {last:.1f} s)",
        ]
        if speed.cylinders is not None:
            lines.append(f"  {speed.cylinders} cylinders ({speed.cylinders_source})")
        lines += ["", *_plot(speed), ""]
        if speed.alternatives:
            lines.append("Other readings")
            lines += [
                f"  {wording.percent(other.probability):>6}  {_alternative_words(other, speed)}"
                for other in speed.alternatives[:5]
            ]
            lines.append("")
    lines.append("Why sure or not" if speed.known else "Why there is none")
    for reason in reasons(clip, quality, speed):
        lines += textwrap.wrap(reason, WIDTH, initial_indent="  - ", subsequent_indent="    ")
    if not followed:
        lines += textwrap.wrap(
            "State the speed with --rpm where the car shows it, or record again within an arm's length of "
            "the engine, clear of everything that turns.",
            WIDTH,
        )
    return "\n".join(lines)


def _plot(speed: SpeedTrace) -> list[str]:
    """Draw the curve in signs: one column a stretch of time, its mean as a star, its band as dots."""
    edges = np.linspace(0.0, float(speed.time_s[-1]) + 1e-9, PLOT_COLUMNS + 1)
    column = np.clip(np.searchsorted(edges, speed.time_s, side="right") - 1, 0, PLOT_COLUMNS - 1)
    low, high = float(np.nanmin(speed.rpm_low)), float(np.nanmax(speed.rpm_high))
    room = max(high - low, 0.04 * speed.median_rpm)
    bottom = 0.5 * (low + high) - 0.5 * room

    def row_of(value: float) -> int:
        return int(np.clip(round((value - bottom) / room * (PLOT_ROWS - 1)), 0, PLOT_ROWS - 1))

    signs = np.full((PLOT_ROWS, PLOT_COLUMNS), " ")
    for place in range(PLOT_COLUMNS):
        mine = (column == place) & np.isfinite(speed.rpm)
        if not mine.any():
            continue
        bounds = row_of(float(speed.rpm_low[mine].mean())), row_of(float(speed.rpm_high[mine].mean()))
        signs[bounds[0] : bounds[1] + 1, place] = "."
        signs[row_of(float(speed.rpm[mine].mean())), place] = "*"
    lines = []
    for row in range(PLOT_ROWS - 1, -1, -1):
        mark = f"{bottom + room * row / (PLOT_ROWS - 1):6.0f}" if row % 2 == 0 else " " * 6
        lines.append(f"  {mark} |{''.join(signs[row]).rstrip()}")
    lines.append(f"     rpm +{'-' * PLOT_COLUMNS}")
    end = f"{float(speed.time_s[-1]):.1f} s"
    return [*lines, f"          0{end:>{PLOT_COLUMNS - 1}}"]


def speed_to_json(clip: Clip, quality: Quality, speed: SpeedTrace) -> str:
    """Give the speed as one line of JSON; unknown values are null."""

    def column(values: FloatArray, digits: int) -> list[float | None]:
        return [round(v, digits) if math.isfinite(v) else None for v in values.tolist()]

    simulated = wording.is_simulated(clip)
    said: dict[str, Any] = {
        "schema": SCHEMA,
        "clip": {"file": clip.name, "sha256": clip.sha256, "duration_s": round(clip.duration_s, 3)},
        "simulated": simulated,
        "source": speed.source,
        "confidence": round(speed.confidence, 4),
        "engine_followed": engine_followed(speed),
        "median_rpm": round(speed.median_rpm, 2) if speed.known else None,
        "cylinders": speed.cylinders,
        "cylinders_source": speed.cylinders_source,
        "alternatives": [
            {
                "factor": round(other.factor, 4),
                "rpm": round(other.factor * speed.median_rpm, 1),
                "cylinders": other.cylinders,
                "probability": round(other.probability, 4),
            }
            for other in speed.alternatives
        ],
        "reasons": list(reasons(clip, quality, speed)),
        "time_s": column(speed.time_s, 3),
        "rpm": column(speed.rpm, 2),
        "rpm_low": column(speed.rpm_low, 2),
        "rpm_high": column(speed.rpm_high, 2),
    }
    return to_json_line(said)


def speed_csv(speed: SpeedTrace) -> str:
    """Give the known instants as a table that ``--rpm-table`` reads.

    >>> one = np.array([0.0, 0.1])
    >>> print(speed_csv(SpeedTrace("entered", 1.0, one, one + 700, one + 690, one + 710, one)))
    time_s,rpm,rpm_low,rpm_high
    0.000,700.00,690.00,710.00
    0.100,700.10,690.10,710.10
    <BLANKLINE>
    """
    rows = ["time_s,rpm,rpm_low,rpm_high"]
    for time_s, rpm, low, high in zip(speed.time_s, speed.rpm, speed.rpm_low, speed.rpm_high, strict=True):
        if math.isfinite(rpm):
            rows.append(f"{time_s:.3f},{rpm:.2f},{low:.2f},{high:.2f}")
    return "\n".join(rows) + "\n"


def speed_png(clip: Clip, speed: SpeedTrace, *, dots_per_inch: int = 150) -> bytes:
    """Give the picture of the speed as the bytes of a PNG file."""
    written = io.BytesIO()
    speed_picture(clip, speed).savefig(
        written, format="png", dpi=dots_per_inch, metadata={"Software": "audiodiag"}
    )
    return written.getvalue()


def speed_picture(clip: Clip, speed: SpeedTrace) -> Figure:
    """Draw the speed with its band, and below it the low band of the sound with the engine's orders laid on.

    Where the speed is right, the bright lines of the sound run along the thin curves of the orders.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.colors import ListedColormap
    from matplotlib.figure import Figure

    from audiodiag.report.palette import even_colours

    figure = Figure(figsize=(6.2, 7.2), layout="constrained")
    FigureCanvasAgg(figure)
    curve, sound = figure.subplots(2, 1, sharex=True, height_ratios=[1.0, 1.7])
    figure.suptitle(_title(clip, speed), fontsize=TEXT_SIZE + 1, x=0.02, ha="left")
    curve.fill_between(speed.time_s, speed.rpm_low, speed.rpm_high, color="0.45", alpha=0.45, linewidth=0)
    for edge in (speed.rpm_low, speed.rpm_high):
        curve.plot(speed.time_s, edge, color="black", linewidth=0.7, linestyle="--")
    curve.plot(speed.time_s, speed.rpm, color="black", linewidth=1.6)
    low, high = float(np.nanmin(speed.rpm_low)), float(np.nanmax(speed.rpm_high))
    room = max(high - low, 0.04 * speed.median_rpm)
    curve.set_ylim(low - 0.45 * room, high + 0.25 * room)
    curve.set_ylabel("speed (rpm)", fontsize=TEXT_SIZE)
    curve.spines[["top", "right"]].set_visible(False)
    curve.text(0.01, 0.03, "dashed: 90 % band", transform=curve.transAxes, fontsize=SMALL_SIZE, va="bottom")
    level_db, top_hz, end_s = _low_band(clip, PICTURE_ORDER * speed.median_rpm / 60.0)
    shown = sound.imshow(
        level_db,
        extent=(0.0, end_s, 0.0, top_hz),
        origin="lower",
        aspect="auto",
        cmap=ListedColormap(even_colours(256)),
        vmin=-RANGE_DB,
        vmax=0.0,
        interpolation="nearest",
    )
    firing = None if speed.cylinders is None else speed.cylinders / 2.0
    for order in _drawn_orders(firing):
        hertz = order * speed.rpm / 60.0
        sound.plot(speed.time_s, hertz, color="black", linewidth=2.4)
        sound.plot(speed.time_s, hertz, color="white", linewidth=1.0, linestyle=(0, (6, 5)))
        known = np.flatnonzero(np.isfinite(hertz))
        if hertz[known[-1]] < 0.97 * top_hz:
            name = f"order {order:g}" + (" (firing)" if order == firing else "")
            sound.annotate(
                name,
                (float(speed.time_s[known[0]]), float(hertz[known[0]])),
                xytext=(4, 3),
                textcoords="offset points",
                fontsize=SMALL_SIZE,
                bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "linewidth": 0.6, "alpha": 0.92},
            )
    sound.set_ylim(0.0, top_hz)
    sound.set_xlim(0.0, clip.duration_s)
    sound.set_ylabel("frequency (Hz)", fontsize=TEXT_SIZE)
    sound.set_xlabel("time (s)", fontsize=TEXT_SIZE)
    for axes in (curve, sound):
        axes.tick_params(labelsize=SMALL_SIZE)
    bar = figure.colorbar(shown, ax=[curve, sound], location="bottom", aspect=45, pad=0.01)
    bar.set_label("level (dB below the loudest)", fontsize=SMALL_SIZE)
    bar.set_ticks([-50, -40, -30, -20, -10, 0], labels=["50", "40", "30", "20", "10", "0"])
    bar.ax.tick_params(labelsize=SMALL_SIZE)
    figure.align_ylabels([curve, sound])
    return figure


def _drawn_orders(firing: float | None) -> tuple[float, ...]:
    """Orders laid over the sound: the firing order and its first multiples, else the crank's."""
    step = firing if firing is not None else 2.0
    return tuple(step * k for k in range(1, 5) if step * k < PICTURE_ORDER - 0.5)


def _title(clip: Clip, speed: SpeedTrace) -> str:
    name = "".join(sign if sign.isprintable() else "?" for sign in clip.name).replace("$", r"\$")
    if wording.is_simulated(clip) and "simulated" not in name.lower():
        name += " (simulated clip)"
    sure = f", {wording.percent(speed.confidence)} sure" if speed.source == "acoustic" else ""
    told = f"Engine speed {wording.speed_source_words(speed)}: median {speed.median_rpm:.0f} rpm{sure}"
    if speed.cylinders is not None:
        told += f", {speed.cylinders} cylinders ({speed.cylinders_source})"
    return "\n".join([*textwrap.wrap(name, 62), *textwrap.wrap(told, 64)])


def _low_band(clip: Clip, top_hz: float) -> tuple[FloatArray, float, float]:
    """Level of the sound below ``top_hz`` over time, dB below the loudest, shape (lines, frames)."""
    import scipy.fft

    rate = clip.sample_rate_hz
    top_hz = min(top_hz, 0.5 * rate)
    block = int(0.3 * rate)
    hop = max(block // 8, len(clip.samples) // 700 + 1)
    samples = np.pad(np.asarray(clip.samples, dtype=np.float32), block // 2)
    frames = np.lib.stride_tricks.sliding_window_view(samples, block)[::hop]
    kept = int(top_hz * block / rate) + 2
    window = np.hanning(block).astype(np.float32)
    power = np.stack([np.abs(scipy.fft.rfft(frame * window)[:kept]) ** 2 for frame in frames], axis=1)
    level_db = 10.0 * np.log10(np.maximum(power, 1e-20))
    shown = np.clip(level_db - np.percentile(level_db, 99.8), -RANGE_DB, 0.0)
    return np.asarray(shown, dtype=np.float32), float((kept - 0.5) * rate / block), len(frames) * hop / rate
