"""Waits before the engine is asked again."""

from __future__ import annotations

import random

from ingest.central.writing import LONGEST_S, Later, Waiting


def test_waits_are_spread_so_that_sites_do_not_return_together() -> None:
    """After a long outage a hundred sites come back over minutes, and none waits longer than the limit."""
    waits = []
    for site in range(100):
        waiting = Waiting(0.5, random.Random(site))
        for _ in range(10):
            last_s = waiting.put_off(Later("away"), 0.0)
        waits.append(last_s)
    assert max(waits) <= LONGEST_S
    assert min(waits) >= LONGEST_S / 2
    assert len({round(wait) for wait in waits}) > 50


def test_what_the_server_asks_for_is_never_cut_short() -> None:
    """Spread only lengthens a Retry-After; nought is a second."""
    for seed in range(50):
        assert 7.0 <= Waiting(0.5, random.Random(seed)).put_off(Later("busy", 7.0), 0.0) <= 10.5
    assert Waiting(0.0).put_off(Later("busy", 0.0), 0.0) == 1.0
