"""Which channel of a recording to listen to, and why."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audiodiag.clip.clipping import clipped_share
from audiodiag.records import FloatArray

__all__ = ["ChannelChoice", "choose_channel", "is_pulse_channel"]

SILENCE_RMS = 3e-5
"""Root mean square (full scale 1) below which a channel holds nothing: -90 dB."""


@dataclass(frozen=True)
class ChannelChoice:
    """The chosen channel (counted from 1) and the reason as a clause."""

    number: int
    reason: str


def is_pulse_channel(samples: FloatArray) -> bool:
    """Tell whether a channel, shape (n,), carries speed pulses and not sound.

    Pulses rest at one or two levels nearly all the time and change between them in steps: more than 85 %
    of the
    samples lie within 3 % of the range of one or two levels, and they return many times.

    >>> import numpy as np
    >>> pulses = np.zeros(48_000); pulses[::1600] = 0.8
    >>> is_pulse_channel(pulses), is_pulse_channel(np.random.default_rng(1).standard_normal(48_000))
    (True, False)
    """
    values = np.asarray(samples, dtype=np.float32)
    if values.size > 2_000_000:
        values = values[:2_000_000]
    low, high = float(values.min()), float(values.max())
    if high - low < 1e-4:
        return False
    counts, _ = np.histogram(values, bins=64, range=(low, high))
    windowed = np.convolve(counts, np.ones(3), mode="same")
    first = int(np.argmax(windowed))
    held = windowed[first]
    windowed[max(0, first - 3) : first + 4] = 0.0
    second = int(np.argmax(windowed))
    centre = first
    two_levels = held + windowed[second] > 0.85 * values.size and abs(second - first) > 20
    one_level = held > 0.85 * values.size
    if not (two_levels or one_level):
        return False
    threshold = low + (high - low) * 0.5
    rest_is_high = low + (high - low) * (centre + 0.5) / 64 > threshold
    above = values < threshold if rest_is_high else values > threshold
    edges = int(np.count_nonzero(above[1:] & ~above[:-1]))
    return edges >= 5


def _merit_db(samples: FloatArray, sample_rate_hz: int) -> float:
    """How uneven the spectrum is within 150 Hz: power's mean over its geometric mean, 20 Hz to 1.5 kHz (dB).

    The engine and its parts make lines; wind, cloth and the noise of a microphone do not. Even noise added to
    any sound can only lower this ratio (the inequality of the means; the inverse of spectral flatness as in
    Peeters, A large set of audio features for sound description, 2004, section 9.1, number from memory).
    """
    from scipy import fft, ndimage

    length = 1 << max(10, round(np.log2(sample_rate_hz / 3.0)))
    blocks = samples[: samples.size // length * length].reshape(-1, length)
    if blocks.shape[0] == 0:
        return 0.0
    blocks = blocks[:: max(1, blocks.shape[0] // 60)]
    window = np.hanning(length).astype(np.float32)
    power = np.mean(np.abs(fft.rfft(blocks * window, axis=1)) ** 2, axis=0)
    step_hz = sample_rate_hz / length
    part = power[round(20.0 / step_hz) : round(min(1500.0, 0.45 * sample_rate_hz) / step_hz)] + 1e-20
    width = max(3, round(150.0 / step_hz))
    mean = ndimage.uniform_filter1d(part.astype(np.float64), width, mode="nearest")
    mean_db = ndimage.uniform_filter1d(10.0 * np.log10(part.astype(np.float64)), width, mode="nearest")
    return float(np.mean(10.0 * np.log10(np.maximum(mean, 1e-20)) - mean_db))


def choose_channel(channels: FloatArray, sample_rate_hz: int) -> ChannelChoice:
    """Choose the channel to listen to from ``channels``, shape (channels, n).

    Not silent, not a pulse channel, not overdriven; among those left the one whose lines stand highest above
    its noise; where two are alike within 0.2 dB, the first.

    >>> import numpy as np
    >>> sound = np.random.default_rng(2).standard_normal(24_000).astype(np.float32) * 0.1
    >>> choose_channel(np.stack([0 * sound, sound]), 8000)
    ChannelChoice(number=2, reason='the others are silent')
    """
    count = channels.shape[0]
    if count == 1:
        return ChannelChoice(1, "it is the only one")
    centred = [channel - np.mean(channel) for channel in channels]
    rms = [float(np.sqrt(np.mean(np.square(channel)))) for channel in centred]
    loud = [i for i in range(count) if rms[i] > SILENCE_RMS]
    if not loud:
        return ChannelChoice(1, "all are silent")
    if len(loud) == 1:
        return ChannelChoice(loud[0] + 1, "the others are silent")
    sound = [i for i in loud if not is_pulse_channel(channels[i])]
    if not sound:
        return ChannelChoice(loud[0] + 1, "all carry pulses and none carries sound")
    reasons: list[str] = []
    if len(loud) < count:
        reasons.append("silent channels left out")
    if len(sound) < len(loud):
        pulses = ", ".join(str(i + 1) for i in loud if i not in sound)
        reasons.append(f"channel {pulses} carries pulses")
    shares = {i: clipped_share(channels[i], sample_rate_hz) for i in sound}
    cleanest = min(shares.values())
    clean = [i for i in sound if shares[i] <= max(cleanest * 2.0, cleanest + 2e-4)]
    if len(clean) < len(sound):
        reasons.append("overdriven channels left out")
    if len(clean) == 1:
        return ChannelChoice(clean[0] + 1, "; ".join(reasons) or "it is the only one that is usable")
    first = clean[0]
    if all(np.array_equal(channels[i], channels[first]) for i in clean[1:]):
        reasons.append("the channels are alike")
        return ChannelChoice(first + 1, "; ".join(reasons))
    merits = {i: _merit_db(centred[i], sample_rate_hz) for i in clean}
    best = max(clean, key=lambda i: merits[i])
    if merits[best] - merits[first] < 0.2:
        best = first
        reasons.append("the channels are about equally good")
    else:
        reasons.append("its tones stand highest above its noise")
    return ChannelChoice(best + 1, "; ".join(reasons))
