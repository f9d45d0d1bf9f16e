"""What is around a daemon under full load, as a program of its own: Bluetooth sensors and Modbus slaves.

Arguments: seconds, how many broadcast once a second, how many slaves. It prints the slaves' port when both are there,
begins to broadcast when it is told "go" on standard input, and prints how many broadcasts there were at the end.
"""

from __future__ import annotations

import asyncio
import importlib.util
import os
import sys
import time
from pathlib import Path
from typing import Any

from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice


def address_of(number: int) -> str:
    """Give the address of a broadcasting sensor."""
    return f"A4:C1:38:00:{number >> 8:02X}:{number & 255:02X}"


def lookalike() -> Any:
    """Make the look-alike of the Bluetooth service."""
    path = Path(__file__).parents[1] / "unit" / "adapters" / "bluez_lookalike.py"
    spec = importlib.util.spec_from_file_location("bluez_lookalike", path)
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.BluezLookalike()


async def broadcast(bluez: Any, seconds: float, sensors: int) -> int:
    """Let every sensor broadcast once a second, evenly spread; give how many broadcasts there were."""
    sent, begun_s = 0, time.monotonic()
    while sent < seconds * sensors:
        second, number = divmod(sent, sensors)
        packet = bytes([0x40, 0x00, second & 255, 0x02]) + (second % 2000).to_bytes(2, "little", signed=True)
        bluez.advertise(address_of(number), packet)
        sent += 1
        if sent % 10 == 0:
            # A pause also when late: the bus must be read out, or the library gives its connection up.
            await asyncio.sleep(max(0.005, begun_s + sent / sensors - time.monotonic()))
    return sent


async def main(seconds: float, sensors: int, slaves: int) -> None:
    """Be there, and broadcast when told to."""
    bluez = lookalike()
    await bluez.start(os.environ["DBUS_SYSTEM_BUS_ADDRESS"])
    bluez.add_radio()
    registers = DataType.REGISTERS
    devices = [SimDevice(n, [SimData(0, values=[400 + n, 210], datatype=registers)]) for n in range(1, slaves + 1)]
    server = ModbusTcpServer(devices, address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    assert server.transport
    print(server.transport.sockets[0].getsockname()[1], flush=True)
    await asyncio.to_thread(sys.stdin.readline)
    print(await broadcast(bluez, seconds, sensors), flush=True)
    await asyncio.to_thread(sys.stdin.readline)
    await server.shutdown()
    bluez.end()


if __name__ == "__main__":
    asyncio.run(main(float(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])))
