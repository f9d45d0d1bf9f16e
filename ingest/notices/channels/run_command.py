"""Notices handed to a program on this computer: the one JSON form on its standard input.

The program is named as a list of arguments and started as it stands: no shell reads it, nothing of a notice is ever an
argument, and its environment holds `PATH`, `LANG` and `LUMBERROOM_NOTICE` (the number) and nothing else. Exit code 0
means that it has taken the notice, 100 that it never will (the outbox then keeps it as refused), everything else that
it is to be tried again.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from ingest.notices.channels.channel import Later, Outcome, Refused, Sent
from ingest.notices.letters.story import one_line
from ingest.notices.letters.writing import Writer
from ingest.notices.notice_json import as_bytes
from ingest.site.incidents import Notice

REFUSED_CODE: Final = 100
SAFE_PATH: Final = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
MOST_SAID: Final = 4096
"""So many bytes of what a program says are kept, to quote in the outbox."""


@dataclass(frozen=True, slots=True)
class CommandSettings:
    """One program.  name: ours.  run: the program and its arguments.  timeout_s: after so long it is ended (s)."""

    name: str
    run: tuple[str, ...]
    timeout_s: float = 20.0


class CommandChannel:
    """Runs programs; satisfies `channel.Channel`. A notice's recipient is the name of a command."""

    def __init__(self, commands: Mapping[str, CommandSettings], writer: Writer) -> None:
        """Take the commands by name.  writer: gives what goes along with a notice."""
        self._commands = dict(commands)
        self._writer = writer

    async def send(self, notice: Notice) -> Outcome:
        """Run the program with the notice on its standard input."""
        command = self._commands.get(notice.recipient)
        if command is None:
            return Later(f"No command called {notice.recipient!r} is set up. Set it up in the settings file.")
        body = as_bytes(notice, self._writer.links_beside(notice))
        try:
            code, said = await _run(command, notice.number, body)
        except TimeoutError:
            return Later(f"The command {command.name} did not end within {command.timeout_s:g} s, and was ended.")
        except OSError as error:
            why = one_line(error.strerror or str(error))
            return Later(f"The command {command.name} cannot be started ({why}). Check run under [[command]].")
        return _outcome(command, code, said)


async def _run(command: CommandSettings, number: int, body: bytes) -> tuple[int, str]:
    """Run it and give exit code and beginning of what it said. Raises OSError, and TimeoutError once it was ended."""
    environment = {"PATH": SAFE_PATH, "LANG": os.environ.get("LANG", "C.UTF-8"), "LUMBERROOM_NOTICE": str(number)}
    process = await asyncio.create_subprocess_exec(
        *command.run,
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.PIPE,
        env=environment,
        start_new_session=True,  # so that what it starts is ended with it
    )
    try:
        async with asyncio.timeout(command.timeout_s):
            said = await _talk(process, body)
            return await process.wait(), said
    finally:
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(process.pid, signal.SIGKILL)
        await _reaped(process)


async def _reaped(process: asyncio.subprocess.Process) -> None:
    """Wait for an ended process, even while this task is being cancelled: killed, it ends at once."""
    waiting = asyncio.ensure_future(process.wait())
    while not waiting.done():
        with contextlib.suppress(asyncio.CancelledError):
            await asyncio.shield(waiting)


async def _talk(process: asyncio.subprocess.Process, body: bytes) -> str:
    """Hand over the notice and read what the program says of it. One that does not read it is no fault."""
    assert process.stdin is not None
    assert process.stderr is not None
    with contextlib.suppress(BrokenPipeError, ConnectionResetError):
        process.stdin.write(body)
        await process.stdin.drain()
    process.stdin.close()
    kept = b""
    while piece := await process.stderr.read(4096):
        kept += piece[: MOST_SAID - len(kept)]
    return kept.decode("utf-8", "replace")


def _outcome(command: CommandSettings, code: int, said: str) -> Outcome:
    words = one_line(said).rstrip(".")
    told = f": {words}" if words else ""
    if code == 0:
        return Sent()
    if code == REFUSED_CODE:
        return Refused(f"The command {command.name} refuses this notice for good{told}.")
    ended = f"ended with {code}" if code > 0 else f"was ended by signal {-code}"
    return Later(f"The command {command.name} {ended}{told}. It is tried again by itself.")
