"""A form that is sent again because its answer was lost: done once, answered as the first time."""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

from starlette.responses import RedirectResponse, Response

__all__ = ["Once"]

MOST_REMEMBERED = 1000
SEE_OTHER = 303


@dataclass
class _Deed:
    lock: asyncio.Lock = field(default_factory=asyncio.Lock)
    place: str = ""


class Once:
    """Remembers where the last forms of each visitor led, by the mark that a page put into them.

    Only what was taken (a redirection) is remembered, in memory and for the last 1000 forms: a desk that is
    started anew in between takes a form twice.

    >>> async def twice() -> tuple[str, int]:
    ...     once, done = Once(), []
    ...     async def do() -> Response:
    ...         done.append(1)
    ...         return RedirectResponse(f"/{len(done)}", status_code=303)
    ...     await once.answer(("me", "/new", "a"), do)
    ...     return (await once.answer(("me", "/new", "a"), do)).headers["location"], len(done)
    >>> asyncio.run(twice())
    ('/1', 1)
    """

    def __init__(self) -> None:
        self._deeds: OrderedDict[tuple[str, ...], _Deed] = OrderedDict()

    async def answer(self, key: tuple[str, ...], do: Callable[[], Awaitable[Response]]) -> Response:
        """Do what a form asks for, unless the same form was taken before: then only say where it led."""
        deed = self._deeds.setdefault(key, _Deed())
        self._deeds.move_to_end(key)
        while len(self._deeds) > MOST_REMEMBERED:
            self._deeds.popitem(last=False)
        async with deed.lock:
            if deed.place:
                return RedirectResponse(deed.place, status_code=SEE_OTHER)
            answer = await do()
            if answer.status_code == SEE_OTHER:
                deed.place = answer.headers["location"]
            return answer
