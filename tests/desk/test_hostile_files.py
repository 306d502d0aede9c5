"""Recordings and parcels made to harm: each is refused in words, by a worker within its bounds."""

from __future__ import annotations

import io
import json
import os
import struct
import time
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from sqlalchemy import select

from audiodiag.clip import read_clip
from audiodiag.clip.decode import MAX_DURATION_S
from audiodiag.desk.settings import Limits
from audiodiag.desk.tables import CaseRow, JobRow, RecordingRow
from audiodiag.errors import ClipError
from tests.cases.parcels import FOLDER, bomb, entry, sound_parcel, with_entry
from tests.desk.conftest import Desk, send, wait_for

MEMORY = 1 << 30


def flac_of_hours(*, stated: bool) -> bytes:
    """Eight hours of silence in a file of some 100 kB; where not ``stated``, its header does not tell."""
    held = io.BytesIO()
    soundfile.write(held, np.zeros(8 * 3600 * 1000, np.int16), 1000, format="FLAC")
    content = bytearray(held.getvalue())
    if not stated:
        content[21] &= 0xF0  # the number of samples: 36 bits of the first block (RFC 9639, section 8.2)
        content[22:26] = bytes(4)
    return bytes(content)


def wav(
    *, channels: int = 1, rate: int = 44100, bits: int = 16, tag: int = 1, size: int = 4_000_000,
    claims: int | None = None,
) -> bytes:  # fmt: skip
    """A wav file with such a header and so many bytes of samples."""
    block = channels * bits // 8 & 0xFFFF
    form = struct.pack("<HHIIHH", tag, channels, rate, rate * block & 0xFFFFFFFF, block, bits)
    claimed = size if claims is None else claims
    head = b"RIFF" + struct.pack("<I", min(36 + claimed, 0xFFFFFFFF)) + b"WAVEfmt " + struct.pack("<I", 16)
    return head + form + b"data" + struct.pack("<I", claimed) + b"\x10\x20" * (size // 2)


def nested_zips(depth: int = 6) -> bytes:
    content = bytes(8_000_000)
    for level in range(depth):
        held = io.BytesIO()
        with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as parcel:
            parcel.writestr(f"{level}.zip", content)
        content = held.getvalue()
    return with_entry(f"{FOLDER}/data/inner.zip", content)


def zip_that_unfolds(gigabytes: int = 1) -> bytes:
    """A zip of a million bytes that unfolds a thousand times."""
    held = io.BytesIO(sound_parcel())
    with (
        zipfile.ZipFile(held, "a", zipfile.ZIP_DEFLATED) as parcel,
        parcel.open(entry(f"{FOLDER}/data/recordings/recording-02.wav"), "w") as into,
    ):
        for _ in range(250 * gigabytes):
            into.write(bytes(4_000_000))
    return held.getvalue()


HOSTILE: dict[str, tuple[Callable[[], bytes], str]] = {
    "hours of silence, stated": (lambda: flac_of_hours(stated=True), "too long"),
    "hours of silence, not stated": (lambda: flac_of_hours(stated=False), "too long"),
    "wav that claims four gigabytes": (lambda: wav(claims=0xFFFFFFF0, size=100_000), "too short"),
    "wav without channels": (lambda: wav(channels=0), "has no channel"),
    "wav without a rate": (lambda: wav(rate=0), "has no sample rate"),
    "wav of 65,535 channels": (lambda: wav(channels=65535), "cannot be read as sound"),
    "wav at one sample a second": (lambda: wav(rate=1), "too long"),
    "wav without bits": (lambda: wav(bits=0), "cannot read"),
    "zip that unfolds": (zip_that_unfolds, "unpack to too much"),
    "zip of many zeros": (bomb, "far more than it is"),
    "zips in zips": (nested_zips, "parcel"),
    "link in a parcel": (lambda: with_entry(f"{FOLDER}/data/link", b"/etc/passwd", 0o120777), "link"),
    "parcel that climbs": (lambda: with_entry(f"{FOLDER}/data/../../../out", b"x"), "climbs out"),
    "page as a recording": (lambda: b"<html><script>alert(1)</script></html>" * 99, "holds no sound"),
    "play list": (lambda: b"#EXTM3U\nhttp://10.0.0.1/secret\n" * 9, "holds no sound"),
    "random bytes": (lambda: np.random.default_rng(1).bytes(300_000), "cannot be read as sound"),
}


@pytest.fixture(scope="module")
def refused(tmp_path_factory):
    """All of them sent to one desk; gives the refusal of each, and where the desk lies."""
    folder = tmp_path_factory.mktemp("hostile") / "desk"
    limits = Limits(spare_disk_bytes=0, worker_memory_bytes=MEMORY, worker_cpu_s=20, attempts=1)
    desk = Desk(folder, workers=2, limits=limits)
    key, client = desk.case(), desk.advisor()
    sent = {}
    for name, (make, _) in HOSTILE.items():
        content = make()
        assert len(content) < 5_000_000, name
        answer = send(client, key, content, name=f"{name}.wav").json()
        sent[name] = answer["recording"], answer["task"]
    desk.room.workforce.start()

    def jobs() -> dict[tuple[int | None, int | None], JobRow]:
        with desk.room.store.reading() as session:
            return {(job.recording_id, job.task_id): job for job in session.scalars(select(JobRow))}

    wait_for(lambda: not {"queued", "running"} & {job.state for job in jobs().values()}, within_s=240)
    ended = jobs()
    page = client.get(f"/cases/{key}")
    assert page.status_code == 200
    with desk.room.store.reading() as session:
        recordings = len(session.scalars(select(RecordingRow)).all())
    desk.room.close()
    yield {name: ended[ids] for name, ids in sent.items()}, recordings, folder


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_file_is_refused_in_words(refused, name):
    job = refused[0][name]
    assert job.state == "failed"
    said = json.loads(job.said)
    assert HOSTILE[name][1] in f"{said['what']} {said['got']}", said
    assert said["todo"]
    assert job.ended_at - job.started_at < 100


def test_nothing_came_out_of_hostile_parcels(refused):
    _, recordings, folder = refused
    parcels = [name for name, (make, _) in HOSTILE.items() if name.startswith(("zip", "link", "parcel"))]
    assert recordings == len(HOSTILE) - len(parcels)
    assert list((folder / "work").iterdir()) == []
    assert not (folder.parent / "out").exists()


def test_decoding_runs_in_a_bounded_process_of_its_own(tmp_path):
    limits = Limits(spare_disk_bytes=0, worker_memory_bytes=2 << 30, worker_cpu_s=50, worker_files=64)
    desk = Desk(tmp_path / "desk", workers=1, limits=limits)
    noise = np.random.default_rng(3).normal(0, 0.1, 60 * 44100).astype(np.float32)
    held = io.BytesIO()
    soundfile.write(held, noise, 44100, format="WAV")
    desk.recording(desk.case(), content=held.getvalue(), listened=False, file_name="long.wav")
    desk.room.workforce.start()
    progress = desk.room.workforce.progress
    wait_for(lambda: any(told["step"] not in ("", "next in turn") for told in progress().values()))
    (pid,) = desk.room.workforce.pids()
    assert pid != os.getpid()
    told = {
        line[:26].strip(): line[26:].split()[:2]
        for line in Path(f"/proc/{pid}/limits").read_text().splitlines()[1:]
    }
    assert told["Max address space"] == [str(2 << 30)] * 2
    assert [int(each) for each in told["Max cpu time"]] == [50, limits.worker_turns * 50 + 2]
    assert told["Max open files"] == ["64", "64"]
    assert told["Max file size"] == [str(limits.worker_output_bytes)] * 2
    assert told["Max core file size"] == ["0", "0"]
    assert Path(f"/proc/{pid}/cwd").resolve().parent == (desk.settings.folder / "work").resolve()
    names = {Path(f"/proc/{pid}/fd/{each.name}").resolve().name for each in Path(f"/proc/{pid}/fd").iterdir()}
    assert not {name for name in names if name.startswith(("desk.sqlite", "desk.lock", "signing"))}
    assert b"SECRET" not in Path(f"/proc/{pid}/environ").read_bytes()
    desk.room.close()


def test_header_without_channels_is_refused_before_any_decoder_sees_it(tmp_path, monkeypatch):
    monkeypatch.setattr("audiodiag.clip.reading.decode_file", None)
    aiff = b"FORM" + struct.pack(">I", 46) + b"AIFFCOMM" + struct.pack(">IHIH", 18, 0, 100, 16) + bytes(400)
    for number, content in enumerate((wav(channels=0, size=1000), wav(rate=0, size=1000), aiff)):
        place = tmp_path / f"{number}.wav"
        place.write_bytes(content)
        with pytest.raises(ClipError, match=r"says that it has no (channel|sample rate)"):
            read_clip(place)


def test_stream_of_which_nothing_decodes_is_left_alone_soon(tmp_path):
    place = tmp_path / "a.wav"
    place.write_bytes(wav(channels=1, tag=0x55, size=40_000_000))  # says that it is mp3, and is not
    began = time.process_time()
    with pytest.raises(ClipError):
        read_clip(place)
    assert time.process_time() - began < 10


def test_bomb_is_what_it_is_called(tmp_path):
    """The silence really unfolds to hours: what bounds it is the reader, not a broken file."""
    content = flac_of_hours(stated=True)
    assert len(content) < 500_000
    told = soundfile.info(io.BytesIO(content))
    assert told.frames / told.samplerate > 20 * MAX_DURATION_S
    with zipfile.ZipFile(io.BytesIO(zip_that_unfolds())) as opened:
        assert sum(each.file_size for each in opened.infolist()) > 900 * sum(
            each.compress_size for each in opened.infolist() if each.file_size > 10**6
        )


def test_title_in_a_recording_is_not_shown(tmp_path):
    script = "<script>alert(1)</script>"
    place = tmp_path / "tagged.flac"
    with soundfile.SoundFile(place, "w", 16000, 1, format="FLAC") as file:
        file.title = script
        file.artist = script
        file.write(np.random.default_rng(2).normal(0, 0.1, 16000 * 5))
    desk = Desk(tmp_path / "desk", workers=1)
    key, client = desk.case(), desk.advisor()
    send(client, key, place.read_bytes(), name="a.flac")
    desk.room.workforce.start()

    def done() -> bool:
        with desk.room.store.reading() as session:
            return session.scalar(select(JobRow.state)) in ("done", "failed")

    wait_for(done)
    with desk.room.store.reading() as session:
        assert session.scalar(select(CaseRow.key)) == key
        assert session.scalar(select(JobRow.state)) == "done"
    for page in (f"/cases/{key}", f"/cases/{key}/bench/1", f"/api/1/cases/{key}/recordings/1/analysis"):
        answer = client.get(page)
        assert answer.status_code == 200
        assert "alert(1)" not in answer.text
    desk.room.close()
