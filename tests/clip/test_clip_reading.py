"""Channels, damaged and cut files, and every refusal by its words."""

from __future__ import annotations

import os
import struct
import subprocess
import sys
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile
from clip_signals import encode, engine_like
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from audiodiag.clip import assess_quality, decode, read_clip
from audiodiag.clip.channels import is_pulse_channel
from audiodiag.errors import ClipError
from audiodiag.records import Clip, Note

RATE = 16_000


def note_of(notes: tuple[Note, ...], code: str) -> Note:
    found = [note for note in notes if note.code == code]
    assert found, f"{code} not in {[note.code for note in notes]}"
    return found[0]


def wav(path: Path, samples: np.ndarray, rate_hz: int = RATE, subtype: str = "FLOAT") -> Path:
    soundfile.write(path, samples.T if samples.ndim == 2 else samples, rate_hz, subtype=subtype)
    return path


def pulses(n: int, every: int) -> np.ndarray:
    out = np.zeros(n)
    for width in range(12):
        out[width::every] = 0.9
    return out


# -- channels ---------------------------------------------------------------------------------------------


def test_silent_clipped_pulse_and_noisy_channels_are_passed_over(tmp_path: Path) -> None:
    good = engine_like(seed=1, duration_s=5.0, rate_hz=RATE)
    rng = np.random.default_rng(1)
    n = good.size
    table = np.stack(
        [
            np.zeros(n),
            np.clip(6.0 * good, -0.5, 0.5),
            pulses(n, 640),
            good + 0.2 * rng.standard_normal(n),
            good,
        ]
    )
    clip = read_clip(wav(tmp_path / "c.wav", table))
    assert (clip.channels, clip.channel_used) == (5, 5)
    assert clip.other_channels is not None
    assert clip.other_channels.shape == (4, n)
    note = note_of(clip.notes, "channel_chosen")
    assert note.severity == "info"
    assert "channel 5 was judged" in note.text
    assert "channel 3 carries pulses" in note.text
    assert np.allclose(clip.other_channels[2], table[2], atol=1e-6)


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_sound_is_preferred_to_pulses_on_either_side(tmp_path: Path, order: tuple[int, int]) -> None:
    good = engine_like(seed=2, duration_s=5.0, rate_hz=RATE)
    square = 0.5 * np.sign(np.sin(2 * np.pi * 30.0 * np.arange(good.size) / RATE)) + 0.2
    table = np.stack([good, square])[list(order)]
    assert read_clip(wav(tmp_path / "c.wav", table)).channel_used == order.index(0) + 1


def test_alike_channels_give_the_first(tmp_path: Path) -> None:
    good = engine_like(seed=2, duration_s=9.0, rate_hz=44_100)
    path = encode(tmp_path / "c.m4a", "aac", np.stack([good, good]), 44_100, bit_rate=128_000)
    clip = read_clip(path)
    assert (clip.channels, clip.channel_used) == (2, 1)
    assert "channel 1 was judged" in note_of(clip.notes, "channel_chosen").text


def test_asked_channel_is_used_and_a_missing_one_refused(tmp_path: Path) -> None:
    good = engine_like(seed=2, duration_s=4.0, rate_hz=RATE)
    path = wav(tmp_path / "c.wav", np.stack([good, 0.5 * good]))
    assert np.allclose(read_clip(path, channel=2).samples, 0.5 * good)
    for wrong in (0, 3, -1):
        with pytest.raises(ClipError, match=f"no channel {wrong}.*allowed: channels 1 to 2"):
            read_clip(path, channel=wrong)


@pytest.mark.parametrize("seed", range(6))
def test_engine_sound_is_never_taken_for_pulses(seed: int) -> None:
    assert not is_pulse_channel(engine_like(seed=seed, duration_s=4.0, noise_db=(-20.0, 0.0)[seed % 2]))
    assert is_pulse_channel(pulses(64_000, (400, 900, 2000)[seed % 3]) - 0.01 * seed)


def test_longest_sound_track_is_read(tmp_path: Path) -> None:
    path = tmp_path / "two.mkv"
    long, short = engine_like(seed=1, duration_s=9.0), engine_like(seed=2, duration_s=4.0)
    with av.open(str(path), "w") as out:
        streams = [out.add_stream("pcm_f32le", rate=48_000, layout="mono") for _ in range(2)]
        for stream, sound in zip(streams, (short, long), strict=True):
            for start in range(0, sound.size, 4800):
                part = np.ascontiguousarray(sound[None, start : start + 4800])
                frame = av.AudioFrame.from_ndarray(part, format="flt", layout="mono")
                frame.sample_rate, frame.pts = 48_000, start
                out.mux(stream.encode(frame))
            out.mux(stream.encode(None))
    clip = read_clip(path)
    assert clip.duration_s == pytest.approx(9.0, abs=0.01)
    assert "2 sound tracks; track 2" in note_of(clip.notes, "stream_chosen").text


# -- cut and damaged files --------------------------------------------------------------------------------


def fragmented_mp4(path: Path, sound: np.ndarray, options: dict[str, str]) -> Path:
    with av.open(str(path), "w", format="mp4", options=options) as out:
        stream = out.add_stream("aac", rate=48_000, layout="mono")
        for start in range(0, sound.size, 4096):
            part = np.ascontiguousarray(sound[None, start : start + 4096])
            frame = av.AudioFrame.from_ndarray(part, format="fltp", layout="mono")
            frame.sample_rate, frame.pts = 48_000, start
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


def cut(path: Path, share: float) -> Path:
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    return path


def test_cut_mp4_gives_what_is_there(tmp_path: Path) -> None:
    sound = engine_like(seed=5, duration_s=12.0)
    whole = fragmented_mp4(tmp_path / "c.mp4", sound, {"movflags": "faststart"})
    reference = read_clip(whole)
    clip = read_clip(cut(whole, 0.6))
    assert 5.0 < clip.duration_s < 9.0
    note = note_of(clip.notes, "truncated")
    assert "of the stated 12.0 s" in note.text
    assert np.allclose(clip.samples[:96_000], reference.samples[:96_000], atol=1e-6)


def test_cut_mp4_without_its_contents_is_explained(tmp_path: Path) -> None:
    path = cut(fragmented_mp4(tmp_path / "c.mp4", engine_like(seed=5, duration_s=6.0), {}), 0.6)
    with pytest.raises(ClipError, match=r"table of contents is missing.*copy it from the phone again"):
        read_clip(path)


@pytest.mark.parametrize(
    ("name", "coder", "rate_hz"),
    [
        ("c.mp3", "libmp3lame", 44_100),
        ("c.flac", "flac", 44_100),
        ("c.ogg", "libopus", 48_000),
        ("c.wav", "pcm_s16le", 16_000),
        ("c.aiff", "pcm_s16be", 16_000),
        ("c.webm", "libopus", 48_000),
    ],
)
def test_other_cut_files_give_what_is_there(tmp_path: Path, name: str, coder: str, rate_hz: int) -> None:
    path = encode(tmp_path / name, coder, engine_like(seed=5, duration_s=12.0, rate_hz=rate_hz), rate_hz)
    assert "truncated" not in [note.code for note in read_clip(path).notes]
    clip = read_clip(cut(path, 0.5))
    assert 4.0 < clip.duration_s < 8.0
    assert "breaks off" in note_of(clip.notes, "truncated").text


def test_damage_in_the_middle_is_survived(tmp_path: Path) -> None:
    sound = engine_like(seed=5, duration_s=10.0, rate_hz=44_100)
    path = encode(tmp_path / "c.m4a", "aac", sound, 44_100, bit_rate=96_000)
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 3000] = np.random.default_rng(0).integers(0, 256, 3000, dtype=np.uint8).tobytes()
    path.write_bytes(bytes(data))
    clip = read_clip(path)
    assert clip.duration_s == pytest.approx(10.0, abs=0.05)
    assert "damaged pieces" in note_of(clip.notes, "damaged").text
    assert np.all(np.isfinite(clip.samples))


def test_gap_in_the_time_stamps_becomes_silence(tmp_path: Path) -> None:
    sound = engine_like(seed=5, duration_s=6.0)
    block = 36 * 4096  # where a block of the coder (4608 samples) ends too
    path = encode(tmp_path / "c.mkv", "flac", sound, 48_000, start_at=(36,))
    clip = read_clip(path)
    assert clip.duration_s == pytest.approx(6.5, abs=0.02)
    note = note_of(clip.notes, "gaps_filled")
    (start, end) = note.spans_s[0]
    assert (start, end) == pytest.approx((block / 48_000, block / 48_000 + 0.5), abs=0.005)
    assert not np.any(clip.samples[int((start + 0.01) * 48_000) : int((end - 0.01) * 48_000)])
    assert "dropouts" in [found.code for found in assess_quality(clip).notes]


def test_few_bad_numbers_become_silence_and_many_are_refused(tmp_path: Path) -> None:
    sound = engine_like(seed=5, duration_s=9.0, rate_hz=RATE).copy()
    sound[RATE : RATE + 800] = np.nan
    sound[2 * RATE] = -np.inf
    clip = read_clip(wav(tmp_path / "few.wav", sound))
    note = note_of(clip.notes, "not_numbers")
    assert note.spans_s[0] == pytest.approx((1.0, 1.05))
    assert not np.any(clip.samples[RATE : RATE + 800])
    assert np.all(np.isfinite(clip.samples))
    sound[:] = np.nan
    with pytest.raises(ClipError, match=r"100 % of the samples are no numbers.*16 bit wav"):
        read_clip(wav(tmp_path / "all.wav", sound))


def test_floats_far_over_full_scale_are_scaled(tmp_path: Path) -> None:
    sound = engine_like(seed=5, duration_s=9.0, rate_hz=RATE)
    clip = read_clip(wav(tmp_path / "c.wav", sound * 32768.0))
    assert np.max(np.abs(clip.samples)) == pytest.approx(1.0)
    assert note_of(clip.notes, "scaled").severity == "info"


# -- refusals ---------------------------------------------------------------------------------------------


def silent_video(path: Path) -> Path:
    with av.open(str(path), "w") as out:
        stream = out.add_stream("mpeg4", rate=25)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        for _ in range(100):
            frame = av.VideoFrame.from_ndarray(np.zeros((48, 64, 3), dtype=np.uint8), format="rgb24")
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


CONTENTS = {
    "text.m4a": (b"Hello, here is the noise.\n" * 40, "holds no sound.*a text file.*new name"),
    "umlauts.wav": ("Geräusch beim Lenken, größer\n" * 300).encode(),
    "page.mp3": (
        b"<!DOCTYPE html><html><body>sign in</body></html>",
        "a web page.*save the recording itself",
    ),
    "list.m4a": (b"#EXTM3U\n#EXT-X-TARGETDURATION:9\nclip.aac\n", "a play list"),
    "zip.m4a": (b"PK\x03\x04" + bytes(500), "a zip archive.*unpack it"),
    "doc.mp4": (b"%PDF-1.7\n" + bytes(500), "a document"),
    "photo.mov": (b"\x89PNG\r\n\x1a\n" + bytes(500), "a picture"),
    "empty.m4a": (b"", "is empty.*0 bytes.*copy the clip from the phone again"),
    "zeros.m4a": (bytes(5000), "cannot be read as sound.*5000 bytes"),
    "half.mp4": (b"\x00\x00\x00\x18ftypmp42" + bytes(900), "table of contents is missing"),
}


@pytest.mark.parametrize("name", list(CONTENTS))
def test_files_without_sound_are_refused_in_words(tmp_path: Path, name: str) -> None:
    entry = CONTENTS[name]
    content, words = entry if isinstance(entry, tuple) else (entry, "a text file")
    (tmp_path / name).write_bytes(content)
    with pytest.raises(ClipError, match=words) as caught:
        read_clip(tmp_path / name)
    assert name in str(caught.value)
    assert caught.value.todo and caught.value.allowed


def test_missing_folder_and_device_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ClipError, match=r"there is no file gone\.m4a.*check the name"):
        read_clip(tmp_path / "gone.m4a")
    with pytest.raises(ClipError, match="no file"):
        read_clip("a\0b.wav")
    with pytest.raises(ClipError, match=r"is a folder.*the recording inside"):
        read_clip(tmp_path)
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe.wav")
        with pytest.raises(ClipError, match="not an ordinary file"):
            read_clip(tmp_path / "pipe.wav")


def test_permission_is_explained(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = wav(tmp_path / "c.wav", engine_like(seed=1, duration_s=4.0, rate_hz=RATE))

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "denied")

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(ClipError, match=r"may not be read.*no permission"):
        read_clip(path)


def test_video_without_sound_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ClipError, match=r"a video without a sound track.*microphone"):
        read_clip(silent_video(tmp_path / "v.mp4"))


def test_silence_and_shortness(tmp_path: Path) -> None:
    sound = engine_like(seed=1, duration_s=9.0, rate_hz=RATE)
    with pytest.raises(ClipError, match=r"is silent \(got silence.*uncover the microphone"):
        read_clip(wav(tmp_path / "s.wav", 0 * sound))
    with pytest.raises(ClipError, match="is silent"):
        read_clip(wav(tmp_path / "dc.wav", 0 * sound + 0.3))
    for length_s, said in ((2.9, "2.9"), (2.99, "2.99"), (2.999, "2.999")):
        with pytest.raises(ClipError, match=rf"too short \(got {said} s; allowed: at least 3 s"):
            read_clip(wav(tmp_path / "t.wav", sound[: int(length_s * RATE)]))
    assert (
        "only 7.5 s"
        in note_of(read_clip(wav(tmp_path / "k.wav", sound[: int(7.5 * RATE)])).notes, "short").text
    )
    assert "short" not in [n.code for n in read_clip(wav(tmp_path / "l.wav", sound[: 8 * RATE])).notes]


def test_three_hours_are_refused_before_decoding(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "long.wav"
    size = 3 * 3600 * 8000 * 2
    with soundfile.SoundFile(path, "w", 8000, 1, "PCM_16") as out:
        out.write(np.zeros(8000))
    head = bytearray(path.read_bytes()[:44])
    head[4:8], head[40:44] = (size + 36).to_bytes(4, "little"), size.to_bytes(4, "little")
    with path.open("wb") as handle:  # a file with a hole: three hours long, a few kilobytes on the disc
        handle.write(head)
        handle.truncate(size + 44)

    def never(*_: object) -> None:
        raise AssertionError("decoded although the container tells the length")

    monkeypatch.setattr(decode, "_demuxed", never)
    with pytest.raises(ClipError, match=r"too long.*180 minutes.*at most 20 minutes.*cut out the part"):
        read_clip(path)


def test_length_untold_is_stopped_at_the_limit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(decode, "MAX_DURATION_S", 6.0)
    path = encode(
        tmp_path / "c.aac",
        "aac",
        engine_like(seed=1, duration_s=9.0),
        48_000,
        bit_rate=64_000,
        container="adts",
    )
    with pytest.raises(ClipError, match=r"too long.*more than"):
        read_clip(path)


def test_memory_is_bounded_for_many_channels(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(decode, "MAX_SAMPLES_IN_ALL", 200_000)
    table = np.stack([engine_like(seed=1, duration_s=4.0, rate_hz=RATE)] * 4)
    with pytest.raises(ClipError, match="too large to be held in memory"):
        read_clip(wav(tmp_path / "c.wav", table))


def test_slow_sampling_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ClipError, match=r"sampled too slowly.*2000 samples a second"):
        read_clip(wav(tmp_path / "c.wav", engine_like(seed=1, duration_s=5.0, rate_hz=2000), 2000))


def test_encrypted_sound_is_refused(tmp_path: Path) -> None:
    path = encode(tmp_path / "c.m4a", "aac", engine_like(seed=1, duration_s=4.0), 48_000, bit_rate=64_000)
    data = path.read_bytes()
    assert data.count(b"mp4a") >= 1
    path.write_bytes(data.replace(b"mp4a", b"enca") + b"\x00\x00\x00\x0cfreesinf")
    with pytest.raises(ClipError, match=r"encrypted.*copy-protected|coding that this program cannot read"):
        read_clip(path)


def test_nothing_reaches_standard_error(tmp_path: Path) -> None:
    good = encode(
        tmp_path / "c.mp3", "libmp3lame", engine_like(seed=1, duration_s=5.0), 48_000, bit_rate=64_000
    )
    data = bytearray(good.read_bytes())
    data[9000:12_000] = bytes(range(250)) * 12
    (tmp_path / "bad.mp3").write_bytes(bytes(data))
    (tmp_path / "worse.m4a").write_bytes(b"\x00\x00\x00\x18ftypM4A " + bytes(data))
    code = (
        "import sys; from audiodiag.clip import read_clip; from audiodiag.errors import ClipError\n"
        "for name in sys.argv[1:]:\n"
        "    try: print(read_clip(name).codec)\n"
        "    except ClipError as error: print('refused')\n"
    )
    names = [str(tmp_path / name) for name in ("c.mp3", "bad.mp3", "worse.m4a")]
    done = subprocess.run([sys.executable, "-c", code, *names], capture_output=True, text=True, check=True)
    assert done.stderr == ""
    assert done.stdout.split() == ["mp3", "mp3", "refused"]


# -- any bytes at all -------------------------------------------------------------------------------------

HEADS = [
    b"",
    b"RIFF\x24\x08\x00\x00WAVEfmt ",
    b"fLaC",
    b"OggS\x00\x02",
    b"ID3\x04\x00",
    b"\xff\xf1\x50\x80",
    b"#!AMR\n",
]
HEADS += [
    b"\x00\x00\x00\x18ftypM4A \x00\x00",
    b"\x1aE\xdf\xa3",
    b"FORM\x00\x00\x10\x00AIFF",
    b"\xff\xfb\x90\x64",
]


@settings(max_examples=120, deadline=None, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(head=st.sampled_from(HEADS), body=st.binary(max_size=3000))
def test_random_bytes_give_words_or_a_clip(
    tmp_path_factory: pytest.TempPathFactory, head: bytes, body: bytes
) -> None:
    path = tmp_path_factory.mktemp("bytes") / "x.m4a"
    path.write_bytes(head + body)
    try:
        clip = read_clip(path)
    except ClipError as error:
        assert error.what and error.got and error.allowed and error.todo
    else:
        assert isinstance(clip, Clip)


@pytest.mark.filterwarnings("error")
def test_samples_that_are_no_numbers_and_would_signal_it_are_told_of_without_a_warning(
    tmp_path: Path,
) -> None:
    samples = (0.1 * np.random.default_rng(1).standard_normal(64_000)).astype("<f4")
    samples.view("<u4")[1000:1003] = 0x7FA00000  # a signalling not-a-number
    data = samples.tobytes()
    form = struct.pack("<IHHIIHH", 16, 3, 1, 16_000, 64_000, 4, 32)
    head = b"RIFF" + struct.pack("<I", 36 + len(data)) + b"WAVEfmt " + form
    path = tmp_path / "signalling.wav"
    path.write_bytes(head + b"data" + struct.pack("<I", len(data)) + data)
    clip = read_clip(path)
    assert np.all(np.isfinite(clip.samples))
    assert "not_numbers" in [note.code for note in clip.notes]


@settings(max_examples=25, deadline=None, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(data=st.data())
def test_flipped_bytes_give_words_or_a_finite_clip(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    folder = tmp_path_factory.mktemp("flips")
    name, coder, rate_hz = data.draw(
        st.sampled_from(
            [("c.m4a", "aac", 16_000), ("c.3gp", "libopencore_amrnb", 8_000), ("c.wav", "pcm_f32le", 8_000)]
        )
    )
    t = np.arange(4 * rate_hz) / rate_hz
    path = encode(folder / name, coder, 0.2 * np.sin(900 * t) + 0.1 * np.sin(2000 * t), rate_hz)
    content = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 30))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    path.write_bytes(bytes(content))
    try:
        clip = read_clip(path)
    except ClipError:
        return
    assert np.all(np.isfinite(clip.samples))
    assert_quality = assess_quality(clip)
    assert np.all(np.isfinite(assert_quality.band_hz))
