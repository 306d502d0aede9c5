"""Work shared out to processes, each on one thread, with answers in the order of the questions."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TypeVar

__all__ = ["mapped"]

Item = TypeVar("Item")
Answer = TypeVar("Answer")


@contextmanager
def mapped(
    make: Callable[[Item], Answer], items: Sequence[Item], *, workers: int = 1
) -> Iterator[Iterator[Answer]]:
    """Give ``make(item)`` one by one, computed here or in processes of their own that are ended at the exit.

    >>> with mapped(abs, [-1, 2]) as answers:
    ...     list(answers)
    [1, 2]
    """
    if workers <= 1 or len(items) < 2:
        yield map(make, items)
        return
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    with _threads_set_to_one():
        pool = ProcessPoolExecutor(min(workers, len(items)), mp_context=get_context("spawn"))
        try:
            yield pool.map(make, items)
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


@contextmanager
def _threads_set_to_one() -> Iterator[None]:
    """Have processes that start now run numerical libraries on one thread."""
    names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
    before = {name: os.environ.get(name) for name in names}
    os.environ.update(dict.fromkeys(names, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
