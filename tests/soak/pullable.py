"""Transports that can be pulled and restored: each says something new all the time while it is there.

What it says is a pressure that never comes twice, 30 kPa and so many thousandths, so that a reading that is stored
twice shows, and so that it is known of each whether it was measured before the pull or after the return.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import pty
import select
import shutil
import threading
import time
import tty
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, ClassVar, Protocol

import aiomqtt
from pymodbus import FramerType
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

BEAT_S = 0.2
Way = tuple[Callable[[], Awaitable[None]], Callable[[], Awaitable[None]]]


class Pullable(Protocol):
    """A transport.  said: how many values it has given so far."""

    kind: ClassVar[str]
    settings: dict[str, Any]
    said: int

    async def start(self) -> None: ...

    def ways(self) -> dict[str, Way]:
        """Give the ways in which it can be pulled and restored."""
        ...

    async def beat(self) -> None:
        """Say something, where it says something by itself."""
        ...

    async def end(self) -> None: ...


def pascals(said: int) -> int:
    """Give the value that says so many, in Pa."""
    return 30_000 + said


def pack(sensor: str, said: int) -> str:
    """Give the value as a SenML pack."""
    return f'[{{"n":"{sensor}/pressure","u":"Pa","v":{pascals(said)}}}]'


class Polled:
    """Something that is asked: it says the next value with every answer."""

    said = 0

    async def beat(self) -> None:
        """It says nothing by itself."""

    def _next(self) -> int:
        self.said += 1
        return self.said

    def _slave(self, number: int = 1) -> SimDevice:
        async def count(code: int, start: int, address: int, many: int, registers: list[int], given: Any) -> None:
            registers[address - start] = self._next()

        return SimDevice(number, [SimData(0, values=[0], datatype=DataType.REGISTERS)], action=count)  # type: ignore[arg-type]

    def _map(self, sensor: str) -> list[dict[str, Any]]:
        return [
            {
                "sensor": sensor, "quantity": "pressure_kpa", "slave": 1, "address": 0, "type": "uint16",
                "scale": 0.001, "offset": 30.0,
            }
        ]  # fmt: skip


class Serial:
    """A device on a USB converter: unplugged, and plugged in again."""

    kind = "serial_line"

    def __init__(self, folder: Path, helper: Any) -> None:
        self._device = helper("conftest").Device(folder / "ttyUSB0")
        self.settings = {"port": str(folder / "ttyUSB0")}
        self.said = 0
        self._in = False
        self._ordering = asyncio.Lock()  # the device answers one order at a time

    async def start(self) -> None:
        await self._plug()

    async def _plug(self) -> None:
        async with self._ordering:
            await self._device.plug()
            self._in = True

    async def _unplug(self) -> None:
        async with self._ordering:
            self._in = False
            await self._device.unplug()

    def ways(self) -> dict[str, Way]:
        return {"unplugged": (self._unplug, self._plug)}

    async def beat(self) -> None:
        async with self._ordering:
            if self._in:
                self.said += 1
                await self._device.order("shout", (pack(self.kind, self.said) + "\n").encode().hex())

    async def end(self) -> None:
        await asyncio.to_thread(self._device.end)


class Rtu(Polled):
    """A slave on an RS-485 bus: the converter unplugged, or the slave without power behind a converter that stays."""

    kind = "modbus_rtu"

    def __init__(self, folder: Path, helper: Any) -> None:
        self._path = folder / "ttyUSB1"
        self.settings = {"port": str(self._path), "registers": self._map(self.kind), "interval_s": 1.0}
        self._powered = True

    async def start(self) -> None:
        near, far = pty.openpty(), pty.openpty()
        for end in (*near, *far):
            tty.setraw(end)
        self._ends = (*near, *far)
        self._pump = threading.Thread(target=self._join, args=(near[0], far[0]), daemon=True)
        self._pump.start()
        self._path.symlink_to(os.ttyname(near[1]))
        port = os.ttyname(far[1])
        self._server = ModbusSerialServer(self._slave(), framer=FramerType.RTU, port=port, baudrate=9600)
        await self._server.serve_forever(background=True)

    def _join(self, one: int, other: int) -> None:
        with contextlib.suppress(OSError, ValueError):
            while True:
                for ready in select.select([one, other], [], [], 0.2)[0]:
                    data = os.read(ready, 1024)
                    if self._powered:
                        os.write(other if ready == one else one, data)

    async def _unplug(self) -> None:
        self._path.unlink()
        await self._server.shutdown()
        for end in self._ends:
            os.close(end)
        await asyncio.to_thread(self._pump.join, 5)

    async def _power(self, on: bool) -> None:
        self._powered = on

    def ways(self) -> dict[str, Way]:
        power: Way = (lambda: self._power(False), lambda: self._power(True))
        return {"converter unplugged": (self._unplug, self.start), "slave without power": power}

    async def end(self) -> None:
        await self._unplug()


class Tcp(Polled):
    """A slave that speaks Modbus TCP: switched off and on."""

    kind = "modbus_tcp"

    def __init__(self, folder: Path, helper: Any) -> None:
        self._port = 0
        self.settings: dict[str, Any] = {"host": "127.0.0.1", "registers": self._map(self.kind), "interval_s": 1.0}

    async def start(self) -> None:
        self._server = ModbusTcpServer(self._slave(), address=("127.0.0.1", self._port))
        await self._server.serve_forever(background=True)
        assert self._server.transport
        self._port = self.settings["port"] = self._server.transport.sockets[0].getsockname()[1]

    async def end(self) -> None:
        await self._server.shutdown()

    def ways(self) -> dict[str, Way]:
        return {"switched off": (self.end, self.start)}


class Http(Polled):
    """A web server: gone, or answering that it is in trouble."""

    kind = "http_poll"

    def __init__(self, folder: Path, helper: Any) -> None:
        self._port = 0
        self._well = True
        self.settings: dict[str, Any] = {"interval_s": 1.0}
        self._writers: set[asyncio.StreamWriter] = set()

    async def start(self) -> None:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self._port)
        self._port = self._server.sockets[0].getsockname()[1]
        self.settings["url"] = f"http://127.0.0.1:{self._port}/now"

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.add(writer)
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            while await reader.readuntil(b"\r\n\r\n"):
                body = pack(self.kind, self._next()) if self._well else "in trouble"
                status = "200 Well" if self._well else "503 Unwell"
                writer.write(f"HTTP/1.1 {status}\r\nContent-Length: {len(body)}\r\n\r\n{body}".encode())
                await writer.drain()
        self._writers.discard(writer)
        writer.close()

    async def end(self) -> None:
        self._server.close()
        for writer in list(self._writers):
            writer.transport.abort()

    async def _be(self, well: bool) -> None:
        self._well = well

    def ways(self) -> dict[str, Way]:
        trouble: Way = (lambda: self._be(False), lambda: self._be(True))
        return {"gone": (self.end, self.start), "answers 503": trouble}


class Child:
    """A program: it ends and cannot go on, or it is not there (the stick that it is on was pulled out)."""

    kind = "child_process"

    def __init__(self, folder: Path, helper: Any) -> None:
        self._there, self._count = folder / "may-run", folder / "count"
        self._program, self._away = folder / "probe", folder / "probe-away"
        self._count.write_text("0")
        self._there.touch()
        self._program.write_text(
            f"#!/bin/sh\nwhile [ -e {self._there} ]; do n=$(($(cat {self._count}) + 1)); echo $n > {self._count}\n"
            f'echo "[{{\\"n\\":\\"{self.kind}/pressure\\",\\"u\\":\\"Pa\\",\\"v\\":$((30000 + n))}}]"\n'
            f"sleep {BEAT_S}; done; exit 3\n"
        )
        self._program.chmod(0o755)
        self.settings = {"command": [str(self._program)]}

    @property
    def said(self) -> int:
        """Ask the program's own count."""
        return int(self._count.read_text() or 0)

    async def start(self) -> None: ...

    async def beat(self) -> None: ...

    async def end(self) -> None: ...

    async def _stop(self) -> None:
        self._there.unlink()
        await asyncio.sleep(2 * BEAT_S)

    async def _go(self) -> None:
        self._there.touch()

    async def _remove(self) -> None:
        self._program.rename(self._away)
        await self._stop()

    async def _bring_back(self) -> None:
        await self._go()
        self._away.rename(self._program)

    def ways(self) -> dict[str, Way]:
        return {"ends": (self._stop, self._go), "is not there": (self._remove, self._bring_back)}


class Files:
    """A folder on a stick: pulled out with what is on it and put in again, or removed and made anew."""

    kind = "dropped_files"

    def __init__(self, folder: Path, helper: Any) -> None:
        self._folder, self._away = folder / "dropped", folder / "dropped-away"
        self.settings = {"folder": str(self._folder)}
        self.said = 0
        self._beaten_s = 0.0

    async def start(self) -> None:
        self._folder.mkdir()
        await self._drop()

    async def _drop(self) -> None:
        self.said += 1
        at_ms = time.time_ns() // 1_000_000
        part = self._folder / f"{self.said}.part"
        part.write_text(f"at_ms,sensor,pressure_kpa\n{at_ms},{self.kind},{pascals(self.said) / 1000:.3f}\n")
        part.rename(part.with_suffix(".csv"))

    async def beat(self) -> None:
        if self._folder.exists() and time.monotonic() - self._beaten_s > 1.0:
            self._beaten_s = time.monotonic()
            await self._drop()

    async def end(self) -> None: ...

    async def _take(self) -> None:
        self._folder.rename(self._away)

    async def _put(self) -> None:
        self._away.rename(self._folder)
        await self._drop()

    async def _remove(self) -> None:
        shutil.rmtree(self._folder)

    def ways(self) -> dict[str, Way]:
        return {"taken away": (self._take, self._put), "removed": (self._remove, self.start)}


class Mqtt:
    """A broker: killed and started again, or out of reach while it goes on keeping messages for us."""

    kind = "mqtt_topics"

    def __init__(self, folder: Path, helper: Any) -> None:
        self._broker = helper("mosquitto_broker").Mosquitto(folder)
        self._door = Door(self._broker.port)
        self.settings: dict[str, Any] = {}
        self.said = 0
        self._publisher: asyncio.Task[None] | None = None

    async def start(self) -> None:
        await self._broker.start()
        await self._door.open()
        self.settings |= self._broker.settings | {"port": self._door.port, "keepalive_s": 15}
        self._publisher = asyncio.create_task(self._publish())

    async def _publish(self) -> None:
        while True:
            with contextlib.suppress(aiomqtt.MqttError):
                async with self._broker.publisher() as client:
                    while True:
                        self.said += 1
                        await client.publish("climate/p", pack(self.kind, self.said), qos=1)
                        await asyncio.sleep(BEAT_S)
            await asyncio.sleep(BEAT_S)

    async def beat(self) -> None: ...

    async def end(self) -> None:
        assert self._publisher
        self._publisher.cancel()
        await asyncio.gather(self._publisher, return_exceptions=True)
        await self._door.close()
        await self._kill()

    async def _kill(self) -> None:
        await asyncio.to_thread(self._broker.end)

    def ways(self) -> dict[str, Way]:
        return {"killed": (self._kill, self._broker.start), "out of reach": (self._door.close, self._door.open)}


class Door:
    """A TCP port that leads to another, as long as it is open."""

    def __init__(self, to: int) -> None:
        self.port = 0
        self._to = to
        self._writers: set[asyncio.StreamWriter] = set()

    async def open(self) -> None:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def close(self) -> None:
        self._server.close()
        for writer in list(self._writers):
            writer.transport.abort()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            inner, onward = await asyncio.open_connection("127.0.0.1", self._to)
            self._writers |= {writer, onward}
            await asyncio.gather(_carry(reader, onward), _carry(inner, writer))
            self._writers -= {writer, onward}
        writer.transport.abort()


async def _carry(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    with contextlib.suppress(OSError):
        while data := await reader.read(65_536):
            writer.write(data)
            await writer.drain()
    writer.transport.abort()
