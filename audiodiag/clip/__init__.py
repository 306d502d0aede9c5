"""Any phone file in, a ``Clip`` out; and what the recording is good for."""

from audiodiag.clip.bridges import bridged
from audiodiag.clip.quality import assess_quality
from audiodiag.clip.reading import read_clip

__all__ = ["assess_quality", "bridged", "read_clip"]
