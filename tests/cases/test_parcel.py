"""What goes into a parcel: the sound to the byte, the diagnosis of it, and nothing of place or device."""

from __future__ import annotations

import hashlib
import io
import json

import av
import numpy as np
import pytest

from audiodiag.cases import check_parcel, pack_parcel, strip_recording, tags_of
from audiodiag.cases.muting import mute_speech
from audiodiag.cases.stripping import flac_of
from audiodiag.cli import main
from audiodiag.clip import read_clip
from audiodiag.errors import ParcelError
from audiodiag.report.page import PageClip
from audiodiag.report.wording import is_simulated
from audiodiag.resources import shipped_folder
from tests.report.examples import squeal_analysis

DEMO = shipped_folder("recordings_demo")
SECRETS = ("+48.2082+016.3738/", "Phone of Kim", "Kim's garage", "2026-03-05", "Recorder 7.1", "13.37")


def phone_clip(path, *, video: bool = False):
    """A clip as a phone may send it: the sound of a simulated clip, with place, device, time, pictures."""
    with (
        av.open(str(DEMO / "03_pump_whine.m4a")) as source,
        av.open(str(path), "w", format="mp4", options={"movflags": "use_metadata_tags"}) as out,
    ):
        out.metadata.update(
            {
                "title": SECRETS[2],
                "location": SECRETS[0],
                "com.apple.quicktime.location.ISO6709": SECRETS[0],
                "com.android.model": SECRETS[1],
                "make": "Phone of Kim",
                "creation_time": "2026-03-05T10:00:00.000000Z",
                "encoder": SECRETS[4],
                "comment": f"altitude {SECRETS[5]}",
            }
        )
        (sound,) = source.streams.audio
        track = out.add_stream_from_template(sound)
        track.metadata["handler_name"] = SECRETS[1]
        pictures = None
        if video:
            pictures = out.add_stream("mpeg4", rate=5)
            pictures.width, pictures.height = 64, 48
            pictures.pix_fmt = "yuv420p"
        packets = [p for p in source.demux(sound) if p.size]
        for packet in packets:
            packet.stream = track
            out.mux(packet)
        if pictures is not None:
            for number in range(10):
                frame = av.VideoFrame.from_ndarray(
                    np.full((48, 64, 3), 20 * number, np.uint8), format="rgb24"
                )
                out.mux(pictures.encode(frame))
            out.mux(pictures.encode(None))
    return path


def packets_of(source) -> list[bytes]:
    opened = io.BytesIO(source) if isinstance(source, bytes) else str(source)
    with av.open(opened) as media:
        return [bytes(p) for p in media.demux(media.streams.audio[0]) if p.size]


def quick_look(path):
    """A made-up diagnosis, so that a parcel is made at once."""
    return PageClip(squeal_analysis())


@pytest.mark.parametrize("video", [False, True])
def test_place_and_device_are_taken_out_and_the_sound_stays_to_the_byte(tmp_path, video):
    mutagen = pytest.importorskip("mutagen")
    clip = phone_clip(tmp_path / "phone.mp4", video=video)
    before = clip.read_bytes()
    assert sum(secret.encode() in before for secret in SECRETS) >= 4, (
        "the clip must tell what is to be removed"
    )
    stripped = strip_recording(clip)
    assert not [secret for secret in SECRETS if secret.encode() in stripped.content]
    assert tags_of(stripped.content) == ()
    general = mutagen.File(io.BytesIO(stripped.content))
    assert not (general.tags or {})
    with av.open(io.BytesIO(stripped.content)) as media:
        assert [stream.type for stream in media.streams] == ["audio"]
    assert stripped.how == "copied" and packets_of(stripped.content) == packets_of(clip)
    removed = {(tag.name.lower(), tag.value) for tag in stripped.removed}
    assert ("title", SECRETS[2]) in removed and any(SECRETS[0] in value for _, value in removed)
    assert any(tag.value == "a video track" for tag in stripped.removed) == video


@pytest.mark.parametrize(
    "name", ["03_pump_whine.m4a", "05_belt_squeal.mp3", "06_belt_chirp.opus", "12_whine_old_phone.3gp"]
)
def test_every_kind_of_clip_is_freed_of_its_tags(name, tmp_path):
    stripped = strip_recording(DEMO / name, simulated=True)
    assert {(tag.name.lower(), tag.value) for tag in tags_of(stripped.content)} <= {("title", "simulated")}
    (tmp_path / f"plain{stripped.ending}").write_bytes(stripped.content)
    assert is_simulated(read_clip(tmp_path / f"plain{stripped.ending}")), (
        "it must still say that it is simulated"
    )
    assert packets_of(stripped.content) == packets_of(DEMO / name)
    assert b"seed" not in stripped.content


def test_plain_samples_become_flac_without_loss(tmp_path):
    import soundfile

    sound = np.random.default_rng(1).integers(-20000, 20000, (96000, 2)).astype(np.int16)
    soundfile.write(tmp_path / "a.wav", sound, 24000, subtype="PCM_16")
    stripped = strip_recording(tmp_path / "a.wav")
    assert stripped.how == "flac"
    back, rate = soundfile.read(io.BytesIO(stripped.content), dtype="int16")
    assert rate == 24000 and np.array_equal(back, sound)


def test_parcel_returns_recordings_to_the_byte_and_the_same_numbers(tmp_path):
    out = tmp_path / "p.zip"
    clip = str(DEMO / "05_belt_squeal.mp3")
    assert main(["pack", clip, "--out", str(out), "--note", "heard when cold"]) in (0, 3)
    checked = check_parcel(out)
    (content,) = checked.recordings.values()
    assert packets_of(content) == packets_of(clip)
    row = json.loads(checked.files["data/analysis.jsonl"])
    assert row["clip"]["sha256"] == hashlib.sha256(content).hexdigest()
    assert row["clip"]["file"] == "recording-01.mp3"
    assert checked.files["data/notes.txt"] == b"heard when cold\n"
    page = checked.files["data/report.html"].decode("utf-8")
    assert "a simulated clip" in page and "05_belt_squeal" not in page
    assert b"05_belt_squeal" not in out.read_bytes()
    assert main(["unpack", str(out), "--out", str(tmp_path / "case")]) == 0
    assert (tmp_path / "case" / "data" / "recordings" / "recording-01.mp3").read_bytes() == content


def spoken_clip(rate_hz: int = 16000) -> np.ndarray:
    """A simulated engine with syllables of a voice from 6 to 10 s, two channels."""
    rng = np.random.default_rng(3)
    time_s = np.arange(14 * rate_hz) / rate_hz
    sound = 0.01 * rng.standard_normal(time_s.size)
    for order in (1, 2, 4, 6):
        sound += 0.03 * np.sin(2 * np.pi * 13 * order * time_s + order)
    for number, start in enumerate(np.arange(6.0, 10.0, 0.35)):
        at = (time_s >= start) & (time_s < start + 0.22)
        local = time_s[at] - start
        pitch = 120 + 40 * ((-1) ** number) + 90 * local * ((-1) ** (number // 2))
        phase = 2 * np.pi * np.cumsum(pitch) / rate_hz
        swell = np.sin(np.pi * local / 0.22)
        sound[at] += sum(0.25 / k * np.sin(k * phase) for k in range(1, 14)) * swell
    return np.stack([sound, 0.5 * sound]).astype(np.float32)


def test_speech_is_silenced_in_every_channel(tmp_path):
    (tmp_path / "spoken.flac").write_bytes(flac_of(spoken_clip(), 16000, simulated=True))
    muted = mute_speech(read_clip(tmp_path / "spoken.flac"))
    assert muted.spans_s, "the voice must be found"
    low, high = muted.spans_s[0][0], muted.spans_s[-1][1]
    assert low < 6.3 and high > 9.7
    silent = muted.samples[:, int(7.0 * 16000) : int(9.0 * 16000)]
    assert not silent.any()
    assert np.abs(muted.samples[:, : (4 * 16000)]).min(axis=1).shape == (2,)
    assert muted.samples[:, : (4 * 16000)].std(axis=1).min() > 0.005


def test_parcel_without_speech_says_what_was_silenced(tmp_path):
    (tmp_path / "spoken.flac").write_bytes(flac_of(spoken_clip(), 16000, simulated=True))
    looked = []

    def look(path):
        looked.append(read_clip(path))
        return quick_look(path)

    packed = pack_parcel([tmp_path / "spoken.flac"], look, without_speech=True)
    assert packed.clips[0].muted_s and packed.clips[0].how == "flac"
    assert not looked[0].samples[7 * 16000 : 9 * 16000].any(), "the diagnosis is of the silenced sound"
    held = pack_parcel([tmp_path / "spoken.flac"], quick_look)
    assert held.clips[0].muted_s == ()


def test_number_of_recordings_is_bounded():
    for paths in ([], ["a.m4a"] * 9):
        with pytest.raises(ParcelError, match="cannot hold that many"):
            pack_parcel(paths, quick_look)
