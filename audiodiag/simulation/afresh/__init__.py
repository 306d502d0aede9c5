"""The bay made afresh: a third, independent simulation by other laws than the other two.

Everything it makes is simulated. It shares with the first simulation nothing but the encoders and the
class of a clip, with the one built apart how files are written too; a clip is a function of its seed.
`python -m audiodiag.simulation.afresh FOLDER` writes clips.
"""

from .bay import simulate_afresh
from .writing import write_clip

__all__ = ["simulate_afresh", "write_clip"]
