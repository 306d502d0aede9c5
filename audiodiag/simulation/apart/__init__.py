"""The bay built apart: a second, independent simulation to judge (and train) on other laws than the first's.

Everything it makes is simulated. It shares with the first simulation nothing but the encoders and the class
of a clip, with the third how files are written too; a clip is a function of its seed.
`python -m audiodiag.simulation.apart FOLDER` writes clips.
"""

from .bay import simulate_apart
from .writing import write_clip

__all__ = ["simulate_apart", "write_clip"]
