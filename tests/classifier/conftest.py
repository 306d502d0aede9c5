"""The table that the tests of this room share."""

from __future__ import annotations

import pytest

from audiodiag.classifier.table import Table
from tests.classifier.made_up import made_up_rows


@pytest.fixture(scope="session")
def made_up_table() -> Table:
    return Table.of(made_up_rows(320, 1))
