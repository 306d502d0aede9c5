"""What a recording is good for: what is wrong with it, how to record better, and the band it can speak
for."""

from __future__ import annotations

import numpy as np

from audiodiag.clip.band import lower_edge_hz, upper_edge_hz
from audiodiag.clip.bridges import can_be_bridged
from audiodiag.clip.clipping import ALL_CLIPPED_SHARE, clipping_notes
from audiodiag.clip.codecs import coding_limit
from audiodiag.clip.disturbance import bump_note, hum_note, wind_note
from audiodiag.clip.level import dropout_spans, gain_note, too_quiet_note
from audiodiag.clip.spectra import spectra_of
from audiodiag.clip.speech import speech_note
from audiodiag.errors import written_below
from audiodiag.records import Clip, Note, Quality

__all__ = ["assess_quality"]

_SHORTEST_S = 3.0
_SILENCE_RMS = 3e-5
_DROPOUT_SHARE_REFUSED = 0.5
_COARSE_CODECS = ("pcm_u8", "pcm_s8", "pcm_mulaw", "pcm_alaw")


def _refused(clip: Clip, note: Note) -> Quality:
    return Quality(
        False, (*clip.notes, note), (0.0, clip.sample_rate_hz / 2.0), coding_limit(clip.codec) is None
    )


def _dropout_note(share: float, count: int, longest_s: float, *, is_bridged: bool) -> tuple[str, str]:
    text = (
        f"The sound drops out {count} time{'s' if count > 1 else ''} (longest {1000 * longest_s:.0f} ms, "
        f"{100 * share:.1f} % of the clip). "
    )
    if is_bridged:
        text += (
            "What is missing is bridged with the sound beside it, where there is enough, before anything is "
            "measured. "
        )
    else:
        text += "A rhythm in the noise may come from that and not from the car. "
    return (
        "dropouts",
        text
        + "Close other programs on the phone, switch noise suppression off, and send the clip as a file.",
    )


def _band_note(upper_hz: float, clip: Clip) -> Note | None:
    half_hz = clip.sample_rate_hz / 2.0
    if upper_hz > 0.97 * half_hz or upper_hz > 15_000.0:
        return None
    return Note(
        "band_cut_above",
        f"Nothing above {upper_hz / 1000:.1f} kHz is in the clip although its sample rate would carry "
        f"{half_hz / 1000:.1f} "
        "kHz: the coding, a messenger or the phone's noise suppression cut it off. Squeal, chirp and "
        "hiss above "
        "that cannot be heard. Record at high quality and send the clip as a file.",
        severity="warning" if upper_hz < 10_000.0 else "info",
    )


def assess_quality(clip: Clip) -> Quality:
    """Judge a recording, not the car.

    Returns
    -------
    Quality
        ``notes``: first those of the clip itself, then what was measured here, each with its times in seconds
        and how to record better. ``band_hz``: the band really carried, measured, and not wider than the
        coding
        keeps. ``usable`` is false only where nothing can be said: silence, less than 3 s, tops cut off all
        the
        time, or sound that is gone more than half of the time. ``levels_usable`` is false for speech codings.

    Example
    -------
    >>> import numpy as np
    >>> noise = 0.1 * np.random.default_rng(3).standard_normal(5 * 16_000).astype(np.float32)
    >>> clip = Clip(samples=noise, sample_rate_hz=16_000, name="simulated", sha256="", codec="pcm_f32le")
    >>> quality = assess_quality(clip)
    >>> quality.usable, quality.band_hz, [note.code for note in quality.notes]
    (True, (20.0, 8000.0), [])
    """
    samples = np.asarray(clip.samples, dtype=np.float32)
    if clip.duration_s < _SHORTEST_S:
        text = (
            f"The clip lasts {written_below(clip.duration_s, _SHORTEST_S)} s; at least {_SHORTEST_S:.0f} s "
            "are needed. Record 20 to 60 s with the wheel turned slowly from stop to stop."
        )
        return _refused(clip, Note("too_short", text, severity="refusal"))
    mean = float(np.mean(samples))
    magnitude = np.abs(samples)
    rms = float(np.sqrt(max(float(np.dot(samples, samples)) / samples.size - mean * mean, 0.0)))
    if not np.isfinite(rms) or rms < _SILENCE_RMS:
        text = "The clip holds no sound. Uncover the microphone and record again."
        return _refused(clip, Note("silent", text, severity="refusal"))
    spectra = spectra_of(samples, clip.sample_rate_hz)
    mean_power = np.mean(spectra.power[:, 2:], axis=0)
    peak = int(np.argmax(mean_power))
    dominance = float(mean_power[max(0, peak - 1) : peak + 2].sum() / max(float(mean_power.sum()), 1e-30))
    found: list[Note | None] = []
    cut, share = clipping_notes(
        magnitude,
        clip.sample_rate_hz,
        dominance=dominance,
        quantised_coarsely=clip.codec in _COARSE_CODECS,
    )
    usable = True
    if share > ALL_CLIPPED_SHARE:
        usable = False
        text = (
            "The recording is overdriven all the time, so that little but false overtones is left. "
            "Hold the phone "
            "at least one metre away and record again."
        )
        found.append(Note("all_clipped", text, severity="refusal"))
    found += cut
    found.append(too_quiet_note(rms))
    gone = dropout_spans(magnitude, clip.sample_rate_hz)
    if gone:
        lengths = [end - start for start, end in gone]
        gone_share = sum(lengths) / clip.duration_s
        code, text = _dropout_note(
            gone_share, len(gone), max(lengths), is_bridged=can_be_bridged(samples, clip.sample_rate_hz, gone)
        )
        lost = gone_share > _DROPOUT_SHARE_REFUSED
        usable = usable and not lost
        found.append(Note(code, text, gone, severity="refusal" if lost else "warning"))
    upper_hz, lower_hz = upper_edge_hz(spectra), lower_edge_hz(spectra)
    limit = coding_limit(clip.codec)
    if limit is not None:
        lower_hz, upper_hz = max(lower_hz, limit.band_hz[0]), min(upper_hz, limit.band_hz[1])
    else:
        found.append(_band_note(upper_hz, clip))
        if lower_hz > 60.0:
            text = (
                f"Hardly anything below {lower_hz:.0f} Hz is in the clip: the phone filtered it out. "
                "The firing of an "
                "idling engine lies there, so engine speed must be heard from its overtones. Use a recorder "
                "without noise suppression or voice mode."
            )
            found.append(Note("band_cut_below", text, severity="info"))
    if not gone:
        found.append(gain_note(spectra, upper_hz))
    speech, wind = speech_note(spectra), wind_note(spectra)
    covered = tuple(span for note in (speech, wind) if note is not None for span in note.spans_s)
    found += [speech, wind, bump_note(spectra, covered), hum_note(spectra)]
    return Quality(
        usable=usable,
        notes=(*clip.notes, *(note for note in found if note is not None)),
        band_hz=(round(lower_hz, 1), round(upper_hz, 1)),
        levels_usable=limit is None,
    )
