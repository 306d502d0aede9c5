"""One call as its handler sees it: who asks, with checked values; and how a handler refuses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from audiodiag.desk.room import DeskRoom
from audiodiag.desk.tables import CaseRow, RecordingRow
from audiodiag.desk.visitors import Visitor
from audiodiag.errors import AudiodiagError

__all__ = ["Asked", "RefusalError", "error_values", "not_there"]


class RefusalError(Exception):
    """A refusal with a status code of its own; the words are those of every error of the program."""

    def __init__(self, code: int, what: str, *, got: str, allowed: str, todo: str) -> None:
        self.code = code
        self.error = AudiodiagError(what, got=got, allowed=allowed, todo=todo)
        super().__init__(str(self.error))


def not_there(what: str, got: object) -> RefusalError:
    """Build the refusal of what is not there or not the visitor's: the two look alike.

    >>> not_there("case", "x").code
    404
    """
    return RefusalError(
        404,
        f"there is no such {what}, or it is not yours to see",
        got=str(got),
        allowed=f"a {what} that the calls above this one name",
        todo="ask for the list first",
    )


def error_values(error: AudiodiagError, mark: str = "") -> dict[str, Any]:
    """Give an error as the body of every answer that refuses.

    >>> error = AudiodiagError("it is empty", got="0 s", allowed="3 s", todo="record")
    >>> error_values(error)["error"]["got"]
    '0 s'
    """
    told = {"what": error.what, "got": error.got, "allowed": error.allowed, "todo": error.todo}
    return {"error": {**told, "mark": mark} if mark else told}


@dataclass(frozen=True)
class Asked:
    """A call of a known visitor; ``path``, ``query`` and ``body`` fit their shapes already."""

    room: DeskRoom
    visitor: Visitor
    path: dict[str, Any]
    query: dict[str, Any]
    body: Any = None
    host: str = ""

    @property
    def who(self) -> str:
        """The visitor's name, as deeds are written down with it."""
        return self.visitor.name

    def case(self, session: Session) -> CaseRow:
        """Give the case of the address; what is not the visitor's looks like what is not there."""
        case = session.scalar(select(CaseRow).where(CaseRow.key == self.path["key"]))
        if case is None or not self.visitor.may_see(case.id):
            raise not_there("case", self.path["key"])
        return case

    def recording(self, session: Session, case: CaseRow) -> RecordingRow:
        """Give the recording of the address, which must belong to the case."""
        recording = session.get(RecordingRow, self.path["recording"])
        if recording is None or recording.case_id != case.id:
            raise not_there("recording", self.path["recording"])
        return recording
