"""The parent of all workers: loads the heavy libraries once and branches off processes for the orders.

It speaks with the desk over its own input and output, a line a time: ``start TOKEN SENDER SECONDS FOLDER``
and, for what goes before the others that wait, ``soon TOKEN SENDER SECONDS FOLDER`` come in; ``begun TOKEN
PID`` and ``ended TOKEN STATUS`` go out. Orders wait here while all workers are busy, so that the next one
begins in the instant in which one ends. It ends, and all its workers with it, when its input ends, which
happens too when the desk is killed.

A worker that has listened to one recording may listen to the next few of the same sender in the same case
(``turns``): it is warm, and what one sender's recording could do to it reaches nobody else's. Every
other order has a process of its own.
"""

from __future__ import annotations

import os
import select
import signal
import socket
import sys
import time
import traceback
from collections import deque
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

from audiodiag.desk.labour import carry_out, warm_up
from audiodiag.desk.settings import NOBODY

__all__ = ["main"]

IDLE_S = 60.0
LEAVE_S = 5.0


@dataclass
class _Child:
    """A worker: the order that it does now (none while it leaves), for whom, and how many it has had."""

    talk: socket.socket
    sender: str
    token: str | None
    until_s: float
    turns: int = 1


def main(workers: int, turns: int) -> None:
    """Wait for orders until the input ends; so many are done at once, and so many by one worker at most."""
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
            talking = [child.talk for child in children.values() if child.token is not None]
            heard: list[int | socket.socket] = [0, ends, *talking]
            ready, _, _ = select.select(heard, [], [], _patience_s(children))
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
            for pid, child in children.items():
                if child.talk in ready and child.talk.recv(1):
                    _go_on(pid, child, orders if child.turns < turns else deque(), answers)
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
    token, sender, seconds, folder = order.split(" ", 3)
    parent = os.getpid()
    ours, theirs = socket.socketpair()
    pid = os.fork()
    if pid == 0:
        for inherited in (ours, *(child.talk for child in children.values())):
            inherited.close()
        _work(Path(folder), theirs, answers, parent)
    theirs.close()
    children[pid] = _Child(ours, sender, token, time.monotonic() + float(seconds))
    _say(answers, f"begun {token} {pid}")


def _go_on(pid: int, child: _Child, orders: deque[str], answers: int) -> None:
    """Report what a worker has done; give it the first that waits if that comes from the same sender."""
    _say(answers, f"ended {child.token} 0")
    child.token = None
    if orders:
        token, sender, seconds, folder = orders[0].split(" ", 3)
        if sender == child.sender != NOBODY:
            orders.popleft()
            child.token, child.turns = token, child.turns + 1
            child.until_s = time.monotonic() + float(seconds)
            with suppress(OSError):  # one that has just died is buried with its new order
                child.talk.sendall(folder.encode() + b"\n")
            _say(answers, f"begun {token} {pid}")
            return
    child.until_s = time.monotonic() + LEAVE_S
    with suppress(OSError):
        child.talk.shutdown(socket.SHUT_WR)


def _work(folder: Path, talk: socket.socket, answers: int, parent: int) -> None:
    """Do orders in the child, one after the other, and leave without coming back."""
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
        told = talk.makefile("r", encoding="utf-8")
        while True:
            os.chdir(folder)
            if not carry_out(folder):
                break
            talk.sendall(b".")
            line = told.readline()
            if not line:
                break
            folder = Path(line.removesuffix("\n"))
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
    """Report the orders of children that ended, and end those that take too long."""
    now = time.monotonic()
    for pid, child in list(children.items()):
        ended, status = os.waitpid(pid, os.WNOHANG)
        if ended:
            del children[pid]
            child.talk.close()
            if child.token is not None:
                _say(answers, f"ended {child.token} {os.waitstatus_to_exitcode(status)}")
        elif now > child.until_s:
            os.kill(pid, signal.SIGKILL)


def _say(answers: int, line: str) -> None:
    os.write(answers, f"{line}\n".encode())
