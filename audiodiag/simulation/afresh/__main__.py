"""Write simulated clips of the bay made afresh: `python -m audiodiag.simulation.afresh FOLDER`.

Beside each clip, as a phone would send it, stands NAME.truth.json. The clips are for judging and for
training; they are simulated, and no recordings.
"""

from __future__ import annotations

from collections.abc import Sequence

from audiodiag.simulation.writing import write_many

from .writing import write_clip


def main(arguments: Sequence[str] | None = None) -> int:
    """Read the arguments, write the clips; 2 for arguments that cannot be used."""
    return write_many(write_clip, "python -m audiodiag.simulation.afresh", arguments)


if __name__ == "__main__":
    raise SystemExit(main())
