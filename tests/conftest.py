"""No test may stand still for ever: see `tests.limits`. `@pytest.mark.limit(seconds)` sets another limit."""

from __future__ import annotations

import os
from collections.abc import Generator
from typing import Any

import pytest

from tests.limits import LIMIT_S, limited

WORDS = pytest.StashKey[int]()


def pytest_configure(config: pytest.Config) -> None:
    """Keep a way to the screen that no capture takes."""
    config.addinivalue_line("markers", "limit(seconds): how long each part of the test may take")
    config.stash[WORDS] = os.dup(2)


def _within_its_limit(item: pytest.Item, part: str) -> Generator[None, Any, Any]:
    marker = item.get_closest_marker("limit")
    seconds = float(marker.args[0]) if marker else LIMIT_S
    with limited(f"{item.nodeid} ({part})", seconds, last_words=item.config.stash[WORDS]):
        return (yield)


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> Generator[None, Any, Any]:
    """Set up within the limit."""
    return (yield from _within_its_limit(item, "setting up"))


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_call(item: pytest.Item) -> Generator[None, Any, Any]:
    """Run within the limit."""
    return (yield from _within_its_limit(item, "the test"))


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_teardown(item: pytest.Item) -> Generator[None, Any, Any]:
    """Clear away within the limit."""
    return (yield from _within_its_limit(item, "clearing away"))
