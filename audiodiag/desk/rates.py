"""How often somebody may do something: a count in a sliding window, by person and kind of deed."""

from __future__ import annotations

import threading
import time
from collections import deque

__all__ = ["EVERYBODY", "Rates"]

MOST_KEPT = 10_000
EVERYBODY = "all"
"""The name under which deeds of all guests together are counted."""


class Rates:
    """Counts deeds of the last while; one more than allowed is refused.

    >>> rates = Rates()
    >>> [rates.allows("upload", "a", most=2, within_s=10, now_s=t) for t in (0.0, 1.0, 2.0, 11.0)]
    [True, True, False, True]
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._times: dict[tuple[str, str], deque[float]] = {}

    def allows(self, kind: str, who: str, *, most: int, within_s: float, now_s: float | None = None) -> bool:
        """Count one deed and say whether it is allowed; a refused one does not count."""
        now = time.monotonic() if now_s is None else now_s
        with self._lock:
            if len(self._times) > MOST_KEPT:
                self._forget_some()
            times = self._times.setdefault((kind, who), deque())
            while times and now - times[0] >= within_s:
                times.popleft()
            if len(times) >= most:
                return False
            times.append(now)
            return True

    def _forget_some(self) -> None:
        """Forget half of the guests, those that were quiet longest; what counts for all stays."""
        guests = [key for key in self._times if key[1] != EVERYBODY]
        guests.sort(key=lambda key: self._times[key][-1] if self._times[key] else 0.0)
        for key in guests[: len(guests) // 2 + 1]:
            del self._times[key]
