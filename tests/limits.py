"""Hard limits of time: a test that stands still loses every process that it started, and fails in words.

What a test waits for is the answer of another process: a browser, a desk, a worker. When time is up these are
ended, so that the wait ends by itself, at its own place, and the test fails there. Raising an error in the
midst of the wait instead would leave the browser's driver in a state in which its closing never ends.
"""

from __future__ import annotations

import faulthandler
import os
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

LIMIT_S = 600.0
"""For one part (setting up, the test itself, clearing away) of any test."""
GRACE_S = 20.0
"""For waking up once the processes are ended; then the browser's driver is ended as well, then all."""
DRIVER = b"run-driver"
"""A word of the command of the browser's driver, which tells the test that its browser is gone."""
BROWSER = b"--remote-debugging-pipe"
"""A word of the command of a browser that the driver has started."""

_passed: list[str] = []


class TimeLimitPassedError(AssertionError):
    """A test took longer than it may."""


def children_of(pid: int) -> list[int]:
    """Give the children of a process, of all its threads."""
    found: list[int] = []
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        with suppress(OSError):
            found += [int(each) for each in task.read_text().split()]
    return found


def descendants_of(pid: int) -> list[int]:
    """Give the children of a process, their children, and so on."""
    found = children_of(pid)
    for each in found:
        found += children_of(each)
    return found


def end_descendants(*, driver: bool) -> list[str]:
    """End all that this process has started, the browser's driver only where wanted; gives their commands."""
    return _ended(lambda command: driver or DRIVER not in command)


def end_browsers() -> list[str]:
    """End the browsers that the driver has started for this process; gives their commands."""
    return _ended(lambda command: BROWSER in command)


def _ended(is_meant: Callable[[bytes], bool]) -> list[str]:
    ended = []
    for pid in descendants_of(os.getpid()):
        with suppress(OSError):
            command = Path(f"/proc/{pid}/cmdline").read_bytes()
            if is_meant(command):
                os.kill(pid, signal.SIGKILL)
                ended.append(command.replace(b"\0", b" ").decode(errors="replace").strip()[:80])
    return ended


@contextmanager
def limited(name: str, seconds: float, *, last_words: int = 2) -> Iterator[None]:
    """Fail where the body takes longer; if nothing helps, end this process, its stack on `last_words`."""
    fired: list[str] = []

    def look(*_: object) -> None:
        fired.append("")
        if len(fired) == 1:
            fired[0] = "; ".join(end_descendants(driver=False)) or "none"
        elif len(fired) == 2:
            end_descendants(driver=True)
        else:
            end_descendants(driver=True)
            os.write(last_words, f"\n{name} stood still for more than {seconds:g} s:\n".encode())
            faulthandler.dump_traceback(last_words)
            os._exit(3)

    before = signal.signal(signal.SIGALRM, look)
    signal.setitimer(signal.ITIMER_REAL, seconds, GRACE_S)
    problem: BaseException | None = None
    try:
        yield
    except BaseException as raised:
        problem = raised
        if not fired:
            for earlier in _passed:
                raised.add_note(f"Before it, {earlier} stood still, and its browser and desk were ended.")
            raise
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)
    if fired:
        _passed.append(name)
        said = f"{name} took longer than {seconds:g} s, so its processes were ended: {fired[0]}"
        raise TimeLimitPassedError(said) from problem
