"""FAULTS.md names twenty faults, and the tests that it names exist."""

from __future__ import annotations

import re
from pathlib import Path

import adapters

ROOT = Path(adapters.__file__).parents[1]
TEXT = (ROOT / "adapters" / "FAULTS.md").read_text(encoding="utf-8")
ROWS = [line.split(" | ") for line in TEXT.splitlines() if re.match(r"\| \d+ \|", line)]


def test_there_are_twenty_each_with_a_test_or_a_reason() -> None:
    """Numbered from 1 to 20; the last column names tests, or says why there is none."""
    assert [int(row[0].strip("| ")) for row in ROWS] == list(range(1, 21))
    assert all("::test_" in row[3] or row[3].startswith("none") for row in ROWS)


def test_every_test_that_is_named_exists() -> None:
    """So that a renamed test does not leave a fault without its proof."""
    named = re.findall(r"`(tests/[\w/]+\.py)::(test_\w+)`", TEXT)
    assert len(named) >= 25
    missing = [name for path, name in named if f"def {name}(" not in (ROOT / path).read_text(encoding="utf-8")]
    assert missing == []
