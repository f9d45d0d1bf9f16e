"""Every adapter of ours passes the kit that strangers' adapters must pass (`adapters.conformance`)."""

from __future__ import annotations

import asyncio
import contextlib
import os
import pty
import sys
import threading
import tty
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest

from adapters.conformance import CHECKS, Check, Specimen
from adapters.registry import BUILT_INS, load
from ingest.clock import FastClock, SystemClock

LINE = b'[{"n":"loft/temperature","u":"Cel","v":21.5},{"n":"loft/humidity","u":"%RH","v":47}]\n'


@contextlib.contextmanager
def talking_line() -> Iterator[str]:
    """Give the path of a terminal device on which a device says a line every 20 ms, whether anybody listens or not."""
    ours, theirs = pty.openpty()
    tty.setraw(ours)
    os.set_blocking(ours, False)
    stop = threading.Event()

    def talk() -> None:
        while not stop.wait(0.02):
            with contextlib.suppress(BlockingIOError):
                os.write(ours, LINE)

    talker = threading.Thread(target=talk)
    talker.start()
    try:
        yield os.ttyname(theirs)
    finally:
        stop.set()
        talker.join()
        os.close(ours)
        os.close(theirs)


@pytest.fixture
async def specimen(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Specimen]:
    """Give the specimen of a kind, its transport up and delivering."""
    absent = str(tmp_path / "nothing-here")
    await asyncio.to_thread(int)  # so that the loop's own pool is there before anything is counted
    if request.param == "serial_line":
        with talking_line() as port:
            yield Specimen(load("serial_line"), {"port": port}, SystemClock(), absent={"port": absent})
    elif request.param == "child_process":
        program = f"import time\nwhile True: print({LINE.decode().strip()!r}, flush=True); time.sleep(0.05)"
        settings = {"command": [sys.executable, "-c", program]}
        yield Specimen(load("child_process"), settings, SystemClock(), absent={"command": [absent]})
    elif request.param == "dropped_files":
        dropping = threading.Event()
        folder = tmp_path / "drops"
        folder.mkdir()

        def drop() -> None:
            number = 0
            while not dropping.wait(0.05):
                number += 1
                (folder / f"{number}.csv").write_text(
                    f"at_ms,sensor,rh_percent\n{1_700_000_000_000 + number},loft,50\n"
                )

        dropper = threading.Thread(target=drop)
        dropper.start()
        settings = {"folder": str(folder), "interval_s": 0.05}
        yield Specimen(load("dropped_files"), settings, SystemClock(), absent={"folder": absent})
        dropping.set()
        dropper.join()
    elif request.param == "replay":
        path = tmp_path / "room.csv"
        path.write_text("at_ms,sensor,rh_percent\n" + "".join(f"{1_700_000_000_000 + i},loft,50\n" for i in range(99)))
        settings = {"path": str(path), "speed": 0.001}
        yield Specimen(load("replay"), settings, SystemClock(), absent={"path": absent, "format": "csv"})
    else:
        clock = FastClock(1_764_064_800_000, 600.0)
        yield Specimen(load("simulated_room"), {"sensor": "loft", "wood_sensor": "stack"}, clock)


KINDS = ("serial_line", "child_process", "dropped_files", "replay", "simulated_room")
ELSEWHERE = {  # they need a bus or a broker of their own
    "bluetooth_sensing": "tests/unit/adapters/test_bluetooth_sensing.py",
    "bluetooth_broadcasts": "tests/unit/adapters/test_bluetooth_broadcasts.py",
    "serial_poll": "tests/unit/adapters/test_serial_poll.py",
    "modbus_rtu": "tests/unit/adapters/test_modbus_registers.py",
    "modbus_tcp": "tests/unit/adapters/test_modbus_registers.py",
    "http_poll": "tests/unit/adapters/test_http_poll.py",
    "mqtt_topics": "tests/unit/adapters/test_mqtt_topics.py",
}


@pytest.mark.parametrize("specimen", KINDS, indirect=True)
@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
async def test_it_keeps_the_contract(check: Check, specimen: Specimen) -> None:
    """One requirement of the contract, held against one adapter over its real transport."""
    await check(specimen)


def test_no_built_in_is_left_out() -> None:
    """Whatever is registered is examined here."""
    assert set(KINDS) | set(ELSEWHERE) == set(BUILT_INS)
    assert all("CHECKS," in (Path(__file__).parents[2] / path).read_text() for path in ELSEWHERE.values())
