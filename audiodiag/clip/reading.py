"""Read a recording into a ``Clip``: one channel, a known rate, and a note for everything that was done to
it."""

from __future__ import annotations

import hashlib
import re
import stat
from pathlib import Path

import numpy as np

from audiodiag.clip.channels import SILENCE_RMS, choose_channel
from audiodiag.clip.codecs import coding_notes
from audiodiag.clip.decode import Decoded, decode_file
from audiodiag.clip.sniff import (
    ACCEPTED,
    HEAD_BYTES,
    ending_is_missing,
    refuse_empty_shape,
    refuse_what_is_no_sound,
    title_of_3gp,
)
from audiodiag.errors import ClipError, written_below
from audiodiag.records import Clip, FloatArray, Note, Span, read_only

__all__ = ["ANALYSIS_RATE_HZ", "MIN_DURATION_S", "SHORT_DURATION_S", "read_clip"]

MIN_DURATION_S = 3.0
"""Shortest recording that is taken, in seconds."""
SHORT_DURATION_S = 8.0
"""Length in seconds below which a recording is taken with a warning."""
ANALYSIS_RATE_HZ = 48_000
"""Rate to which faster recordings are brought."""

_RATE_KEPT_UP_TO_HZ = 50_000
_LOWEST_RATE_HZ = 4_000
_WILD_PEAK = 4.0
_BAD_SHARE_REFUSED = 0.5
_BAD_SHARE_RARE = 0.05
_SIMULATED = re.compile(r"(?<![a-z])simulated(?![a-z])", re.IGNORECASE)


def _check_file(path: Path) -> int:
    """Refuse what is not a readable file with something in it; give its size in bytes."""
    try:
        status = path.stat()
    except (OSError, ValueError) as error:
        if isinstance(error, PermissionError):
            raise _no_permission(path) from error
        raise ClipError(
            f"there is no file {_shown(path)}",
            got="a name that leads to nothing",
            allowed=ACCEPTED,
            todo="check the name and the folder; put names with spaces in quotation marks",
        ) from error
    if stat.S_ISDIR(status.st_mode):
        raise ClipError(
            f"{_shown(path)} is a folder",
            got="a folder",
            allowed=ACCEPTED,
            todo="give the recording inside the folder",
        )
    if not stat.S_ISREG(status.st_mode):
        raise ClipError(
            f"{_shown(path)} is not an ordinary file",
            got="a device or a pipe",
            allowed=ACCEPTED,
            todo="save the recording as a file first",
        )
    if status.st_size == 0:
        raise ClipError(
            f"{_shown(path)} is empty",
            got="0 bytes",
            allowed=ACCEPTED,
            todo="copy the clip from the phone again and wait until the copy has finished",
        )
    return status.st_size


def _shown(path: Path) -> str:
    return "".join(c if c.isprintable() else "?" for c in (path.name or str(path)))


def _no_permission(path: Path) -> ClipError:
    return ClipError(
        f"{_shown(path)} may not be read",
        got="no permission to read it",
        allowed="a file that you may read",
        todo="copy the clip into a folder of your own, or change the permission of the file",
    )


def _hash_and_head(path: Path) -> tuple[str, bytes]:
    digest = hashlib.sha256()
    try:
        with path.open("rb") as handle:
            head = handle.read(HEAD_BYTES)
            digest.update(head)
            while block := handle.read(1 << 20):
                digest.update(block)
    except PermissionError as error:
        raise _no_permission(path) from error
    except OSError as error:
        raise ClipError(
            f"{_shown(path)} cannot be read from its drive",
            got="an error of the drive",
            allowed="a readable file",
            todo="copy the clip from the phone again",
        ) from error
    return digest.hexdigest(), head


def _spans(bad: np.ndarray, rate_hz: int) -> tuple[Span, ...]:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], bad, [False])).astype(np.int8)))
    starts, ends = edges[::2], edges[1::2]
    return tuple(
        (float(a) / rate_hz, float(b) / rate_hz) for a, b in zip(starts[:50], ends[:50], strict=True)
    )


def _without_bad_numbers(
    channels: FloatArray, rate_hz: int, used: int | None, name: str
) -> tuple[FloatArray, list[Note]]:
    """Replace samples that are no numbers by silence; refuse where they are most of the clip."""
    notes: list[Note] = []
    finite = np.isfinite(channels)
    if not finite.all():
        share_each = 1.0 - np.mean(finite, axis=1)
        share = float(share_each[used - 1] if used else np.min(share_each))
        if share > _BAD_SHARE_REFUSED:
            raise ClipError(
                f"{name} holds no usable sound",
                got=f"{100 * share:.0f} % of the samples are no numbers",
                allowed="samples that are numbers",
                todo="export the clip again as 16 bit wav or send the phone's own file",
            )
        channels = np.where(finite, channels, np.float32(0.0))
        worst = ~finite[used - 1 if used else int(np.argmin(share_each))]
        rare = share <= _BAD_SHARE_RARE
        notes.append(
            Note(
                "not_numbers",
                f"{max(100 * share, 0.01):.2f} % of the samples are no numbers and were made silent"
                + ("." if rare else "; so much is missing that the result is doubtful.")
                + " Export the clip again as 16 bit wav or send the phone's own file.",
                _spans(worst, rate_hz),
            )
        )
    peak = float(np.max(np.abs(channels))) if channels.size else 0.0
    if peak > _WILD_PEAK:
        channels = (channels / np.float32(peak)).astype(np.float32)
        notes.append(
            Note(
                "scaled",
                f"The samples reach {peak:.3g} times full scale and were scaled down together; levels are "
                "relative anyway.",
                severity="info",
            )
        )
    return channels, notes


def _resampled(channels: FloatArray, rate_hz: int) -> FloatArray:
    """Bring channels, shape (channels, n), to ``ANALYSIS_RATE_HZ`` with a Kaiser-windowed polyphase low-pass.

    Pass band to 0.9 of the new half rate, 80 dB down from 1.0 of it upwards (Kaiser's design formula in
    Oppenheim and Schafer, Discrete-Time Signal Processing, 3rd ed., equations 7.75 and 7.76; equation
    numbers from memory).
    """
    from math import gcd

    from scipy.signal import firwin, resample_poly

    common = gcd(rate_hz, ANALYSIS_RATE_HZ)
    up, down = ANALYSIS_RATE_HZ // common, rate_hz // common
    if up > 2000:  # an odd rate: the nearest simple ratio, off by less than one part in a million
        from fractions import Fraction

        ratio = Fraction(ANALYSIS_RATE_HZ, rate_hz).limit_denominator(2000)
        up, down = ratio.numerator, ratio.denominator
    attenuation_db, width = 80.0, 0.1 / max(up, down)
    taps = int(np.ceil((attenuation_db - 8.0) / (2.285 * np.pi * width))) | 1
    beta = 0.1102 * (attenuation_db - 8.7)
    low_pass = firwin(taps, 0.95 / max(up, down), window=("kaiser", beta)).astype(np.float32)
    return np.asarray(resample_poly(channels, up, down, axis=1, window=low_pass)).astype(np.float32)


def _check_length(duration_s: float, name: str, truncated: bool) -> list[Note]:
    if duration_s < MIN_DURATION_S:
        raise ClipError(
            f"{name} is too short" + (" after the part that can be read" if truncated else ""),
            got=f"{written_below(duration_s, MIN_DURATION_S)} s",
            allowed=f"at least {MIN_DURATION_S:.0f} s, better 20 to 60 s",
            todo="record half a minute with the engine idling while the wheel is turned slowly from stop "
            "to stop",
        )
    if duration_s < SHORT_DURATION_S:
        return [
            Note(
                "short",
                f"The clip lasts only {written_below(duration_s, SHORT_DURATION_S)} s, so little can be "
                "compared within it and the result is less sure. Record 20 to 60 s: some seconds with the "
                "wheel at rest, then turned slowly from stop to stop.",
            )
        ]
    return []


def _simulated_note(titles: tuple[str, ...]) -> list[Note]:
    """Say that a recording is none where its own title calls it simulated."""
    if not any(_SIMULATED.search(title) for title in titles):
        return []
    text = "This is a simulated recording, as the title in the file says, and not a real car."
    return [Note("simulated", text, severity="info")]


def _pick(decoded: Decoded, channels: FloatArray, channel: int | None, name: str) -> tuple[int, list[Note]]:
    count = channels.shape[0]
    if channel is not None:
        if count == 1:
            return 1, []
        return channel, [
            Note("channel_chosen", f"Channel {channel} of {count} was judged, as asked.", severity="info")
        ]
    choice = choose_channel(channels, decoded.sample_rate_hz)
    if count == 1:
        return 1, []
    text = f"The file has {count} channels; channel {choice.number} was judged: {choice.reason}."
    return choice.number, [Note("channel_chosen", text, severity="info")]


def read_clip(path: str | Path, *, channel: int | None = None) -> Clip:
    """Read a recording from any phone, messenger or recorder.

    Parameters
    ----------
    path:
        The file; its content decides how it is read, not its ending.
    channel:
        The channel to listen to, counted from 1; None chooses the best one.

    Returns
    -------
    Clip
        ``samples`` float32, shape (n,), full scale 1, at the file's rate or, for files above 50 kHz, at
        48 kHz; ``other_channels`` float32, shape (channels - 1, n), or None; notes on everything that was
        done: channel, resampling, gaps, damage, limits of the coding; first of all ``simulated`` where the
        title in the file says so. Other tags (place, device, time) are not taken over.

    Raises
    ------
    ClipError
        Missing, unreadable, empty, no sound, encrypted, too short, too long, silent, no numbers, or no such
        channel; the words say which and what to do.

    Example
    -------
    >>> import tempfile, wave, numpy as np
    >>> tone = (8000 * np.sin(np.arange(8000 * 9) * 0.3)).astype("<i2")
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = Path(folder) / "clip.wav"
    ...     with wave.open(str(file), "wb") as out:
    ...         out.setparams((1, 2, 8000, 0, "NONE", ""))
    ...         out.writeframes(tone.tobytes())
    ...     clip = read_clip(file)
    >>> clip.duration_s, clip.sample_rate_hz, clip.codec, [note.code for note in clip.notes]
    (9.0, 8000, 'pcm_s16le', ['rate_limits_band'])
    """
    path = Path(path)
    name = _shown(path)
    size_bytes = _check_file(path)
    sha256, head = _hash_and_head(path)
    refuse_what_is_no_sound(head, name)
    refuse_empty_shape(head, name)
    decoded = decode_file(path, head=head, broken_end=ending_is_missing(path, head, size_bytes))
    count = decoded.channels.shape[0]
    if channel is not None and not (isinstance(channel, int) and 1 <= channel <= count):
        raise ClipError(
            f"{name} has no channel {channel}",
            got=f"channel {channel}",
            allowed="channel 1" if count == 1 else f"channels 1 to {count}",
            todo="give one of these, or leave the channel out and the best one is chosen",
        )
    rate_hz = decoded.sample_rate_hz
    if rate_hz < _LOWEST_RATE_HZ:
        raise ClipError(
            f"{name} is sampled too slowly",
            got=f"{rate_hz} samples a second",
            allowed=f"at least {_LOWEST_RATE_HZ}, better 44100 or 48000",
            todo="set the recorder to its highest quality and record again",
        )
    notes = _simulated_note((*decoded.titles, title_of_3gp(path, head))) + list(decoded.notes)
    truncated = any(note.code == "truncated" for note in notes)
    notes += _check_length(decoded.channels.shape[1] / rate_hz, name, truncated)
    channels, more = _without_bad_numbers(decoded.channels, rate_hz, channel, name)
    notes += more
    used, more = _pick(decoded, channels, channel, name)
    notes += more
    chosen = channels[used - 1]
    rms = float(np.sqrt(np.mean(np.square(chosen - np.mean(chosen)), dtype=np.float64)))
    if rms < SILENCE_RMS:
        raise ClipError(
            f"{name} is silent" if count == 1 or channel is None else f"channel {used} of {name} is silent",
            got="silence"
            if rms == 0.0
            else f"a level of {20 * np.log10(rms):.0f} dB below full scale".replace("-", ""),
            allowed="sound",
            todo="uncover the microphone, let the recorder use it in the phone's settings, and record again",
        )
    if rate_hz > _RATE_KEPT_UP_TO_HZ:
        channels = _resampled(channels, rate_hz)
        notes.append(
            Note(
                "resampled",
                f"The clip has {rate_hz} samples a second; it was brought to {ANALYSIS_RATE_HZ} for the "
                "analysis, which keeps all that can be heard.",
                severity="info",
            )
        )
    notes += coding_notes(decoded.codec, bit_rate=decoded.bit_rate, channels=count, sample_rate_hz=rate_hz)
    return Clip(
        samples=read_only(np.ascontiguousarray(channels[used - 1])),
        sample_rate_hz=ANALYSIS_RATE_HZ if rate_hz > _RATE_KEPT_UP_TO_HZ else rate_hz,
        name=name,
        sha256=sha256,
        codec=decoded.codec,
        channels=count,
        channel_used=used,
        file_sample_rate_hz=rate_hz,
        bit_rate=decoded.bit_rate,
        notes=tuple(notes),
        other_channels=None if count == 1 else read_only(np.delete(channels, used - 1, axis=0)),
    )
