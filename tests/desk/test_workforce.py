"""Workers: bounded, killed or not, one sender and case each; a server that is killed goes on where it was."""

from __future__ import annotations

import json
import os
import signal
from pathlib import Path

import pytest
from sqlalchemy import select

from audiodiag.desk.settings import DeskSettings, Limits
from audiodiag.desk.store import Store
from audiodiag.desk.tables import ComparisonRow, JobRow
from audiodiag.resources import shipped_folder
from tests.desk.conftest import Desk, send, wait_for

DEMO = shipped_folder("recordings_demo")
CLIP = (DEMO / "01_healthy.m4a").read_bytes()


def _states(store: Store) -> list[str]:
    with store.reading() as session:
        return list(session.scalars(select(JobRow.state).order_by(JobRow.id)))


@pytest.fixture
def working(tmp_path):
    desk = Desk(tmp_path / "desk", workers=2)
    desk.room.workforce.start()
    yield desk
    desk.room.close()


def test_clips_are_listened_to_and_compared(working):
    desk = working
    key = desk.case()
    before = (DEMO / "09_before_fluid_change.m4a").read_bytes()
    after = (DEMO / "10_after_fluid_change.m4a").read_bytes()
    client = desk.advisor()
    for name, content in (("before", before), ("after", after)):
        send(client, key, content, name=f"{name}.m4a", purpose=name)
    broken = send(client, key, before[:2000], name="broken.m4a")
    wait_for(lambda: _states(desk.room.store) == ["done", "done", "failed"])
    page = client.get(f"/cases/{key}").text
    assert "simulated clip" in page
    assert "broken.m4a" in page
    sound = client.get(f"/cases/{key}/sounds/1", headers={"Range": "bytes=0-3"})
    assert (sound.status_code, sound.content) == (206, b"fLaC")
    assert client.get(f"/cases/{key}/sounds/{broken.json()['recording']}").status_code == 404
    client.post(f"/cases/{key}/compare", data={"side.1": "before", "side.2": "after", "one_phone": "yes"})
    wait_for(lambda: _states(desk.room.store)[-1] == "done")
    with desk.room.store.reading() as session:
        row = session.scalar(select(ComparisonRow))
    assert row.version
    assert json.loads(row.result)["conditions"]["one_phone_stated"] is True
    assert "It was stated that one phone made all recordings" in client.get(f"/cases/{key}/compare").text
    assert "cavitation groan: GONE after, at least" in client.get(f"/cases/{key}/compare").text
    assert list((desk.settings.folder / "work").iterdir()) == []


def test_killed_worker_leaves_the_others_and_its_clip_is_tried_again(working):
    desk = working
    key = desk.case()
    for name in ("03_pump_whine.m4a", "01_healthy.m4a", "05_belt_squeal.mp3"):
        desk.recording(key, content=(DEMO / name).read_bytes(), listened=False, file_name=name)
    desk.room.workforce.wake()
    wait_for(lambda: desk.room.workforce.pids())
    os.kill(desk.room.workforce.pids()[0], signal.SIGKILL)
    wait_for(lambda: _states(desk.room.store) == ["done"] * 3)


def test_killed_parent_of_the_workers_is_replaced(working):
    desk = working
    desk.recording(desk.case(), content=(DEMO / "01_healthy.m4a").read_bytes(), listened=False)
    desk.room.workforce.wake()
    wait_for(lambda: desk.room.workforce.pids())
    first, worker = desk.room.workforce.nursery_pid, desk.room.workforce.pids()[0]
    os.kill(first, signal.SIGKILL)
    wait_for(lambda: _states(desk.room.store) == ["done"])
    assert desk.room.workforce.nursery_pid != first
    wait_for(lambda: not Path(f"/proc/{worker}").exists(), within_s=10)


def _workers_of(desk: Desk, senders: list[tuple[str, str]]) -> list[int]:
    """Give the process that listened to each of so many recordings, of these cases and senders in turn."""
    for key, who in senders:
        desk.recording(key, content=CLIP, listened=False, file_name="x.m4a", who=who)
    seen: dict[int, int] = {}
    workforce = desk.room.workforce

    def done() -> bool:
        with workforce._lock:
            for each in workforce._under_way.values():
                if each.pid is not None:
                    seen.setdefault(each.attempt.job_id, each.pid)
        return _states(desk.room.store) == ["done"] * len(senders)

    workforce.wake()
    wait_for(done, every_s=0.005)  # on a loaded machine a recording may be under way for a moment only
    assert len(seen) == len(senders), "each was seen under way"
    return [seen[job] for job in sorted(seen)]


def test_worker_goes_on_for_one_sender_in_one_case_only(tmp_path):
    desk = Desk(tmp_path / "desk", workers=1, limits=Limits(spare_disk_bytes=0, worker_turns=3))
    one, other = desk.case(), desk.case()
    order = [(one, "ann")] * 4 + [(one, "bea")] + [(other, "bea")] * 2
    desk.room.workforce.start()
    pids = _workers_of(desk, order)
    desk.room.close()
    assert len(pids) == len(order)
    assert pids[0] == pids[1] == pids[2]  # so many turns as it may have
    assert len({pids[2], pids[3], pids[4], pids[5]}) == 4  # another worker, sender, case
    assert pids[5] == pids[6]


def test_worker_that_grew_large_does_not_go_on(tmp_path):
    limits = Limits(spare_disk_bytes=0, worker_memory_bytes=640 << 20)  # a worker takes over an eighth
    desk = Desk(tmp_path / "desk", workers=1, limits=limits)
    key = desk.case()
    desk.room.workforce.start()
    pids = _workers_of(desk, [(key, "ann")] * 2)
    desk.room.close()
    assert len(set(pids)) == 2


def test_worker_killed_at_its_second_recording_costs_that_one_only(tmp_path):
    desk = Desk(tmp_path / "desk", workers=1, limits=Limits(spare_disk_bytes=0, attempts=1))
    key = desk.case()
    for _ in range(3):
        desk.recording(key, content=CLIP, listened=False, file_name="x.m4a", who="ann")
    desk.room.workforce.start()
    wait_for(lambda: _states(desk.room.store)[:2] == ["done", "running"] and desk.room.workforce.pids())
    os.kill(desk.room.workforce.pids()[0], signal.SIGKILL)
    wait_for(lambda: _states(desk.room.store) == ["done", "failed", "done"])
    desk.room.close()


@pytest.mark.parametrize(
    ("limits", "said"),
    [
        (Limits(spare_disk_bytes=0, worker_cpu_s=1, attempts=1), "processor time"),
        (Limits(spare_disk_bytes=0, worker_wall_s=0.5, attempts=1), "longer than it may"),
        (Limits(spare_disk_bytes=0, worker_output_bytes=20_000, attempts=1), "could not be listened to"),
    ],
)
def test_worker_that_takes_too_much_is_ended(tmp_path, limits, said):
    desk = Desk(tmp_path / "desk", workers=1, limits=limits)
    desk.room.workforce.start()
    key = desk.case()
    desk.recording(key, content=_long_wav(), listened=False, file_name="long.wav")
    desk.room.workforce.wake()
    wait_for(lambda: _states(desk.room.store) == ["failed"])
    with desk.room.store.reading() as session:
        job = session.scalar(select(JobRow))
    assert said in job.said
    desk.room.close()


def test_recording_that_unfolds_far_is_bounded_in_memory(tmp_path):
    """Forty minutes of silence in a small file: refused in words, in a worker of 1 GB."""
    import io

    import numpy as np
    import soundfile

    bomb = io.BytesIO()
    soundfile.write(bomb, np.zeros(2400 * 8000, np.int16), 8000, format="FLAC")
    assert len(bomb.getvalue()) < 500_000
    limits = Limits(spare_disk_bytes=0, worker_memory_bytes=1 << 30, attempts=1)
    desk = Desk(tmp_path / "desk", workers=1, limits=limits)
    desk.room.workforce.start()
    key = desk.case()
    desk.recording(key, content=bomb.getvalue(), listened=False, file_name="bomb.flac")
    desk.room.workforce.wake()
    wait_for(lambda: _states(desk.room.store) in (["failed"], ["done"]))
    assert desk.advisor().get(f"/cases/{key}").status_code == 200
    desk.room.close()


def _long_wav() -> bytes:
    import io

    import numpy as np
    import soundfile

    noise = np.random.default_rng(3).normal(0, 0.1, 120 * 44100).astype(np.float32)
    made = io.BytesIO()
    soundfile.write(made, noise, 44100, format="WAV")
    return made.getvalue()


def test_settings_name_no_host_but_this_machine():
    hosts = DeskSettings(Path("x"), port=80).allowed_hosts
    assert set(hosts) == {"127.0.0.1:80", "localhost:80", "[::1]:80", "127.0.0.1", "localhost", "[::1]"}
