"""Asks devices on a serial line, one after the other, and reads their answers: transmitters with a text protocol.

The line may be shared by several (RS-485). What is asked, and where the values stand in an answer, says the settings
file (`framing.serial_answers`); how no answer is taken for another's stands in `serial_talk`.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Mapping, Sequence
from typing import Any, ClassVar, Final

from adapters.contract import (
    AdapterHealth,
    LostDeviceError,
    Reading,
    Rejection,
    Setting,
    SettingsError,
    WallClock,
    Why,
    rejection,
)
from adapters.framing.serial_answers import questions_of
from adapters.framing.serial_lines import CHECKSUM_MODES, LineSplitter
from adapters.packs import PACK_SETTINGS, PackReader
from adapters.serial_port import Frame, open_port
from adapters.serial_talk import READ_WAIT_S, NoAnswerError, Talk

SILENT_ROUNDS: Final = 3
"""After so many rounds in which nobody answered somebody must be told."""
ASK_AGAIN_S: Final = 8.0
"""A device that did not answer is asked again after so long at the soonest, so that it does not hold up the others."""
_PARITIES: Final = {"none": "N", "even": "E", "odd": "O"}


class SerialPoll:
    """One line and the questions that are asked on it."""

    SUMMARY: ClassVar[str] = "devices on a serial line that answer when they are asked (text protocols)"
    SETTINGS: ClassVar[tuple[Setting, ...]] = (
        Setting("port", str, 'the serial port, best by its lasting name, as "/dev/serial/by-id/..."', required=True),
        Setting(
            "questions",
            list,
            'what is asked: [{ ask = "#01\\r", sensor = "hall", fields = { "1" = "temperature_c" } }, ...]',
            required=True,
        ),
        Setting("baud", int, "the devices' speed in baud", default=9600, minimum=50, maximum=4_000_000),
        Setting("parity", str, "the line's parity", default="none", choices=tuple(_PARITIES)),
        Setting("data_bits", int, "the line's data bits", default=8, minimum=7, maximum=8),
        Setting("stop_bits", int, "the line's stop bits", default=1, minimum=1, maximum=2),
        Setting("ends", str, 'what ends an answer; "" = it ends when the line falls silent', default="\n"),
        Setting("interval_s", float, "seconds from one round of questions to the next", default=60.0, minimum=0.1),
        Setting("timeout_s", float, "how long an answer may take", default=1.0, minimum=0.05, maximum=30.0),
        Setting(
            "settle_s",
            float,
            "how long a silence on the line must last to count",
            default=0.1,
            minimum=0.02,
            maximum=5.0,
        ),
        Setting(
            "checksum",
            str,
            "of answers that are SenML lines: whether a checksum is checked, required or ignored",
            default="accept",
            choices=CHECKSUM_MODES,
        ),
        *PACK_SETTINGS,
    )

    def __init__(self, settings: Mapping[str, Any], clock: WallClock) -> None:
        """Take checked settings; raises SettingsError for a question that cannot be."""
        self.health = AdapterHealth()
        self._clock = clock
        self._settings = dict(settings)
        self._questions = questions_of(settings["questions"])
        self._packs = [
            PackReader({**settings, "sensor": question.sensor or settings["sensor"]}, self.health)
            for question in self._questions
        ]
        self._ask_again_s: dict[int, float] = {}  # question -> when (loop time), of those that were not answered
        if not settings["ends"].isascii():
            raise SettingsError("ends has characters that are not ASCII", where="ends", mend='Write as "\\r\\n"')

    def describe(self) -> str:
        """Say what this asks."""
        count = len(self._questions)
        return f"{count} question{'s' * (count != 1)} on serial line {self._settings['port']}"

    async def readings(self) -> AsyncIterator[Sequence[Reading]]:
        """Ask round after round and give what each answer says.

        Raises LostDeviceError when the line is gone or nobody answers any more, RefusedError and SettingsError as
        `open_port`, ProtocolError when the line does not fall silent.
        """
        settings = self._settings
        frame = Frame(settings["data_bits"], _PARITIES[settings["parity"]], settings["stop_bits"], READ_WAIT_S)
        port = await open_port(settings["port"], settings["baud"], frame)
        try:
            talk = Talk(port, settings["port"], settings["ends"].encode(), settings["timeout_s"], settings["settle_s"])
            silent_rounds = 0
            while True:
                answered = False
                for number in self._due():
                    batch = await self._ask(talk, number)
                    if batch is not None:
                        answered = True
                        if batch:
                            yield batch
                silent_rounds = 0 if answered else silent_rounds + 1
                if silent_rounds >= SILENT_ROUNDS:
                    raise self._nobody()
                await self._clock.sleep(settings["interval_s"])
        finally:
            await port.close()

    def _due(self) -> list[int]:
        """Give the questions of this round: those that were not answered lately are left out, but not all."""
        now_s = asyncio.get_running_loop().time()
        numbers = range(len(self._questions))
        return [n for n in numbers if self._ask_again_s.get(n, now_s) <= now_s] or list(numbers)

    async def _ask(self, talk: Talk, number: int) -> list[Reading] | None:
        """Ask once; None where no answer came that can be believed."""
        question = self._questions[number]
        try:
            answer = await talk.ask(question.ask)
        except NoAnswerError as error:
            self.health.reject(rejection(error.why, error.detail, question.sensor))
            self._ask_again_s[number] = asyncio.get_running_loop().time() + ASK_AGAIN_S
            return None
        self._ask_again_s.pop(number, None)
        if not question.fields:
            return self._of_pack(number, answer)
        decoded = question.read(answer, self._clock.now_ms())
        for rejected in decoded.rejections:
            self.health.reject(rejected)
        if any(rejected.reason == Why.OUT_OF_STEP for rejected in decoded.rejections):
            talk.distrust()
            return None
        return decoded.readings

    def _of_pack(self, number: int, answer: bytes) -> list[Reading]:
        lines = LineSplitter(self._settings["checksum"]).feed(answer.lstrip() + b"\n")
        readings: list[Reading] = []
        for line in lines or [rejection(Why.NOT_A_PACK, answer)]:
            if isinstance(line, Rejection):
                self.health.reject(line)
            else:
                readings += self._packs[number].read(line, self._clock.now_ms()).readings
        return readings

    def _nobody(self) -> LostDeviceError:
        last = self.health.last_rejection
        seen = f"; the last of it: {last.reason}: {last.detail[:60]}" if last else ""
        return LostDeviceError(
            f"nobody answered for {SILENT_ROUNDS} rounds",
            where=self.describe(),
            mend=f"Check supply and wiring, then baud, parity, the questions and what ends an answer{seen}",
        )
