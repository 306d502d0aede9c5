"""The running median is the library's own over a table, along either axis and with every way at the ends."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import median_filter

from audiodiag.signal.medians import running_median


@pytest.mark.parametrize("mode", ["mirror", "nearest", "reflect"])
@pytest.mark.parametrize(("axis", "size"), [(0, (7, 1)), (1, (1, 7)), (0, (41, 1))])
def test_same_as_over_the_table(axis, size, mode):
    values = np.random.default_rng(3).exponential(size=(60, 33)).astype(np.float32)
    found = running_median(values, max(size), axis=axis, mode=mode)
    assert found.dtype == values.dtype
    np.testing.assert_array_equal(found, median_filter(values, size=size, mode=mode))


def test_window_wider_than_the_line():
    values = np.random.default_rng(4).normal(size=12)
    np.testing.assert_array_equal(
        running_median(values, 31, axis=0), median_filter(values, size=31, mode="nearest")
    )
