"""What a coding and a sample rate leave of the sound: limits known before a sample is looked at.

The figures are facts of the codings: AMR narrow band is 8000 samples a second in frames of 20 ms with a
high-pass near 80 Hz (3GPP TS 26.090); AMR wide band carries 50 Hz to 6.4 kHz (3GPP TS 26.190, clause 5.1);
Opus narrows its band at low bit rates (RFC 6716, section 2). That AMR falsifies levels and depths of
modulation, and that low-rate AAC and Opus change the level of noise, was measured with an engine-like
mix of tones and noise: AMR changed levels by up to 20 dB and a modulation depth of 0.50 to between 0.28
and 0.70; AAC
at 32 kbit/s raised noise by 2.3 dB, Opus at 16 kbit/s lowered it by 1.7 dB.
"""

from __future__ import annotations

from dataclasses import dataclass

from audiodiag.records import Note

__all__ = ["SPEECH_CODINGS", "CodingLimit", "coding_limit", "coding_notes"]


@dataclass(frozen=True)
class CodingLimit:
    """What a speech coding can carry: its plain name and its band in hertz."""

    title: str
    band_hz: tuple[float, float]


SPEECH_CODINGS: dict[str, CodingLimit] = {
    "amr_nb": CodingLimit("AMR, a telephone coding", (150.0, 3400.0)),
    "amr_wb": CodingLimit("AMR wide band, a telephone coding", (60.0, 6400.0)),
    "gsm": CodingLimit("GSM, a telephone coding", (150.0, 3400.0)),
    "gsm_ms": CodingLimit("GSM, a telephone coding", (150.0, 3400.0)),
    "qcelp": CodingLimit("QCELP, a telephone coding", (150.0, 3400.0)),
    "evrc": CodingLimit("EVRC, a telephone coding", (150.0, 3400.0)),
    "g723_1": CodingLimit("G.723.1, a telephone coding", (150.0, 3400.0)),
    "g729": CodingLimit("G.729, a telephone coding", (150.0, 3400.0)),
    "ilbc": CodingLimit("iLBC, a telephone coding", (150.0, 3400.0)),
    "speex": CodingLimit("Speex, a speech coding", (150.0, 7000.0)),
}
"""Codings that rebuild speech from a model of the voice; levels and modulation depths are not to be
trusted."""

_LOW_RATE_PER_CHANNEL = {"aac": 48_000, "opus": 24_000, "mp3": 64_000, "vorbis": 40_000}
_SQUEAL_TOP_HZ = 9_000.0
_BAND_WANTED_HZ = 12_000.0


def coding_limit(codec: str) -> CodingLimit | None:
    """Give the limits of a speech coding, None for any other.

    >>> coding_limit("amr_nb").band_hz
    (150.0, 3400.0)
    >>> coding_limit("aac") is None
    True
    """
    return SPEECH_CODINGS.get(codec)


def coding_notes(codec: str, *, bit_rate: int | None, channels: int, sample_rate_hz: int) -> tuple[Note, ...]:
    """Say in sentences what the coding and the sample rate (samples a second) have taken away.

    ``bit_rate`` is in bits a second over all channels, None where it is not known.

    >>> [note.code for note in coding_notes("amr_nb", bit_rate=12_200, channels=1, sample_rate_hz=8000)]
    ['codec_speech', 'rate_limits_band']
    >>> coding_notes("pcm_s16le", bit_rate=None, channels=1, sample_rate_hz=48_000)
    ()
    """
    notes: list[Note] = []
    limit = coding_limit(codec)
    if limit is not None:
        low, high = limit.band_hz
        lost = (
            "the firing of an idling engine and the noise of the belt cannot be judged from it"
            if high < 5000.0
            else "the lowest engine sounds and the highest belt noises cannot be judged from it"
        )
        notes.append(
            Note(
                "codec_speech",
                f"The clip is coded with {limit.title}. It keeps nothing below about {low:.0f} Hz or above "
                f"about {high / 1000:.1f} kHz, so {lost}; frequencies are kept, but levels and the depth of "
                "modulation are not usable. Record with the phone's voice recorder at its highest quality "
                "(m4a or wav) and send it as a file, not as a voice message.",
            )
        )
    per_channel = None if bit_rate is None else bit_rate / max(channels, 1)
    floor = _LOW_RATE_PER_CHANNEL.get(codec)
    if floor is not None and per_channel is not None and per_channel <= floor * 1.02:
        notes.append(
            Note(
                "codec_low_rate",
                f"The clip is packed tightly ({codec} at {per_channel / 1000:.0f} kbit/s a channel). Tones "
                "keep their frequency, but the level of noise is changed by a few decibels and the highest "
                "sounds may be missing: compare before and after only between clips of the same coding and "
                "bit rate. Set the recorder to high quality, and send the clip as a file.",
            )
        )
    top_hz = sample_rate_hz / 2.0
    if top_hz < _BAND_WANTED_HZ:
        unheard = (
            "most of the squeal, the chirp and the hiss lie above that and cannot be heard"
            if top_hz < 0.6 * _SQUEAL_TOP_HZ
            else "the upper part of squeal, chirp and hiss cannot be heard"
        )
        notes.append(
            Note(
                "rate_limits_band",
                f"The clip has {sample_rate_hz} samples a second and so carries nothing above "
                f"{top_hz / 1000:.1f} kHz: {unheard}. That no such sound is found proves nothing. Set the "
                "recorder to 44.1 or 48 kHz.",
            )
        )
    return tuple(notes)
