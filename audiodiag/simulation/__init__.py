"""The simulated engine bay that makes training and demo clips, with the truth beside each.

A clip is a function of its seed: nothing is global, and every choice that settings leave open is drawn.
"""

from .bay import simulate, write_clip
from .codecs import encode, through_codec
from .elsewhere import simulate_not_engine
from .settings import BaySettings, SimulatedClip

__all__ = [
    "BaySettings",
    "SimulatedClip",
    "encode",
    "simulate",
    "simulate_not_engine",
    "through_codec",
    "write_clip",
]
