"""Codecs: what comes back stands where it stood, and files are what they claim."""

from pathlib import Path

import av
import numpy as np
import pytest

from audiodiag.errors import UsageError
from audiodiag.simulation import encode, through_codec
from audiodiag.simulation.codecs import resample

CASES = [
    ("wav", 44100, None, 0.9999),
    ("flac", 48000, None, 0.9999),
    ("m4a", 44100, 64_000, 0.95),
    ("m4a", 16000, 32_000, 0.95),
    ("mp3", 44100, 64_000, 0.95),
    ("mp3", 22050, 48_000, 0.95),
    ("opus", 48000, 32_000, 0.85),
    ("opus", 16000, 16_000, 0.6),
    ("3gp", 8000, 12_200, 0.6),
    ("3gp", 8000, 4_750, 0.4),
]


def bursts(rate: int) -> np.ndarray:
    """Tone bursts of 700 and 1300 Hz at irregular times over weak noise, 3 s."""
    rng = np.random.default_rng(1)
    time = np.arange(3 * rate) / rate
    out = 0.003 * rng.standard_normal(len(time))
    for at, hz in ((0.31, 700), (0.9, 1300), (1.47, 700), (2.2, 1300), (2.71, 700)):
        out += 0.4 * np.exp(-(((time - at) / 0.02) ** 2)) * np.sin(2 * np.pi * hz * (time - at))
    return out.astype(np.float32)


@pytest.mark.parametrize(("codec", "rate", "bit_rate", "alike"), CASES)
def test_round_trip_keeps_length_and_place(codec: str, rate: int, bit_rate: int | None, alike: float) -> None:
    sound = bursts(rate)
    back = through_codec(sound, rate, codec, bit_rate)
    assert back.shape == sound.shape and back.dtype == np.float32
    lags = range(-20, 21)
    middle = slice(100, len(sound) - 100)
    match = [float(np.dot(np.roll(back, -lag)[middle], sound[middle])) for lag in lags]
    assert abs(list(lags)[int(np.argmax(match))]) <= 1
    likeness = np.dot(back, sound) / np.sqrt(np.dot(back, back) * np.dot(sound, sound))
    assert likeness > alike


@pytest.mark.parametrize(("codec", "rate", "bit_rate", "alike"), CASES)
def test_file_is_decodable_and_says_that_it_is_simulated(
    tmp_path: Path, codec: str, rate: int, bit_rate: int | None, alike: float
) -> None:
    path = encode(bursts(rate), rate, tmp_path / f"a.{codec}", codec, bit_rate, title="Simulated clip")
    with av.open(str(path), "r") as container:
        stream = container.streams.audio[0]
        seconds = sum(frame.samples for frame in container.decode(audio=0)) / stream.rate
        said = {**container.metadata, **stream.metadata}
    assert seconds == pytest.approx(3.0, abs=0.12)
    # The decoder does not hand on the title of a 3gp file; it stands in the file's bytes.
    title = b"Simulated clip" in path.read_bytes() if codec == "3gp" else said.get("title", said.get("TITLE"))
    assert title in (True, "Simulated clip")
    if bit_rate and codec != "3gp":
        assert path.stat().st_size * 8 / 3 < 1.8 * bit_rate + 20_000


def test_amr_passes_only_the_telephone_band() -> None:
    """AMR narrow-band: 8000 samples/s, encoder high-pass at 80 Hz (3GPP TS 26.090)."""
    rate = 44100
    time = np.arange(3 * rate) / rate
    tones = sum(0.2 * np.sin(2 * np.pi * hz * time) for hz in (30.0, 500.0, 6000.0)).astype(np.float32)
    back = through_codec(tones, rate, "3gp", 12_200)
    spectrum = np.abs(np.fft.rfft(back * np.hanning(len(back))))
    level = {hz: spectrum[round(hz * 3) - 3 : round(hz * 3) + 4].max() for hz in (30.0, 500.0, 6000.0)}
    assert level[30.0] < 0.1 * level[500.0]
    assert level[6000.0] < 0.01 * level[500.0]


def test_unknown_codec_is_refused_in_words() -> None:
    with pytest.raises(UsageError, match=r"unknown codec .*'wma'.*m4a"):
        through_codec(np.zeros(8000, np.float32), 8000, "wma")


@pytest.mark.parametrize(
    ("rate", "new_rate"), [(32000, 22050), (48000, 8000), (32000, 16000), (44100, 48000)]
)
def test_resampling_keeps_a_tone(rate: int, new_rate: int) -> None:
    tone = np.sin(2 * np.pi * 440 * np.arange(rate) / rate).astype(np.float32)
    out = resample(tone, rate, new_rate)
    assert len(out) == new_rate
    expected = np.sin(2 * np.pi * 440 * np.arange(new_rate) / new_rate)
    assert np.abs(out - expected)[500:-500].max() < 0.01


def test_quick_and_thorough_aac_differ_and_both_keep_the_sound() -> None:
    sound = bursts(44100)
    quick, thorough = (through_codec(sound, 44100, "m4a", 64_000, quick=way) for way in (True, False))
    assert not np.array_equal(quick, thorough)
    for back in (quick, thorough):
        assert np.corrcoef(sound, back)[0, 1] > 0.95
    assert np.array_equal(*(through_codec(sound, 44100, "mp3", 64_000, quick=way) for way in (True, False)))
