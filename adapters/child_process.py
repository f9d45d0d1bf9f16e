"""Runs a program that prints SenML packs, one a line, and reads its output: an adapter in any language.

The program is started as it is, never by a shell, with an environment of its own; what it writes to standard error is
logged, and it is ended with everything that it started when the adapter ends.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import signal
from asyncio.subprocess import DEVNULL, PIPE, Process
from collections.abc import AsyncIterator, Mapping, Sequence
from typing import Any, ClassVar, Final

from adapters.cancelling import cancellable
from adapters.contract import AdapterHealth, Reading, Setting, SettingsError, TransientError, WallClock
from adapters.pack_lines import PackLines
from adapters.packs import PACK_SETTINGS

END_WAIT_S: Final = 0.8
"""How long it may take to end by itself when asked to, before it is killed."""
LOGGED_LINES: Final = 20
"""How many lines of its standard error are logged in a minute; of the rest only the last is kept for the error."""
_CHUNK_BYTES: Final = 65_536
_LINE_SHOWN: Final = 200
_PASSED_ON: Final = ("PATH", "HOME", "LANG", "LC_ALL", "TZ", "USER", "TMPDIR")

_log = logging.getLogger("lumberroom.adapters.child_process")


class ChildProcess:
    """One program."""

    SUMMARY: ClassVar[str] = "a program that prints SenML lines, started and watched"
    SETTINGS: ClassVar[tuple[Setting, ...]] = (
        Setting("command", list, 'program and arguments, as ["/usr/local/bin/read-probe", "3"]', required=True),
        Setting("directory", str, "the folder it runs in", is_path=True),
        Setting("environment", dict, "environment variables for it, beside the usual ones", default={}),
        Setting(
            "again_after_s",
            float,
            "start it again so long after it ended well; 0 = it should not end",
            default=0.0,
            minimum=0.0,
        ),
        Setting(
            "silent_after_s",
            float,
            "end and restart it when it printed nothing for so long; 0 = never",
            default=0.0,
            minimum=0.0,
        ),
        *PACK_SETTINGS,
    )

    def __init__(self, settings: Mapping[str, Any], clock: WallClock) -> None:
        """Take checked settings; raises SettingsError for what cannot be a command."""
        self.health = AdapterHealth()
        self._clock = clock
        self._command: list[str] = settings["command"]
        self._directory: str | None = settings["directory"]
        self._environment: dict[str, str] = settings["environment"]
        self._again_after_s: float = settings["again_after_s"]
        self._silent_after_s: float = settings["silent_after_s"]
        self._lines = PackLines(settings, self.health)
        self._last_said = ""
        texts = [*self._command, *self._environment, *self._environment.values()]
        if not self._command or not all(isinstance(text, str) and "\0" not in text for text in texts):
            raise SettingsError(
                f"{self._command!r} is no command",
                where="command",
                mend='Write the program and its arguments, each in quotes: ["/usr/local/bin/read-probe", "3"]',
            )

    def describe(self) -> str:
        """Say what this runs."""
        return f"program {ascii(self._command[0])[1:-1]}"

    async def readings(self) -> AsyncIterator[Sequence[Reading]]:
        """Start the program and give what it prints; where `again_after_s` says so, again and again.

        Raises SettingsError when it cannot be started, TransientError when it ends or falls silent, ProtocolError when
        nothing that it prints can be read.
        """
        while True:
            async with contextlib.aclosing(self._run()) as batches:
                async for batch in batches:
                    yield batch
            await self._clock.sleep(self._again_after_s)

    async def _run(self) -> Any:
        process = await self._start()
        listening = asyncio.create_task(self._listen_to_complaints(process))
        try:
            self._lines.begin()
            while data := await self._output(process):
                batch = self._lines.feed(data, self._clock.now_ms())
                if batch:
                    yield batch
                self._lines.refuse_noise(self.describe(), "Check that it prints SenML, one pack a line")
            if batch := self._lines.feed(b"\n", self._clock.now_ms()):  # a last line without an end
                yield batch
            await asyncio.wait([listening], timeout=END_WAIT_S)
            self._judge_end(await _ended(process))
        finally:
            listening.cancel()
            await _end(process)
            await asyncio.gather(listening, return_exceptions=True)

    async def _start(self) -> Process:
        inherited = {name: os.environ[name] for name in _PASSED_ON if name in os.environ}
        try:
            return await cancellable(
                asyncio.create_subprocess_exec(
                    *self._command,
                    stdin=DEVNULL,
                    stdout=PIPE,
                    stderr=PIPE,
                    cwd=self._directory,
                    env=inherited | self._environment,
                    start_new_session=True,  # so that what it starts ends with it
                )
            )
        except OSError as error:
            raise SettingsError(
                f"it cannot be started ({error.strerror})",
                where=self.describe(),
                mend="Name a program that is there and may be run by the account of lumberroom, by its whole path",
            ) from error

    async def _output(self, process: Process) -> bytes:
        assert process.stdout
        try:
            async with asyncio.timeout(self._silent_after_s or None):
                return await process.stdout.read(_CHUNK_BYTES)
        except TimeoutError:
            raise TransientError(
                f"it printed nothing for {self._silent_after_s:g} s",
                where=self.describe(),
                mend="It is ended and started again by itself",
            ) from None

    def _judge_end(self, status: int) -> None:
        if status == 0 and self._again_after_s:
            return
        how = f"was ended by signal {-status}" if status < 0 else f"ended with status {status}"
        said = f", saying last: {self._last_said}" if self._last_said else ""
        raise TransientError(f"it {how}{said}", where=self.describe(), mend="It is started again by itself")

    async def _listen_to_complaints(self, process: Process) -> None:
        """Log its standard error, so much of it in a minute; read all of it, so that it is never held up."""
        assert process.stderr
        loop = asyncio.get_running_loop()
        minute_s, logged, rest = loop.time(), 0, b""
        while data := await process.stderr.read(_CHUNK_BYTES):
            *lines, rest = (rest + data).split(b"\n")
            rest = rest[-_LINE_SHOWN:]
            if loop.time() - minute_s > 60:
                minute_s, logged = loop.time(), 0
            for line in filter(None, (line.strip() for line in lines)):
                self._last_said = ascii(line[:_LINE_SHOWN].decode("utf-8", "replace"))[1:-1]
                logged += 1
                if logged <= LOGGED_LINES:
                    _log.warning("%s says: %s", self.describe(), self._last_said)


async def _ended(process: Process) -> int:
    """Wait until it has ended, for it has closed its output: one that goes on all the same is ended."""
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(END_WAIT_S):
            return await process.wait()
    await _end(process)
    return process.returncode or 0


async def _end(process: Process) -> None:
    """Ask it to end, then kill it, with everything that it started."""
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGTERM)
    # Not asyncio.timeout: before Python 3.11.3 it lets a cancellation through instead of the time-out in a task that
    # is being cancelled, which is just when this runs, and the program would live on.
    ended = asyncio.ensure_future(process.wait())
    await asyncio.wait([ended], timeout=END_WAIT_S)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    await ended
    process._transport.close()  # type: ignore[attr-defined]  # the pipes, where a grandchild holds them open
