"""From a rough speed to a fine one: straighten the clip by the rough track, then look for what is left.

The signal is re-sampled to crank angle by the present track. Whatever the track still gets wrong by a share d
moves every engine line from order o to o (1 + d); all lines together give a likelihood of d in each short
window, and the windows together a posterior over time. Repeated with a finer grid and higher orders this
approaches the accuracy of the phase of the strongest lines.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy.fft
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, map_coordinates, median_filter, uniform_filter1d

from audiodiag.records import FloatArray
from audiodiag.speed.front import Baseband
from audiodiag.speed.tracking import forward_backward, step_law

__all__ = ["RefinedTrack", "long_order_levels", "refine", "straighten"]

SAMPLES_PER_REV = 64


@dataclass(frozen=True, eq=False)
class RefinedTrack:
    """Speed at ``time_s`` with its standard deviation, both in rpm, shape (n,)."""

    time_s: FloatArray
    rpm: FloatArray
    sd_rpm: FloatArray


@dataclass(frozen=True)
class _Pass:
    revs: int
    span: float
    step: float
    top_order: float
    walk: float


PASSES = (
    _Pass(revs=8, span=0.030, step=0.0020, top_order=8.0, walk=1.5),
    _Pass(revs=8, span=0.010, step=0.0008, top_order=14.0, walk=1.0),
    _Pass(revs=10, span=0.004, step=0.0003, top_order=24.0, walk=1.0),
)


def straighten(
    signal: Baseband, time_s: FloatArray, rpm: FloatArray, *, samples_per_rev: int = SAMPLES_PER_REV
) -> tuple[FloatArray, FloatArray]:
    """Re-sample a baseband to crank angle; returns the signal on the angle grid and the times of its samples.

    time_s, rpm: the track, shape (n,). Both results have ``samples_per_rev`` samples a revolution.
    """
    at = np.arange(len(signal.samples)) / signal.rate_hz
    speed = np.interp(at, time_s, rpm) / 60.0
    revs = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]))]) / signal.rate_hz
    count = int(revs[-1] * samples_per_rev)
    when = np.interp(np.arange(count) / samples_per_rev, revs, at)
    values = map_coordinates(signal.samples, [when * signal.rate_hz], order=3, mode="nearest")
    return values.astype(np.float32), when


def _angle_spectra(
    values: FloatArray, revs: int, hop_revs: int, pad: int
) -> tuple[FloatArray, NDArray[np.integer[Any]]]:
    length = revs * SAMPLES_PER_REV
    padded = np.pad(values, (length // 2, length))
    starts = np.arange(0, max(1, len(values)), hop_revs * SAMPLES_PER_REV)
    view = np.lib.stride_tricks.sliding_window_view(padded, length)[starts]
    size = length * pad
    power = np.abs(scipy.fft.rfft(view * np.hanning(length).astype(np.float32), size, axis=1)) ** 2
    return power, starts


def _background(power: FloatArray, width: int) -> FloatArray:
    """Local level between the lines: a running mean, taken again with the lines cut down to it."""
    level = uniform_filter1d(power, width, axis=1, mode="nearest")
    return uniform_filter1d(np.minimum(power, level), width, axis=1, mode="nearest") + np.float32(1e-20)


def refine(
    signals: tuple[Baseband, ...], time_s: FloatArray, rpm: FloatArray, *, top_hz: float = 1150.0
) -> RefinedTrack:
    """Refine a rough speed track (within some 2 %) on the engine's own lines.

    signals: basebands that carry the lines; their evidence is summed. time_s, rpm: the rough track.
    """
    track = gaussian_filter1d(np.asarray(rpm, float), 1.2, mode="nearest")
    sd = np.full(len(track), 0.01) * track
    for step in PASSES:
        deltas = np.arange(-step.span, step.span + step.step / 2, step.step)
        pad = 4
        evidence: FloatArray | None = None
        for signal in signals:
            values, when = straighten(signal, time_s, track)
            power, starts = _angle_spectra(values, step.revs, 1, pad)
            frame_time = when[np.minimum(starts, len(when) - 1)]
            frame_rpm = np.interp(frame_time, time_s, track)
            teeth = np.arange(1, int(step.top_order * 2) + 1) / 2.0
            bin_order = 1.0 / (step.revs * pad)
            usable = teeth[None, :] * frame_rpm[:, None] / 60.0 < top_hz
            power = power[:, : int((step.top_order * (1 + step.span) + 1) / bin_order) + 2]
            background = _background(power, 2 * pad * step.revs)
            score = np.zeros((len(power), len(deltas)))
            ratio = np.log1p(0.7 * power / background)
            for tooth, fits in zip(teeth, usable.T, strict=True):
                position = tooth * (1 + deltas) / bin_order
                lower = position.astype(int)
                share = position - lower
                value = (1 - share) * ratio[:, lower] + share * ratio[:, lower + 1]
                score += np.where(fits[:, None], value, 0.0)
            evidence = score if evidence is None else evidence + score
        assert evidence is not None
        law = step_law(narrow=step.walk, wide=4 * step.walk, wide_share=0.05, reach=8)
        posterior = forward_backward(0.5 * evidence, law).posterior
        mean = posterior @ deltas
        spread = np.sqrt(np.maximum(posterior @ deltas**2 - mean**2, 0.0) + (0.3 * step.step) ** 2)
        correction = np.interp(time_s, frame_time, mean)
        track = track * (1 + correction)
        sd = np.interp(time_s, frame_time, spread) * track
    return RefinedTrack(np.asarray(time_s), track, sd)


def long_order_levels(signal: Baseband, time_s: FloatArray, rpm: FloatArray, *, revs: int = 24) -> FloatArray:
    """Give the whole clip's order spectrum above its own local background, in nats.

    Orders 0 to 32 in steps of 1/96, from windows of ``revs`` revolutions, log power averaged over the clip.
    """
    values, _ = straighten(signal, time_s, rpm)
    if len(values) < revs * SAMPLES_PER_REV:
        values = np.pad(values, (0, revs * SAMPLES_PER_REV - len(values)))
    power, _ = _angle_spectra(values, revs, revs // 4, 4)
    log_power = np.log(power + 1e-12 * power.max() + 1e-30).mean(axis=0)
    background = median_filter(log_power, size=4 * revs, mode="nearest")
    return np.clip(log_power - background, -3.0, 6.0)
