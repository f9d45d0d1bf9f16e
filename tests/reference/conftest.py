"""Fixtures for the checks against published tables: each CSV beside this file names its source in its header."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

Rows = list[dict[str, str]]
HERE = Path(__file__).parent


def read_table(name: str) -> Rows:
    """Give the rows of `name`.csv as dictionaries, leaving out the comment lines of its header."""
    lines = (HERE / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


@pytest.fixture
def table() -> Callable[[str], Rows]:
    """A reader of check tables by name."""
    return read_table


@pytest.fixture
def columns() -> Callable[..., list[NDArray[np.float64]]]:
    """A reader of numeric columns: columns("table", "a", "b") gives two float64 arrays."""

    def read(name: str, *wanted: str) -> list[NDArray[np.float64]]:
        rows = read_table(name)
        return [np.array([float(row[column]) for row in rows]) for column in wanted]

    return read
