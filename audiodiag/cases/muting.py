"""Stretches in which someone speaks, silenced in all channels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audiodiag.cases.stripping import all_channels
from audiodiag.clip.spectra import spectra_of
from audiodiag.clip.speech import speech_note
from audiodiag.records import Clip, FloatArray, Span

__all__ = ["Muted", "mute_spans", "mute_speech"]

FADE_S = 0.01
WIDEN_S = 2.0
"""Before and after what was found: the finder is sure of a voice only after some syllables within 2 s."""


@dataclass(frozen=True, eq=False)
class Muted:
    """Sound with silenced stretches: samples of shape (channels, n), and when they are silent (s)."""

    samples: FloatArray
    spans_s: tuple[Span, ...]


def mute_speech(clip: Clip) -> Muted:
    """Find stretches of speech and silence them in every channel; no claim that every word was found."""
    note = speech_note(spectra_of(clip.samples, clip.sample_rate_hz))
    spans = () if note is None else note.spans_s
    wide = tuple((max(0.0, low - WIDEN_S), min(clip.duration_s, high + WIDEN_S)) for low, high in spans)
    return Muted(mute_spans(all_channels(clip), clip.sample_rate_hz, wide), wide)


def mute_spans(samples: FloatArray, rate_hz: int, spans_s: tuple[Span, ...]) -> FloatArray:
    """Silence stretches, with short fades outside them so that nothing clicks.

    >>> quiet = mute_spans(np.ones((2, 1000), np.float32), 1000, ((0.2, 0.5),))
    >>> bool(quiet[:, 200:500].any()), bool((quiet[:, :150] == 1).all())
    (False, True)
    """
    gain = np.ones(samples.shape[1], np.float32)
    fade = max(1, round(FADE_S * rate_hz))
    for low, high in spans_s:
        first, last = max(0, int(low * rate_hz)), min(samples.shape[1], int(np.ceil(high * rate_hz)))
        gain[first:last] = 0.0
        before, after = gain[max(0, first - fade) : first], gain[last : last + fade]
        np.minimum(before, np.linspace(1.0, 0.0, fade, dtype=np.float32)[fade - before.size :], out=before)
        np.minimum(after, np.linspace(0.0, 1.0, fade, dtype=np.float32)[: after.size], out=after)
    return np.asarray(samples * gain, dtype=np.float32)
