"""Fifty clips dropped at once: the desk against the command on the same clips, in turn.

``python -m tests.desk.throughput [CLIPS] [ROUNDS]`` prints a row a round: seconds of each side, their ratio
(more than one where the desk is quicker), processor seconds of each side (of the
server itself apart), and how soon pages answered.
Both sides use as many workers as the machine has cores; the desk is open when the first clip is sent, the
command starts from nothing. While the desk listens somebody follows it as the page's own script does, once a
second, and opens the case and the inbox in turn. The desk's clock stops when its last result is kept.
"""

from __future__ import annotations

import json
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import func, select

from audiodiag.desk.store import Store
from audiodiag.desk.tables import JobRow
from audiodiag.resources import shipped_folder
from tests.desk.served import Served
from tests.limits import children_of

CUT_S = 0.37
PAUSE_S = 1.0
OPENED_S = 8.0


def make_clips(folder: Path, number: int) -> list[Path]:
    """Take the demo clips as they are, then, as often as needed, each a little later begun, as FLAC."""
    import soundfile

    from audiodiag.clip import read_clip

    demos = sorted(p for p in shipped_folder("recordings_demo").iterdir() if p.suffix in SOUNDS)
    made = []
    for index in range(number):
        demo, turn = demos[index % len(demos)], index // len(demos)
        place = folder / f"{index:02d}_{demo.stem}{demo.suffix if turn == 0 else '.flac'}"
        if turn == 0:
            place.write_bytes(demo.read_bytes())
        else:
            clip = read_clip(demo)
            later = clip.samples[int(turn * CUT_S * clip.sample_rate_hz) :]
            soundfile.write(place, later, clip.sample_rate_hz, format="FLAC", subtype="PCM_16")
        made.append(place)
    return made


SOUNDS = (".m4a", ".mp3", ".opus", ".3gp")


@dataclass(frozen=True)
class Took:
    """Seconds on the clock and of the processor, and how long pages took to answer, s."""

    clock_s: float
    processor_s: float
    answers_s: tuple[float, ...] = ()
    server_s: float = 0.0


def by_command(clips: list[Path]) -> Took:
    """Analyse all clips by one command."""
    before, began = _children_s(), time.monotonic()
    command = [sys.executable, "-m", "audiodiag", "analyse", "--json", *map(str, clips)]
    done = subprocess.run(command, capture_output=True, text=True)
    took = time.monotonic() - began
    assert len(done.stdout.splitlines()) == len(clips), done.stderr
    return Took(took, _children_s() - before)


def by_desk(clips: list[Path], folder: Path) -> Took:
    """Send all clips to an open desk, one after the other as a browser does, and wait for the last result."""
    before = _children_s()
    served = Served(folder, workers=os.cpu_count() or 1)
    served.start()
    key = json.loads(served.ask("POST", "/api/1/cases", b'{"title": "fifty at once"}'))["key"]
    time.sleep(OPENED_S)
    opened_s = _busy_s(served.process.pid)
    answers: list[float] = []
    began = time.time()
    for number, clip in enumerate(clips):
        served.ask("POST", f"/api/1/cases/{key}/recordings?name={clip.name}", clip.read_bytes())
        if number % 10 == 5:
            answers.append(_asked(served, f"/cases/{key}"))
    while json.loads(served.ask("GET", f"/api/1/cases/{key}/jobs"))["waiting"]:
        answers.append(_asked(served, f"/cases/{key}" if len(answers) % 2 else "/inbox"))
        time.sleep(PAUSE_S)
    jobs = json.loads(served.ask("GET", f"/api/1/cases/{key}/jobs"))["jobs"]
    assert [job["state"] for job in jobs] == ["done"] * len(clips)
    server_s = _own_s(served.process.pid)
    served.end()
    return Took(_last_ended(folder) - began, _children_s() - before - opened_s, tuple(answers), server_s)


def _last_ended(folder: Path) -> float:
    """Give when the last result was kept, s since the epoch; a page learns it up to a second later."""
    store = Store(folder)
    with store.reading() as session:
        last = session.scalar(select(func.max(JobRow.ended_at)))
    store.close()
    assert last is not None
    return last


def _asked(served: Served, place: str) -> float:
    began = time.monotonic()
    served.ask("GET", place)
    return time.monotonic() - began


def _children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def _own_s(pid: int) -> float:
    """Give the processor time of a process without its children."""
    told = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(told[11]) + int(told[12])) / os.sysconf("SC_CLK_TCK")


def _busy_s(pid: int) -> float:
    """Give the processor time of a process and of its children so far, ended or not."""
    ticks = os.sysconf("SC_CLK_TCK")
    total = 0.0
    for each in (pid, *children_of(pid)):
        told = Path(f"/proc/{each}/stat").read_text().rpartition(")")[2].split()
        total += sum(int(value) for value in told[11:15]) / ticks
    return total


def main() -> None:
    """Alternate the two sides and print what each took."""
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    ratios, answers = [], []
    with tempfile.TemporaryDirectory() as room:
        place = Path(room) / "clips"
        place.mkdir()
        clips = make_clips(place, number)
        print(
            "round  desk s  command s  ratio  desk cpu s (server)  command cpu s  page median, worst ms",
            flush=True,
        )
        for turn in range(rounds):
            desk = by_desk(clips, Path(room) / f"desk-{turn}")
            command = by_command(clips)
            ratios.append(command.clock_s / desk.clock_s)
            answers += desk.answers_s
            middle, worst = statistics.median(desk.answers_s), max(desk.answers_s)
            print(
                f"{turn + 1:5d} {desk.clock_s:7.1f} {command.clock_s:10.1f} {ratios[-1]:6.3f} "
                f"{desk.processor_s:11.1f} {desk.server_s:9.1f} {command.processor_s:14.1f}  "
                f"{1000 * middle:.0f}, {1000 * worst:.0f}",
                flush=True,
            )
    print(
        f"ratio: median {statistics.median(ratios):.3f}, {min(ratios):.3f} to {max(ratios):.3f}; "
        f"pages: median {1000 * statistics.median(answers):.0f} ms of {len(answers)}"
    )


if __name__ == "__main__":
    main()
