"""One question at a time to the slaves of a Modbus bus, by pymodbus, so that no answer is taken for another's.

A Modbus RTU answer bears no number. One that comes after its time-out fits the next question of equal length, and from
then on every answer belongs to the question before: one room's humidity filed under another, with a valid checksum.
So after any time-out the bus is left alone until it was offline for a while; and the slave that timed out is believed
again only when an answer of its was followed by silence as well.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Awaitable, Callable
from typing import Final, Protocol

from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException
from pymodbus.pdu import ModbusPDU

from adapters.cancelling import cancellable
from adapters.contract import LostDeviceError, ProtocolError, Why
from adapters.framing.register_maps import Place

DRAIN_LIMIT_S: Final = 10.0
"""A bus on which somebody talks for longer without being asked is no bus of ours."""
_INPUT: Final = 4
_GATEWAY_CODES: Final = (10, 11)
"""Exceptions by which a gateway says that it could not reach the slave (V1.1b3, section 7)."""

Client = AsyncModbusSerialClient | AsyncModbusTcpClient


class ClientMaker(Protocol):
    """Makes a client that tells every packet to `trace`."""

    def __call__(self, trace: Callable[[bool, bytes], bytes]) -> Client: ...


class NoAnswerError(Exception):
    """A question got no answer that can be used.

    why, detail: for counting.  refused: the slave itself answered, by saying no.
    """

    def __init__(self, why: Why, detail: str, *, refused: bool = False) -> None:
        super().__init__(detail)
        self.why = why
        self.detail = detail
        self.refused = refused


class Bus:
    """An open bus."""

    def __init__(self, make_client: ClientMaker, where: str, settle_s: float, frame_overhead: int) -> None:
        """settle_s: how long silence must last.  frame_overhead: octets of an answer around its registers."""
        self._client = make_client(self._trace)
        self._where = where
        self._settle_s = settle_s
        self._frame_overhead = frame_overhead
        self._asking = False
        self._longest = 0  # of what was received for the present question, octets
        self._unasked_s: float | None = None  # when octets last came that nobody had asked for
        self._suspects: set[int] = set()  # slaves that timed out and are not believed yet

    async def open(self) -> bool:
        """Open the line or the connection; says whether that worked."""
        self._unasked_s = asyncio.get_running_loop().time()  # whoever was here before us may have asked for something
        return await cancellable(self._client.connect())

    def close(self) -> None:
        """Let go of it."""
        self._client.close()

    def check(self) -> None:
        """Raise LostDeviceError when the line is known to be gone; asks nothing."""
        if not self._client.connected:
            raise LostDeviceError("the line is gone", where=self._where, mend="It is taken up again once it is back")

    async def ask(self, place: Place) -> list[int]:
        """Ask for registers and give their words.

        Raises NoAnswerError where the slave does not answer, refuses, or answers something else, LostDeviceError when
        the line is gone, ProtocolError when the bus does not fall silent.
        """
        if self._unasked_s is not None:
            await self._fall_silent()
        try:
            words = await self._exchange(place)
        except NoAnswerError as error:
            if error.why is not Why.DEVICE_ERROR:
                self._suspects.add(place.slave)
                await self._fall_silent()
            raise
        if place.slave in self._suspects:
            await self._believe_again(place)
        return words

    async def _exchange(self, place: Place) -> list[int]:
        self.check()
        read = self._client.read_input_registers if place.function == _INPUT else self._client.read_holding_registers
        self._asking, self._longest = True, 0
        try:
            answer = await cancellable(_asked(read(place.address, count=place.words, device_id=place.slave)))
        except ModbusException as error:
            if not self._client.connected:
                raise LostDeviceError(
                    f"the line went away ({error})", where=self._where, mend="It is taken up again once it is back"
                ) from error
            raise NoAnswerError(Why.NO_ANSWER, _shown(place)) from error
        finally:
            self._asking = False
        if answer.isError():
            code = getattr(answer, "exception_code", "unknown")
            raise NoAnswerError(
                Why.DEVICE_ERROR, f"{_shown(place)}: exception {code}", refused=code not in _GATEWAY_CODES
            )
        words = list(answer.registers)
        if len(words) != place.words or self._longest > self._frame_overhead + 2 * place.words:
            raise NoAnswerError(Why.OUT_OF_STEP, f"{_shown(place)}: {len(words)} registers, {self._longest} octets")
        return words

    async def _believe_again(self, place: Place) -> None:
        """After a time-out: believe an answer only when nothing more comes behind it."""
        await asyncio.sleep(self._settle_s)
        if self._unasked_s is not None:
            await self._fall_silent()
            raise NoAnswerError(Why.OUT_OF_STEP, f"{_shown(place)}: another answer came behind it")
        self._suspects.discard(place.slave)

    async def _fall_silent(self) -> None:
        loop = asyncio.get_running_loop()
        began_s = loop.time()
        quiet_since_s = began_s
        while (now_s := loop.time()) - quiet_since_s < self._settle_s:
            if now_s - began_s > DRAIN_LIMIT_S:
                raise ProtocolError(
                    f"somebody has been talking for {DRAIN_LIMIT_S:g} s without being asked",
                    where=self._where,
                    mend="One master only may be on a bus: look for another one, or for noise (termination, earth)",
                )
            await asyncio.sleep(self._settle_s - (now_s - quiet_since_s))
            quiet_since_s = max(quiet_since_s, self._unasked_s or 0.0)
        self._unasked_s = None

    def _trace(self, sending: bool, data: bytes) -> bytes:
        if not sending:
            if self._asking:
                self._longest = max(self._longest, len(data))
            else:
                self._unasked_s = asyncio.get_running_loop().time()
        return data


async def _asked(answer: Awaitable[ModbusPDU]) -> ModbusPDU:
    return await answer


def _shown(place: Place) -> str:
    kind = "input" if place.function == _INPUT else "holding"
    return f"slave {place.slave}, {kind} {place.address}+{place.words}"


@contextlib.asynccontextmanager
async def opened(bus: Bus) -> AsyncIterator[bool]:
    """Have a bus open for as long as the block lasts; gives whether opening worked."""
    try:
        yield await bus.open()
    finally:
        bus.close()
