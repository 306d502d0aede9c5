"""How often somebody may do something: a count in a sliding window, by person and kind of deed."""

from __future__ import annotations

import threading
import time
from collections import deque

__all__ = ["Rates"]

MOST_KEPT = 10_000


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
                self._times.clear()
            times = self._times.setdefault((kind, who), deque())
            while times and now - times[0] >= within_s:
                times.popleft()
            if len(times) >= most:
                return False
            times.append(now)
            return True
