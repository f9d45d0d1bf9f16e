"""The keeper goes on, whatever one of its steps dies of, and says so."""

import itertools
import time

from ingest.store.file import keeper
from ingest.store.file.keeper import Keeper


def test_whatever_a_step_dies_of_is_told_and_tried_again() -> None:
    """An error that nobody thought of: told with its name, and the next step is taken after a rest."""
    before, keeper._TROUBLED_S = keeper._TROUBLED_S, 0.02
    calls: list[float] = []

    def step() -> bool:
        calls.append(time.monotonic())
        if len(calls) <= 3:
            raise ValueError("a column of no length")
        return False

    kept = Keeper(step, lambda: 0)
    try:
        while not calls:
            time.sleep(0.001)
        time.sleep(0.005)
        assert kept.trouble == "a fault in lumberroom: ValueError('a column of no length')"
        while len(calls) < 4:
            time.sleep(0.001)
        time.sleep(0.005)
        assert kept.trouble == ""
        rests = [b - a for a, b in itertools.pairwise(calls)]
        assert rests[0] >= 0.02
        assert rests[1] >= 0.04
        assert rests[2] >= 0.08
    finally:
        keeper._TROUBLED_S = before
        kept.stop()
