"""The words of the refusals that no call gives itself: those of the guard, and of faults."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from audiodiag.desk.api.asked import error_values
from audiodiag.errors import AudiodiagError

__all__ = ["GUARD_WORDS", "refusal_values"]

GUARD_WORDS: dict[int, tuple[str, str, str, str]] = {
    400: (
        "this cannot be read",
        "a request that breaks the rules of HTTP or of this desk",
        "an address of at most 400 signs, and a body as the description has it",
        "see the description of the calls",
    ),
    401: ("nobody is known here yet", "no session", "the session's cookie", "open the desk first"),
    403: (
        "this door is closed",
        "a request that did not come from this desk",
        "Origin and Sec-Fetch-Site of this desk for all that changes something",
        "send the desk's own address as Origin",
    ),
    404: ("there is nothing here", "an address that is not known", "the described calls", "see the list"),
    408: (
        "it took too long",
        "a body that did not arrive in time",
        "the whole body within the time limit",
        "send it again, or in pieces",
    ),
    413: (
        "too large",
        "a body above the limit",
        "what the description allows",
        "send a shorter recording, or less text",
    ),
    421: (
        "this desk does not answer to this name",
        "another name in the header Host",
        "the address that the desk printed",
        "use that address",
    ),
    429: ("this was done too often", "more requests than are taken", "fewer", "wait a while"),
    500: (
        "something broke here",
        "a fault of the desk, not of the request",
        "nothing else",
        "try again; if it comes back, tell whoever runs the desk the mark",
    ),
}


def refusal_values(code: int, scope: Mapping[str, Any], *, mark: str = "", said: str = "") -> dict[str, Any]:
    """Give the body of a refusal.

    >>> refusal_values(421, {})["error"]["what"]
    'this desk does not answer to this name'
    """
    what, got, allowed, todo = GUARD_WORDS.get(code, GUARD_WORDS[400])
    return error_values(AudiodiagError(said or what, got=got, allowed=allowed, todo=todo), mark)
