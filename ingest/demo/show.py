"""Puts the demonstration together: its past into the store, the mail catcher, the real daemon on a fast clock."""

from __future__ import annotations

import asyncio
import os
import sys
import time
import webbrowser
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from dashboards.services import CaughtMail
from ingest.clock import FastClock
from ingest.demo import folder, history, places, words
from ingest.demo.folder import Memory
from ingest.demo.forecast import forecast
from ingest.demo.history import Past
from ingest.demo.mails import MailCatcher
from ingest.runtime.daemon import Daemon
from ingest.runtime.machine.signals import SIGNALS, run_until_signal
from ingest.runtime.page_address import bind
from ingest.runtime.page_task import AppFactory
from ingest.settings.wiring import MailWiring, PageWiring, Wiring
from ingest.store.file.opening import FILE_NAME
from ingest.store.sqlite_store import SqliteStore

MINUTE_MS: Final = 60_000

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Options:
    """How the demonstration is to run.  directory: for its data.  keep: whether it stays.  port: 0 = any free one."""

    directory: Path
    keep: bool
    port: int
    speed: float
    browser: bool


async def show(options: Options, app_factory: AppFactory, say: Say) -> None:
    """Run the demonstration until SIGINT or SIGTERM.

    say: prints a line.  Raises RefusedError, StorageError, TransientError or SettingsError before anything runs.
    """
    stop = asyncio.Event()  # for a signal while the past is made; later ones are the daemon's business
    loop = asyncio.get_running_loop()
    for number in SIGNALS:
        loop.add_signal_handler(number, stop.set)
    port = _port(options.port)
    say("Preparing the demonstration: living sixty days in advance takes a few seconds.")
    began_s = time.monotonic()
    memory, start_ms, past = await asyncio.to_thread(prepare, options.directory, time.time_ns() // 1_000_000)
    if stop.is_set():
        say(_farewell(options))
        return
    told = await asyncio.to_thread(forecast, memory, start_ms)
    prepared_s = time.monotonic() - began_s
    clock = FastClock(start_ms, options.speed)

    def ready(address: str) -> None:
        lines = words.opening(address, options.directory, options.keep, options.speed)
        lines += [words.past(past, prepared_s), "", *words.plan(told, start_ms, options.speed), "", "Stop with Ctrl+C."]
        for line in lines:
            say(line)
        if options.browser:
            _open_browser(address, say)

    def caught(mail: CaughtMail) -> None:
        say(f'  A mail to {mail.recipient} was caught: "{mail.subject}"')

    async with MailCatcher(options.directory, clock, caught) as catcher:
        daemon = Daemon(
            wiring(options.directory, memory, port, catcher.port),
            clock=clock,
            app_factory=app_factory,
            demo_speed=options.speed,
            mails=catcher.mails,
        )
        await run_until_signal(daemon, ready)
    say(_farewell(options))


def _farewell(options: Options) -> str:
    return "Stopped." if options.keep else "Stopped; the data are deleted."


def prepare(directory: Path, now_ms: int) -> tuple[Memory, int, Past]:
    """Write the past into the store, a new story's or the rest of an old one's; give memory, live start, and the past.

    The demonstration's time begins at the machine's present minute, or where the last run stopped if that is later.
    Raises RefusedError where the folder is somebody's real one, StorageError where it cannot be used.
    """
    memory = folder.recall(directory)
    start_ms = now_ms // MINUTE_MS * MINUTE_MS
    if memory is None:
        memory = history.new_story(start_ms)
        folder.remember(directory, memory)  # the mark comes first: a store without it is never touched
    with closing(SqliteStore.open(directory / FILE_NAME)) as store:
        start_ms = max([start_ms, *(extent.last_ms for extent in store.read.extents())])
        past = history.write_past(store, memory, start_ms)
    memory.live_starts_ms.append(start_ms)
    folder.remember(directory, memory)
    return memory, start_ms, past


def wiring(directory: Path, memory: Memory, port: int, mail_port: int) -> Wiring:
    """Give what the daemon is built from: the invented site, the simulated rooms, the catcher as its mail server."""
    adapters = [
        places.adapter(
            room,
            places.settings(
                room,
                history.iso(memory.start_ms),
                history.events(memory, room),
                memory.rooms[room.room.id],
            ),
        )
        for room in places.ROOMS
    ]
    mail = MailWiring(
        server="127.0.0.1",
        port=mail_port,
        security="none",
        sender=places.SENDER,
        recipients=(places.RECIPIENT,),
        page_address=f"http://127.0.0.1:{port}/",
    )
    page = PageWiring(port=port)
    return Wiring(site=places.SITE, data_directory=directory, page=page, mail=mail, adapters=tuple(adapters))


def _port(wanted: int) -> int:
    """Find out early whether the page can have its port, before seconds are spent; 0 becomes a free one."""
    with bind(PageWiring(port=wanted)) as listener:
        number: int = listener.getsockname()[1]
    return number


def _open_browser(address: str, say: Say) -> None:
    # Without a screen the standard library would start a text browser in this very terminal.
    screen = sys.platform in ("darwin", "win32") or "DISPLAY" in os.environ or "WAYLAND_DISPLAY" in os.environ
    if not screen:
        say("(There is no screen here to open a browser on: open the page's address yourself.)")
        return
    asyncio.get_running_loop().run_in_executor(None, webbrowser.open, address)
