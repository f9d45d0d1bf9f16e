"""One question at a time on a serial line, so that no answer is taken for another's.

Answers on such a line bear no number, and often no address. One that comes after its time-out would pass for the answer
to the next question: one room's humidity filed under another. So before a question the line is drained; after an answer
nothing more may come; after a time-out the line is left alone for twice as long and until it is silent; and then no
device is believed before it answers twice in a row with nothing behind, for a late answer can stand in for one of the
two only. So it is at the start as well: whoever was on the line before us may have asked for something.
"""

from __future__ import annotations

import asyncio
from typing import Final

from adapters.contract import ProtocolError, Why
from adapters.serial_port import SerialPort

LONGEST_ANSWER: Final = 16_384
DRAIN_LIMIT_S: Final = 10.0
"""A line on which somebody talks for longer without being asked is no line for asking."""
_LATE_BY: Final = 2.0
"""For so many time-outs more a late answer is waited for, so that it meets no question."""
READ_WAIT_S: Final = 0.02
"""How long a read of the port waits: how exactly silence is measured."""


class NoAnswerError(Exception):
    """A question got no answer that can be used.  why, detail: for counting."""

    def __init__(self, why: Why, detail: bytes | str) -> None:
        super().__init__(str(detail))
        self.why = why
        self.detail = detail


class Talk:
    """An open line."""

    def __init__(self, port: SerialPort, where: str, ends: bytes, timeout_s: float, settle_s: float) -> None:
        """ends: what ends an answer; empty = silence does.  timeout_s: how long an answer may take until it is whole.

        settle_s: how long silence must last.
        """
        self._port = port
        self._where = where
        self._ends = ends
        self._timeout_s = timeout_s
        self._settle_s = settle_s
        self._must_settle = True
        self._late = False  # an answer is still owed that may come at any time
        self._believed: set[bytes] = set()  # questions that were answered as they should be when last asked

    async def ask(self, question: bytes) -> bytes:
        """Ask, and give the answer without its end.

        Raises NoAnswerError where there is none that can be believed, LostDeviceError and TransientError when the line
        is gone, ProtocolError when it does not fall silent.
        """
        if question in self._believed and not self._must_settle and not self._port.waiting():
            return await self._exchange(question, self._settle_s)
        await self._exchange(question, self._timeout_s)
        answer = await self._exchange(question, self._timeout_s)
        self._believed.add(question)
        return answer

    def distrust(self) -> None:
        """Say that an answer was not of the device that was asked: nobody is believed until he answers twice."""
        self._believed.clear()
        self._must_settle = True

    async def _exchange(self, question: bytes, listen_s: float) -> bytes:
        """Ask once.  listen_s: for how long nothing may come behind the answer."""
        if self._must_settle or self._port.waiting():
            await self._fall_silent(_LATE_BY * self._timeout_s if self._late else 0.0)
        await self._port.write(question)
        answer, behind = await self._answer(question)
        behind += await self._heard_for(listen_s)
        if behind.strip(b"\r\n \0"):
            self.distrust()
            raise NoAnswerError(Why.OUT_OF_STEP, answer + b" | " + behind)
        return answer

    async def _answer(self, question: bytes) -> tuple[bytes, bytes]:
        """Wait for a whole answer, empty lines and an echo of the question left out; give it, and what is behind it."""
        loop = asyncio.get_running_loop()
        deadline_s = loop.time() + self._timeout_s
        data, heard_s = b"", loop.time()
        while loop.time() < deadline_s:
            some = await self._port.read()
            heard_s = loop.time() if some else heard_s
            data += some
            if len(data) > LONGEST_ANSWER:
                self.distrust()
                raise NoAnswerError(Why.TOO_LONG, data[:100])
            told = data.removeprefix(question).lstrip(b"\r\n")
            if self._ends and self._ends in told:
                answer, _, behind = told.partition(self._ends)
                return answer, behind
            if not self._ends and told and loop.time() - heard_s >= self._settle_s:
                return told, b""
        self._late = True
        self.distrust()  # the answer may yet come, and to any question
        raise NoAnswerError(Why.NO_ANSWER, b"asked " + question + (b", heard " + data[:80] if data else b""))

    async def _heard_for(self, seconds: float) -> bytes:
        loop = asyncio.get_running_loop()
        until_s, data = loop.time() + seconds, b""
        while loop.time() < until_s:
            data += await self._port.read()
        return data

    async def _fall_silent(self, at_least_s: float) -> None:
        loop = asyncio.get_running_loop()
        began_s = quiet_since_s = loop.time()
        while (now_s := loop.time()) - quiet_since_s < self._settle_s or now_s - began_s < at_least_s:
            if now_s - began_s > DRAIN_LIMIT_S + at_least_s:
                raise ProtocolError(
                    f"somebody has been talking for {DRAIN_LIMIT_S:g} s without being asked",
                    where=self._where,
                    mend="A device that talks by itself is a serial_line; or look for another master, or for noise",
                )
            if await self._port.read():
                quiet_since_s = loop.time()
        self._must_settle = self._late = False
