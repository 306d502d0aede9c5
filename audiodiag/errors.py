"""What went wrong, in words that a person at the car can act on.

Every error states what was wrong, what was got, what is allowed and what to do next::

    AudiodiagError
    ├── ClipError        a recording that cannot be used
    ├── VehicleError     a statement about the car that cannot be true
    ├── SpeedError       a speed table, number or pulse channel that cannot be used
    ├── SteeringError    steering phases that cannot be used
    ├── KnowledgeError   a file of causes, checks or cautions that breaks its schema
    ├── ModelError       a stored model that cannot be read
    ├── ParcelError      a parcel that is damaged, hostile or none
    └── UsageError       options that do not fit together, or an output that cannot be written

>>> print(ClipError("the recording is too short", got="0.5 s", allowed="at least 3 s", todo="record again"))
the recording is too short (got 0.5 s; allowed: at least 3 s). What to do: record again.
"""

from __future__ import annotations

import math

__all__ = [
    "LONGEST_GOT",
    "AudiodiagError",
    "ClipError",
    "KnowledgeError",
    "ModelError",
    "ParcelError",
    "SpeedError",
    "SteeringError",
    "UsageError",
    "VehicleError",
    "written_below",
]


LONGEST_GOT = 300
"""Signs after which what was got is cut in the text of an error."""


class AudiodiagError(Exception):
    """Base of all errors that the program explains to its user.

    Parameters
    ----------
    what:
        What was wrong, one clause without a full stop.
    got:
        What was found.
    allowed:
        What would have been accepted.
    todo:
        What the person can do now, one clause without a full stop.

    Names and contents of strange files end up in these texts, so signs that cannot be printed are shown as
    question marks and ``got`` is cut after `LONGEST_GOT` signs.
    """

    def __init__(self, what: str, *, got: str, allowed: str, todo: str) -> None:
        self.what, self.got, self.allowed, self.todo = map(_in_one_line, (what, got, allowed, todo))
        if len(self.got) > LONGEST_GOT:
            self.got = f"{self.got[:LONGEST_GOT]}..."
        end = "" if self.todo.endswith("?") else "."
        super().__init__(
            f"{self.what} (got {self.got}; allowed: {self.allowed}). What to do: {self.todo}{end}"
        )


def _in_one_line(text: str) -> str:
    """Show signs that would break the line or steer the terminal as question marks."""
    return "".join(sign if sign.isprintable() else "?" for sign in text)


def written_below(value: float, least: float) -> str:
    """Write a value that lies below a bound with as many decimals, one to six, as show that it does.

    >>> written_below(2.9, 3.0), written_below(2.9997, 3.0), written_below(2.99999999, 3.0)
    ('2.9', '2.9997', '2.999999')
    """
    texts = (f"{value:.{decimals}f}" for decimals in range(1, 7))
    cut = f"{math.floor(1e6 * value) / 1e6:.6f}"
    return next((text for text in texts if float(text) < least), cut)


class ClipError(AudiodiagError):
    """A recording that cannot be used."""


class VehicleError(AudiodiagError):
    """A statement about the car that cannot be true."""


class SpeedError(AudiodiagError):
    """A speed table, number or pulse channel that cannot be used."""


class SteeringError(AudiodiagError):
    """Steering phases that cannot be used."""


class KnowledgeError(AudiodiagError):
    """A file of causes, checks or cautions that breaks its schema."""


class ModelError(AudiodiagError):
    """A stored model that cannot be read."""


class ParcelError(AudiodiagError):
    """A parcel that is damaged, hostile or none."""


class UsageError(AudiodiagError):
    """Options that do not fit together, or an output that cannot be written."""
