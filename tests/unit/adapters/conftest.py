"""A serial device run by a process of its own, and a few helpers for adapters under test."""

from __future__ import annotations

import asyncio
import importlib.util
import os
import shutil
import subprocess
import sys
from collections.abc import AsyncIterator, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from adapters.contract import Adapter, Reading


class Device:
    """The far end of a serial line (see `pty_device.py`); `path` is where a daemon would open it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        program = Path(__file__).with_name("pty_device.py")
        self._process = subprocess.Popen(
            [sys.executable, str(program)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    async def order(self, *words: object) -> None:
        """Give an order and wait until it is done, without blocking the loop."""
        await asyncio.to_thread(self._order, " ".join(map(str, words)))

    def _order(self, line: str) -> None:
        assert self._process.stdin
        assert self._process.stdout
        self._process.stdin.write(line + "\n")
        self._process.stdin.flush()
        assert self._process.stdout.readline() == "done\n"

    async def plug(self) -> None:
        """Plug it in."""
        await self.order("plug", self.path)

    async def unplug(self) -> None:
        """Pull the plug."""
        await self.order("unplug")

    async def send(self, data: bytes) -> None:
        """Write bytes."""
        await self.order("send", data.hex())

    async def opened(self) -> None:
        """Wait until somebody has the port open for himself: what is sent before that is dropped, as it should be."""
        seen = self.path.stat()  # by device and number: other file systems have small numbers, too
        name = f"{os.major(seen.st_dev):02x}:{os.minor(seen.st_dev):02x}:{seen.st_ino}"
        async with asyncio.timeout(10):
            while not any(line.split()[1] == "FLOCK" and f" {name} " in line for line in _locks()):
                await asyncio.sleep(0.005)
        await asyncio.sleep(0.05)  # between taking the lock and listening pyserial drops what is waiting

    def end(self) -> None:
        """End the process."""
        self._process.communicate(timeout=10)


def _locks() -> list[str]:
    return Path("/proc/locks").read_text().splitlines()


@pytest.fixture
def device(tmp_path: Path) -> Iterator[Device]:
    """A device that is not plugged in yet."""
    made = Device(tmp_path / "port")
    yield made
    made.end()


class Heard:
    """Collects what an adapter gives, in a task of its own."""

    def __init__(self, adapter: Adapter) -> None:
        self.readings: list[Reading] = []
        self.batches: list[Sequence[Reading]] = []
        self._changed = asyncio.Event()
        self.task = asyncio.create_task(self._collect(adapter))

    async def _collect(self, adapter: Adapter) -> None:
        batches = adapter.readings()
        try:
            async for batch in batches:
                self.batches.append(batch)
                self.readings.extend(batch)
                self._changed.set()
        finally:
            await batches.aclose()  # type: ignore[attr-defined]

    async def count(self, wanted: int, within_s: float = 10.0) -> None:
        """Wait until that many readings have come."""
        async with asyncio.timeout(within_s):
            while len(self.readings) < wanted:
                self._changed.clear()
                await self._changed.wait()

    async def stop(self) -> None:
        """Cancel it and wait for its end."""
        self.task.cancel()
        await asyncio.gather(self.task, return_exceptions=True)


@pytest.fixture
def listen() -> type[Heard]:
    """Give the class that listens to an adapter."""
    return Heard


def _helper(name: str) -> Any:
    """Load a module that lies beside the tests."""
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture
async def mosquitto(tmp_path: Path) -> AsyncIterator[Any]:
    """A running broker with TLS and login."""
    folder = tmp_path / "broker"
    folder.mkdir()
    broker = _helper("mosquitto_broker").Mosquitto(folder)
    await broker.start()
    yield broker
    broker.end()


@pytest.fixture
async def web(tmp_path: Path) -> AsyncIterator[Any]:
    """A web server that answers as it is told."""
    server = _helper("web_server").WebServer()
    await server.start()
    yield server
    await server.end()


@pytest.fixture(scope="session")
def asked_devices() -> Any:
    """Give the module with the devices that answer when they are asked."""
    return _helper("asked_devices")


lookalike = _helper("bluez_lookalike")


@pytest.fixture
async def bus(tmp_path: Path) -> AsyncIterator[str]:
    """A private bus that takes the place of the system's, for this process, as long as a test lasts."""
    program = shutil.which("dbus-daemon")
    assert program, "the tests need dbus-daemon (Debian: apt install dbus-daemon)"
    address = f"unix:path={tmp_path}/bus"
    daemon = subprocess.Popen(
        [program, "--session", "--nofork", "--nopidfile", "--print-address=1", f"--address={address}"],
        stdout=subprocess.PIPE,
    )
    assert daemon.stdout
    daemon.stdout.readline()
    before = os.environ.get("DBUS_SYSTEM_BUS_ADDRESS")
    os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = address
    yield address
    daemon.kill()
    daemon.communicate()
    if before is None:
        del os.environ["DBUS_SYSTEM_BUS_ADDRESS"]
    else:
        os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = before


@pytest.fixture
async def bluez(bus: str) -> AsyncIterator[Any]:
    """The Bluetooth service with one radio."""
    service = lookalike.BluezLookalike()
    await service.start(bus)
    service.add_radio()
    yield service
    service.end()


@pytest.fixture
def until() -> Any:
    """Give the function that waits until a condition holds."""
    return lookalike.until


@pytest.fixture
def new_bluez() -> Any:
    """Give the class of the look-alike, for a test that needs another one."""
    return lookalike.BluezLookalike
