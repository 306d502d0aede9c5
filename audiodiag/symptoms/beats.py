"""What is left of the band envelopes once the engine's own cycle is taken out?

A four-stroke engine repeats every two crank turns, so all it makes lies at half orders. Beats elsewhere
belong to something else that turns or rubs.
"""

from __future__ import annotations

import numpy as np

from audiodiag.records import FloatArray
from audiodiag.symptoms.angle_view import BEAT_SAMPLES_PER_REV, AngleView
from audiodiag.symptoms.spectra import smooth

__all__ = ["engine_free_beats"]

CYCLES_AROUND = 13


def engine_free_beats(angle: AngleView, *, keep_slow: bool = False, narrow: bool = False) -> FloatArray:
    """Relative envelopes less the mean of the 13 cycles around, 5 to 50 ms kept, shape (r, bands).

    With ``keep_slow`` nothing else is taken out. narrow: of the narrow bands.
    """
    beat = angle.narrow if narrow else angle.beat
    cycle = 2 * BEAT_SAMPLES_PER_REV
    count = len(beat) // cycle
    if count < 3:
        return beat[:0]
    folded = beat[: count * cycle].reshape(count, cycle, -1)
    around = smooth(folded, min(CYCLES_AROUND, count))
    rest = (folded - around).reshape(count * cycle, -1)
    rest = np.concatenate([rest, beat[count * cycle :] * 0.0])
    if keep_slow:
        return rest
    per_s = BEAT_SAMPLES_PER_REV * float(np.median(angle.crank.rpm_at(angle.beat_time_s))) / 60.0
    fine, coarse = max(round(0.005 * per_s), 1), max(round(0.05 * per_s), 3)
    return smooth(rest, fine) - smooth(rest, coarse)
