"""The keeper comes second: it waits between small pieces of its work, and hardly touches the disk beside who stores."""

import threading
import time

import numpy as np

from ingest.store.file import keeper
from ingest.store.file.keeper import GivingWay

MINUTE = 60_000


def waited_s(gate: GivingWay) -> float:
    """For how long the keeper waits now."""
    began_s = time.monotonic()
    gate.give_way()
    return time.monotonic() - began_s


def test_the_keeper_waits_until_nobody_comes_first() -> None:
    """With nobody there it goes on at once; with two it waits for both; another thread lets it go."""
    gate = GivingWay()
    gate.begin_step()
    assert waited_s(gate) < 0.05
    first, second = gate.coming_first(), gate.coming_first()
    first.__enter__()
    second.__enter__()
    threading.Timer(0.01, first.__exit__, (None, None, None)).start()
    threading.Timer(0.04, second.__exit__, (None, None, None)).start()
    assert 0.03 < waited_s(gate) <= keeper.MOST_S + 0.05
    assert waited_s(gate) < 0.05


def test_a_step_comes_to_an_end_beside_whom_ever() -> None:
    """One step waits so long in all and not each time, the next one again, and one that is far behind not at all."""
    gate = GivingWay()
    with gate.coming_first():
        gate.begin_step()
        assert waited_s(gate) >= 0.9 * keeper.MOST_S
        assert waited_s(gate) < 0.5 * keeper.MOST_S
        gate.begin_step()
        assert waited_s(gate) >= 0.9 * keeper.MOST_S
        gate.begin_step(is_behind=True)
        assert waited_s(gate) < 0.5 * keeper.MOST_S


def test_settling_leaves_the_writer_waiting_for_the_disk(store, put) -> None:
    """A step of settling commits without waiting for the disk; whoever stores after it waits again."""
    put(np.arange(100) * MINUTE, np.arange(100.0))
    assert store.settle_step()
    assert store._writer.execute("PRAGMA synchronous").fetchone() == (2,)
    with store._transaction(waits_for_disk=False) as work:
        assert work.view.connection.execute("PRAGMA synchronous").fetchone() == (1,)
    assert store._writer.execute("PRAGMA synchronous").fetchone() == (2,)
