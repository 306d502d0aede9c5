"""The parent of all workers: loads the heavy libraries once and branches off one process for each order.

It speaks with the desk over its own input and output, a line a time: ``start TOKEN SECONDS FOLDER`` and
``stop`` come in, ``begun TOKEN PID`` and ``ended TOKEN STATUS`` go out. It ends, and all its workers with it,
when its input ends, which happens too when the desk is killed.
"""

from __future__ import annotations

import os
import select
import signal
import sys
import time
import traceback
from dataclasses import dataclass
from pathlib import Path

from audiodiag.desk.labour import carry_out, warm_up

__all__ = ["main"]

TICK_S = 0.1


@dataclass(frozen=True)
class _Child:
    token: str
    until_s: float


def main() -> None:
    """Wait for orders until the input ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    warm_up()
    answers = os.dup(1)
    os.dup2(2, 1)  # whatever a library prints does not get between the lines
    children: dict[int, _Child] = {}
    rest = b""
    try:
        while True:
            ready, _, _ = select.select([0], [], [], TICK_S if children else 5.0)
            if ready:
                read = os.read(0, 65536)
                if not read:
                    return
                *lines, rest = (rest + read).split(b"\n")
                for line in lines:
                    _start(line.decode(), children, answers)
            _bury(children, answers)
    finally:
        for pid in children:
            os.kill(pid, signal.SIGKILL)


def _start(line: str, children: dict[int, _Child], answers: int) -> None:
    _, token, seconds, folder = line.split(" ", 3)
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
