"""The parent of all workers: loads the heavy libraries once and branches off one process for each order.

It speaks with the desk over its own input and output, a line a time: ``start TOKEN SECONDS FOLDER`` and, for
what goes before the others that wait, ``soon TOKEN SECONDS FOLDER`` come in; ``begun TOKEN PID`` and ``ended
TOKEN STATUS`` go out. Orders wait here while all workers are busy, so that the next one begins in the instant
in which one ends. It ends, and all its workers with it, when its input ends, which happens too when the desk
is killed.
"""

from __future__ import annotations

import os
import select
import signal
import sys
import time
import traceback
from collections import deque
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

from audiodiag.desk.labour import carry_out, warm_up

__all__ = ["main"]

IDLE_S = 60.0


@dataclass(frozen=True)
class _Child:
    token: str
    until_s: float


def main(workers: int) -> None:
    """Wait for orders until the input ends; so many are done at once."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _leave)
    ends = _told_of_ends()
    _die_with(os.getppid())
    warm_up()
    signal.setitimer(signal.ITIMER_REAL, 0.0)  # from here on the end of the input tells it
    answers = os.dup(1)
    os.dup2(2, 1)  # whatever a library prints does not get between the lines
    children: dict[int, _Child] = {}
    orders: deque[str] = deque()
    rest = b""
    try:
        while True:
            while orders and len(children) < workers:
                _start(orders.popleft(), children, answers)
            ready, _, _ = select.select([0, ends], [], [], _patience_s(children))
            if 0 in ready:
                read = os.read(0, 65536)
                if not read:
                    return
                *lines, rest = (rest + read).split(b"\n")
                for line in lines:
                    word, _, order = line.decode().partition(" ")
                    (orders.appendleft if word == "soon" else orders.append)(order)
            if ends in ready:
                os.read(ends, 4096)
            _bury(children, answers)
    finally:
        for pid in children:
            os.kill(pid, signal.SIGKILL)


def _leave(_: int, __: FrameType | None) -> None:
    sys.exit(0)


def _told_of_ends() -> int:
    """Give what becomes readable when a child ends."""
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    signal.set_wakeup_fd(writing, warn_on_full_buffer=False)
    return reading


def _patience_s(children: dict[int, _Child]) -> float:
    """Tell how long nothing has to be done unless something happens."""
    first = min((child.until_s for child in children.values()), default=time.monotonic() + IDLE_S)
    return max(0.05, first - time.monotonic())


def _start(order: str, children: dict[int, _Child], answers: int) -> None:
    token, seconds, folder = order.split(" ", 2)
    parent = os.getpid()
    pid = os.fork()
    if pid == 0:
        _work(Path(folder), answers, parent)
    children[pid] = _Child(token, time.monotonic() + float(seconds))
    _say(answers, f"begun {token} {pid}")


def _work(folder: Path, answers: int, parent: int) -> None:
    """Do one order in the child and leave without coming back."""
    status = 1
    try:
        signal.set_wakeup_fd(-1)
        for each in (signal.SIGCHLD, signal.SIGTERM):
            signal.signal(each, signal.SIG_DFL)
        os.close(answers)
        os.setsid()
        nowhere = os.open(os.devnull, os.O_RDONLY)
        os.dup2(nowhere, 0)
        _die_with(parent)
        os.chdir(folder)
        carry_out(folder)
        status = 0
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stderr.flush()
        os._exit(status)


def _die_with(parent: int) -> None:
    """Look now and then whether the parent still lives, and leave when it does not."""

    def look(*_: object) -> None:
        if os.getppid() != parent:
            os._exit(1)

    signal.signal(signal.SIGALRM, look)
    signal.setitimer(signal.ITIMER_REAL, 1.0, 1.0)


def _bury(children: dict[int, _Child], answers: int) -> None:
    """Report the children that ended, and end those that take too long."""
    now = time.monotonic()
    for pid, child in list(children.items()):
        ended, status = os.waitpid(pid, os.WNOHANG)
        if ended:
            del children[pid]
            _say(answers, f"ended {child.token} {os.waitstatus_to_exitcode(status)}")
        elif now > child.until_s:
            os.kill(pid, signal.SIGKILL)


def _say(answers: int, line: str) -> None:
    os.write(answers, f"{line}\n".encode())
