"""What comes out of a checked parcel: recordings that join a case, and the words that came with them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from sqlalchemy.orm import Session

from audiodiag.desk.casework import LONGEST_TEXT, add_recording, plain_text, write_note
from audiodiag.desk.jobs import Made
from audiodiag.desk.settings import Limits
from audiodiag.desk.tables import CaseRow

__all__ = ["PARCEL_START", "arrival_of"]

PARCEL_START = b"PK\x03\x04"
"""First bytes of a parcel, as of every zip file (PKWARE's APPNOTE, section 4.3.7)."""


def arrival_of(
    who: str, told: dict[str, Any], made: Sequence[Made], limits: Limits
) -> Callable[[Session, CaseRow], None]:
    """Give what adds the recordings of a parcel to its case, and its words as a note.

    The sender's report is not taken in: it is a page with a script, and the desk makes its own.
    """

    def arrive(session: Session, case: CaseRow) -> None:
        for each in made:
            if each.recording:
                add_recording(
                    session,
                    who,
                    case,
                    sha256=each.sha256,
                    size_bytes=each.size_bytes,
                    file_name=each.name,
                    most_in_case=limits.recordings_a_case,
                    most_waiting=limits.waiting_jobs,
                )
        words = plain_text(str(told.get("note", ""))[: LONGEST_TEXT - 100], "the note")
        if words:
            write_note(session, who, case, f"Came with the parcel:\n{words}")

    return arrive
