"""Polls transmitters on a Modbus bus: RTU on a serial line (RS-485), or TCP, by register maps of the settings file.

The maps are described in `PROTOCOL.md`. Every slave fares for itself: one that does not answer is counted, asked again
after a few seconds, between rounds where need be, and costs the others nothing but its time-out. While none answers one
is asked at a time, so that a bus without power does not keep us from seeing that it has come back.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from typing import Any, ClassVar, Final

from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient

from adapters.contract import (
    AdapterHealth,
    LostDeviceError,
    Reading,
    Rejection,
    Setting,
    TransientError,
    WallClock,
    rejection,
)
from adapters.framing.register_maps import Place, Request, registers_of, requests_of
from adapters.modbus_bus import Bus, Client, NoAnswerError, opened
from adapters.serial_port import open_port

ASK_AGAIN_S: Final = 8.0
"""A slave that did not answer is not asked before this has passed: its silence costs the others time."""
LOOK_S: Final = 1.0
"""Between rounds it is looked so often whether the line is still there."""
SILENT_ROUNDS: Final = 3
"""When nobody answered for so many rounds the line is closed and opened again."""
_PARITIES: Final = {"none": "N", "even": "E", "odd": "O"}

_COMMON: Final = (
    Setting("registers", list, "the register map, a table for each value (see PROTOCOL.md)", required=True),
    Setting("interval_s", float, "seconds from one round of questions to the next", default=30.0, minimum=0.1),
    Setting("timeout_s", float, "how long a slave may take to answer", default=1.0, minimum=0.05, maximum=30.0),
    Setting("settle_s", float, "how long the bus must be silent after a time-out", default=1.0, minimum=0.1),
)


class _ModbusRegisters:
    """What both have in common: rounds of questions."""

    def __init__(self, settings: Mapping[str, Any], clock: WallClock) -> None:
        """Take checked settings; raises SettingsError where the register map cannot be."""
        self.health = AdapterHealth()
        self._clock = clock
        self._settings = dict(settings)
        self._requests = requests_of(registers_of(settings["registers"]))
        self._slaves = {request.place.slave for request in self._requests}
        self._ask_again_s: dict[int, float] = {}  # per slave that is silent, on the loop's clock
        self._unanswered_s: dict[Place, float] = {}  # per question that was not answered: when to ask it again
        self._answered: set[int] = set()  # slaves that answered anything, of those being asked
        self._dark = False  # whether every slave was silent when we began to ask
        self._rest_s = 0.0  # until the next round

    def describe(self) -> str:
        """Say what this is connected to."""
        raise NotImplementedError

    def _bus(self) -> Bus:
        raise NotImplementedError

    async def _explain_absence(self) -> None:
        """Raise what is the matter when the bus could not be opened, where that can be found out."""

    async def readings(self) -> AsyncIterator[Sequence[Reading]]:
        """Open the bus and give the readings of each round, slave by slave.

        Raises LostDeviceError when line or connection are gone or nobody answers any more, RefusedError and
        SettingsError as `open_port`, ProtocolError when the bus does not fall silent.
        """
        bus = self._bus()
        async with opened(bus) as is_open:
            if not is_open:
                await self._explain_absence()
                raise TransientError("it could not be opened", where=self.describe(), mend="It is tried again")
            silent_rounds = 0
            while True:
                is_round = self._rest_s <= 0
                if is_round:
                    self._rest_s = self._settings["interval_s"]
                self._answered.clear()
                self._dark = len(self._ask_again_s) == len(self._slaves)
                for request in self._due(is_round):
                    if batch := await self._ask(bus, request):
                        yield batch
                silent_rounds = 0 if self._answered else silent_rounds + is_round
                if silent_rounds >= SILENT_ROUNDS:
                    raise self._nobody_answers()
                await self._rest(bus)

    def _nobody_answers(self) -> LostDeviceError:
        return LostDeviceError(
            f"no slave answered for {SILENT_ROUNDS} rounds",
            where=self.describe(),
            mend="Check supply and wiring, then speed, parity and the slaves' numbers",
        )

    def _due(self, is_round: bool) -> list[Request]:
        """Give the requests to make now: of a round, those of slaves that are not silent; and of each silent one whose
        time has come. Where all are silent, those of the one whose turn it is."""
        now_s = asyncio.get_running_loop().time()
        silent = self._ask_again_s
        if self._dark:
            turn = min(silent, key=silent.__getitem__)
            return [r for r in self._requests if r.place.slave == turn]
        due = [r for r in self._requests if silent.get(r.place.slave, now_s if is_round else math.inf) <= now_s]
        return [r for r in due if self._unanswered_s.get(r.place, now_s) <= now_s]

    async def _rest(self, bus: Bus) -> None:
        """Wait for the next round, or until a silent slave is to be asked again.

        Raises LostDeviceError when the line goes meanwhile.
        """
        loop = asyncio.get_running_loop()
        while self._rest_s > 0:
            bus.check()
            if any(at_s <= loop.time() for at_s in self._ask_again_s.values()):
                return
            step_s = min(self._rest_s, LOOK_S)
            await self._clock.sleep(step_s)
            self._rest_s -= step_s

    async def _ask(self, bus: Bus, request: Request) -> list[Reading]:
        """Ask once; nothing where no answer came that can be used."""
        try:
            words = await bus.ask(request.place)
        except NoAnswerError as error:
            for register in request.registers:
                self.health.reject(rejection(error.why, error.detail, register.sensor))
            if error.refused:
                self._note_answer(request.place)
            else:
                self._note_silence(request.place)
            return []
        self._note_answer(request.place)
        found = request.read(words, self._clock.now_ms())
        for item in found:
            if isinstance(item, Rejection):
                self.health.reject(item)
        return [item for item in found if isinstance(item, Reading)]

    def _note_silence(self, place: Place) -> None:
        """Put the question off; the slave too, unless it answers others: many pass over what they do not have."""
        again_s = asyncio.get_running_loop().time() + ASK_AGAIN_S
        self._unanswered_s[place] = again_s
        if place.slave not in self._answered:
            self._ask_again_s[place.slave] = again_s

    def _note_answer(self, place: Place) -> None:
        self._answered.add(place.slave)
        self._ask_again_s.pop(place.slave, None)
        self._unanswered_s.pop(place, None)
        if self._dark:  # the bus has power again: everybody is asked
            self._dark = False
            self._ask_again_s.clear()
            self._unanswered_s.clear()
            self._rest_s = 0.0


class ModbusRtu(_ModbusRegisters):
    """Slaves on a serial line."""

    SUMMARY: ClassVar[str] = "Modbus RTU transmitters on a serial line (RS-485)"
    SETTINGS: ClassVar[tuple[Setting, ...]] = (
        Setting("port", str, 'the serial port, best by its lasting name, as "/dev/serial/by-id/..."', required=True),
        Setting("baud", int, "the bus's speed in baud", default=9600, minimum=300, maximum=1_000_000),
        Setting("parity", str, "the bus's parity", default="none", choices=tuple(_PARITIES)),
        Setting("stop_bits", int, "the bus's stop bits", default=1, minimum=1, maximum=2),
        *_COMMON,
    )

    def describe(self) -> str:
        """Say what this is connected to."""
        return f"Modbus RTU on {self._settings['port']} at {self._settings['baud']} baud"

    def _bus(self) -> Bus:
        def make(trace: Callable[[bool, bytes], bytes]) -> Client:
            return AsyncModbusSerialClient(
                self._settings["port"],
                baudrate=self._settings["baud"],
                parity=_PARITIES[self._settings["parity"]],
                stopbits=self._settings["stop_bits"],
                timeout=self._settings["timeout_s"],
                retries=0,
                reconnect_delay=0,
                trace_packet=trace,
            )

        return Bus(make, self.describe(), self._settings["settle_s"], frame_overhead=5)

    async def _explain_absence(self) -> None:
        port = await open_port(self._settings["port"], self._settings["baud"])
        await port.close()


class ModbusTcp(_ModbusRegisters):
    """Slaves behind a host that speaks Modbus TCP: a transmitter itself, or a gateway to a serial bus."""

    SUMMARY: ClassVar[str] = "Modbus TCP transmitters, or a gateway to a serial bus"
    SETTINGS: ClassVar[tuple[Setting, ...]] = (
        Setting("host", str, "host name or address", required=True),
        Setting("port", int, "its port", default=502, minimum=1, maximum=65_535),
        *_COMMON,
    )

    def describe(self) -> str:
        """Say what this is connected to."""
        return f"Modbus TCP at {self._settings['host']}:{self._settings['port']}"

    def _bus(self) -> Bus:
        def make(trace: Callable[[bool, bytes], bytes]) -> Client:
            return AsyncModbusTcpClient(
                self._settings["host"],
                port=self._settings["port"],
                timeout=self._settings["timeout_s"],
                retries=0,
                reconnect_delay=0,
                trace_packet=trace,
            )

        return Bus(make, self.describe(), self._settings["settle_s"], frame_overhead=9)

    async def _explain_absence(self) -> None:
        raise LostDeviceError(
            "it does not take a connection", where=self.describe(), mend="See that it is on, and that host and port fit"
        )
