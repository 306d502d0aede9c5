"""`audiodiag unpack`: check a parcel to the byte and unpack it."""

from __future__ import annotations

import argparse

from audiodiag.commands.inputs import values_of
from audiodiag.errors import UsageError
from audiodiag.options import Option

__all__ = ["OPTIONS", "run"]

OPTIONS: tuple[Option, ...] = (
    Option("--out", "out", "text", "the parcel", "new or empty folder for it; needed", metavar="FOLDER"),
)


def run(wanted: argparse.Namespace) -> int:
    """Unpack a parcel whose every byte is vouched for; refuse any other in words."""
    given = values_of(wanted, OPTIONS)
    if not wanted.parcel or "out" not in given:
        raise UsageError(
            "the command must be told the parcel and the folder",
            got="no parcel" if not wanted.parcel else "no --out",
            allowed="a parcel, --out and the name of a new folder",
            todo="audiodiag unpack parcel.zip --out case",
        )
    from audiodiag.cases import unpack_parcel

    checked = unpack_parcel(wanted.parcel, given["out"])
    number = len(checked.recordings)
    counted = "1 recording" if number == 1 else f"{number} recordings"
    print(f"{given['out']}: whole, as it was sent; {counted}")
    print(
        f"{given['out']}/data/report.html is the sender's page: open it only if you know the sender; "
        f"audiodiag report makes one of your own from the recordings"
    )
    return 0
