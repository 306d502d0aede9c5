"""Which way does a measure speak? What physics says beforehand, so that no habit of a simulation is learnt.

More sidebands never speak against a growl, more hiss never against the relief valve. A model that is *held*
may give such a measure the weight nought, but none of the wrong sign. Measures that may speak either way,
such as an order or a band, stand in no list; a groan has so many shapes that none of its measures does.
"""

from __future__ import annotations

import numpy as np

from audiodiag.records import FloatArray

__all__ = ["AGAINST", "BESIDE", "FOR", "REPEATED", "SPEEDLESS", "WITH", "leanings"]

FOR: dict[str, tuple[str, ...]] = {
    "pump_whine": (
        "whine_comb_db",
        "whine_free_comb_db",
        "whine_loud_comb_db",
        "whine_line_db",
        "whine_second_db",
        "whine_third_db",
        "whine_sideband_db",
        "whine_gap_db",
        "whine_half_order_distance",
        "whine_over_engine_db",
        "whine_share_db",
        "whine_merit_db",
        "whine_merit_gap_db",
        "whine_growth_db",
        "whine_dip_correlation",
        "whine_motion_db",
        "whine_steadiness",
        "whine_likely_db",
        "whine_likely_over_engine_db",
        "whine_likely_sideband_db",
        "whine_gliding_share",
        "whine_gliding_level_db",
    ),
    "cavitation_groan": ("groan_swell_evenness", "groan_swell_usual_db"),
    "belt_squeal": (
        "squeal_prominence_db",
        "squeal_restless_db",
        "squeal_restless_overtone_db",
        "squeal_total_s",
        "squeal_share_of_time",
        "squeal_longest_s",
        "squeal_wander_percent",
        "squeal_restlessness_hz",
        "squeal_pitch_residual_percent",
        "squeal_order_residual_percent",
        "squeal_harmonic_db",
        "squeal_rise_db",
        "squeal_hump_db",
        "squeal_narrow_hump_db",
        "squeal_dip_percent",
        "squeal_count",
        "squeal_share_db",
    ),
    "belt_chirp": (
        "chirp_belt_comb_db",
        "chirp_pulley_comb_db",
        "chirp_repetition",
        "chirp_fit_db",
        "chirp_burst_rate_hz",
        "chirp_burst_height_db",
        "chirp_narrow_comb_db",
        "chirp_narrow_fit_db",
        "chirp_narrow_rate_hz",
        "chirp_narrow_peakiness",
        "chirp_peakiness",
        "chirp_share_db",
        "chirp_row_comb_db",
        "chirp_slim_row_db",
        "chirp_slim_comb_db",
        "chirp_swell_octaves",
    ),
    "relief_hiss": (
        "hiss_merit_db",
        "hiss_rise_db",
        "hiss_flatness_db",
        "hiss_edge_db",
        "hiss_plateau_s",
        "hiss_total_share",
        "hiss_dip_correlation",
        "hiss_share_db",
        "hiss_band_step_db",
        "hiss_band_worth_db",
        "hiss_band_merit_db",
        "hiss_band_clear",
        "hiss_band_noise_db",
        "hiss_band_dip_percent",
    ),
    "bearing_growl": (
        "growl_comb_db",
        "growl_whole_db",
        "growl_lone_db",
        "growl_line_db",
        "growl_second_db",
        "growl_sideband_db",
        "growl_gap_db",
        "growl_depth",
        "growl_constancy",
        "growl_bands",
        "growl_kurtosis",
        "growl_share_db",
        "growl_apart_db",
        "growl_apart_bands",
        "growl_apart_constancy",
        "growl_even_whole_db",
        "growl_even_lone_db",
        "growl_even_second_db",
        "growl_even_gap_db",
        "growl_even_constancy",
        "growl_even_share_db",
        "growl_even_apart_constancy",
        "growl_overtone_db",
        "growl_even_overtone_db",
        "growl_even_wide_overtone_db",
    ),
}
"""Measures of which more speaks for the symptom: in a held model it never makes it less probable."""

AGAINST: dict[str, tuple[str, ...]] = {
    "pump_whine": (
        "whine_noise_correlation",
        "whine_gliding_stray_percent",
        "whine_gliding_half_db",
        "whine_gliding_third_db",
    ),
    "belt_squeal": ("squeal_low_rise_db",),
    "belt_chirp": ("chirp_irregularity", "chirp_row_low_rise_db", "chirp_row_spread", "chirp_swell_evenness"),
    "relief_hiss": (
        "hiss_low_rise_db",
        "hiss_unevenness_db",
        "hiss_unsteadiness_db",
        "hiss_beat_change",
        "hiss_band_low_db",
        "hiss_band_unsteadiness_db",
    ),
    "bearing_growl": (
        "growl_bare_db",
        "growl_even_bare_db",
        "growl_apart_loss_db",
        "growl_even_fourth_db",
        "growl_swell_over_calm_octaves",
        "growl_beside_whine_db",
    ),
}
"""Measures of which more speaks against the symptom: in a held model it never makes it more probable."""

BESIDE: dict[str, tuple[str, ...]] = {
    "cavitation_groan": (
        "squeal_prominence_db",
        "squeal_narrow_hump_db",
        "squeal_tones_at_once",
        "chirp_belt_comb_db",
        "chirp_pulley_comb_db",
        "growl_swell_over_calm_octaves",
    ),
    "belt_chirp": ("growl_bands", "groan_roughness_calm", "squeal_tones_at_once"),
    "relief_hiss": ("squeal_prominence_db", "squeal_rise_db", "squeal_narrow_hump_db"),
    "bearing_growl": ("chirp_narrow_comb_db", "chirp_belt_comb_db"),
}
"""Measures of another symptom that account for what would pass for this one, and so speak against it.

The tones of a squeal fill the bands of a hiss and of a groan and end as they do; the bursts of a chirp are
strikes at no order of the engine, and noise that swells as a groan's does. Where many bands swing or
are struck together, or tones sound, the bursts are hardly those of a chirp, which fills a few bands; and what
swells far above the calm is rather a jet or a belt than a groan, which roars low."""

WITH: dict[str, tuple[str, ...]] = {
    "pump_whine": ("groan_high_beat_db",),
    "cavitation_groan": ("growl_kurtosis",),
    "belt_chirp": ("growl_even_fourth_db",),
    "relief_hiss": ("chirp_swell_evenness",),
    "bearing_growl": ("groan_roughness", "groan_roughness_calm"),
}
"""Measures made for another symptom that this one shows as well, and that so speak for it.

A pump that whines beats at its turns; bubbles collapse in strikes; a belt strikes more evenly than balls
roll; a jet fills the highs evenly; a bearing shakes the bands together. That they are missing is not told a
person as evidence."""


REPEATED: dict[str, str] = {"growl_beside_whine_db": "whine_merit_db"}
"""Measures that repeat the number of another symptom's: what is clear there is clear here."""


SPEEDLESS: dict[str, tuple[str, ...]] = {
    "belt_chirp": (
        "chirp_row_comb_db",
        "chirp_row_spread",
        "chirp_row_low_rise_db",
        "chirp_slim_row_db",
        "chirp_burst_rate_hz",
        "chirp_burst_height_db",
        "chirp_burst_length_ms",
        "chirp_irregularity",
        "chirp_peakiness",
        "chirp_share_db",
        "noise_slope_db_per_octave",
        "level_range_db",
        "spectral_flux_db",
        "syllable_depth",
        "tonal_share",
        "band_top_hz",
        "crest",
    ),
}
"""Measures of a symptom that can be heard without any engine speed, and of the whole clip, that hang on no
order. Bursts are those of the bands that show the belt best, and scatter in turns, where a speed is followed:
so these move a little with it."""


def leanings(measures: tuple[str, ...], symptom: str) -> FloatArray:
    """Tell which way each measure speaks for a symptom, shape (m,): 1 for, -1 against, 0 either way.

    >>> leanings(("growl_comb_db", "growl_bare_db", "growl_order"), "bearing_growl").tolist()
    [1.0, -1.0, 0.0]
    """
    up = FOR.get(symptom, ()) + WITH.get(symptom, ())
    down = AGAINST.get(symptom, ()) + BESIDE.get(symptom, ())
    return np.array([float(name in up) - float(name in down) for name in measures])
