"""The adapter that runs a program, with real programs."""

from __future__ import annotations

import asyncio
import logging
import os
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from adapters.child_process import LOGGED_LINES, ChildProcess
from adapters.contract import ProtocolError, SettingsError, TransientError, Why
from adapters.registry import check_settings
from ingest.clock import SystemClock

LINE = '[{"n":"loft/humidity","u":"%RH","v":47}]'


def adapter(*command: str, **settings: Any) -> ChildProcess:
    """Make the adapter as the daemon does."""
    return ChildProcess(check_settings(ChildProcess, {"command": list(command)} | settings), SystemClock())


def program(text: str) -> tuple[str, ...]:
    """Give the command of a Python program."""
    return (sys.executable, "-u", "-c", text)


async def test_what_a_shell_script_prints_becomes_readings(tmp_path: Path, listen: Any) -> None:
    """Ten lines of shell are an adapter; a last line without an end counts, what is no pack is counted."""
    script = tmp_path / "probe"
    script.write_text(
        f"#!/bin/sh\nprintf '%s\\n' '{LINE}' 'oops'\nprintf '%s' '{LINE.replace('47', '48')}'\nsleep 60\n"
    )
    script.chmod(0o755)
    ran = adapter(str(script))
    heard = listen(ran)
    await heard.count(1)
    await heard.stop()
    assert [(r.sensor, r.value) for r in heard.readings] == [("loft", 47.0)]
    assert ran.health.rejected == {Why.NOT_JSON: 1}


async def test_a_program_that_ends_says_how_and_what_it_said_last(listen: Any) -> None:
    """Its status, a signal, and the last line of its complaints are in the sentence."""
    text = f"import sys; print('{LINE}'); print('no probe on port 3', file=sys.stderr); sys.exit(7)"
    heard = listen(adapter(*program(text)))
    with pytest.raises(TransientError, match=r"it ended with status 7, saying last: no probe on port 3"):
        await heard.task
    assert len(heard.readings) == 1
    with pytest.raises(TransientError, match="it was ended by signal 9"):
        await listen(adapter(*program("import os; os.kill(os.getpid(), 9)"))).task
    with pytest.raises(TransientError, match="it ended with status 0"):
        await listen(adapter(*program("pass"))).task


async def test_a_program_that_prints_once_is_run_again_and_again(listen: Any) -> None:
    """With `again_after_s` a good end is no error; its last line needs no end."""
    heard = listen(adapter(*program(f"print('{LINE}', end='')"), again_after_s=0.05))
    await heard.count(3)
    await heard.stop()


async def test_it_is_never_a_shell(tmp_path: Path, listen: Any) -> None:
    """What a shell would act on is handed over as it stands."""
    nasty = f"; touch {tmp_path}/owned; $(touch {tmp_path}/owned) | cat"
    text = 'import sys; print(\'[{"n":"a%d/humidity","u":"%%RH","v":47}]\' % len(sys.argv[1])); input()'
    heard = listen(adapter(*program(text), nasty))
    await heard.count(1)
    assert heard.readings[0].sensor == f"a{len(nasty)}"
    await heard.stop()
    assert not (tmp_path / "owned").exists()


async def test_secrets_in_our_environment_are_not_passed_on(listen: Any) -> None:
    """The program sees the usual variables and its own, not those in which our passwords are."""
    os.environ["LUMBERROOM_TEST_SECRET"] = "hunter2"
    text = (
        "import os, sys; n = ('LUMBERROOM_TEST_SECRET' in os.environ) * 10 + (os.environ.get('PROBE') == '3')\n"
        'print(\'[{"n":"a/humidity","u":"%%RH","v":%d}]\' % n)'
    )
    heard = listen(adapter(*program(text), environment={"PROBE": "3"}, again_after_s=60.0))
    await heard.count(1)
    await heard.stop()
    del os.environ["LUMBERROOM_TEST_SECRET"]
    assert heard.readings[0].value == 1.0


async def test_complaints_are_logged_but_not_without_end(listen: Any, caplog: pytest.LogCaptureFixture) -> None:
    """A flood on standard error neither fills the log nor holds the program up."""
    text = f"import sys; [print('bad \\x1b[31m', i, file=sys.stderr) for i in range(20000)]; print('{LINE}')"
    with caplog.at_level(logging.WARNING):
        heard = listen(adapter(*program(text), again_after_s=60.0))
        await heard.count(1)
        await heard.stop()
    said = [record.getMessage() for record in caplog.records if "says:" in record.getMessage()]
    assert len(said) == LOGGED_LINES
    assert said[0].endswith(r"says: bad \x1b[31m 0")


def is_running(pid: int) -> bool:
    """Tell whether a process is there and no mere zombie."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


async def test_stopping_ends_it_and_all_that_it_started(tmp_path: Path, listen: Any) -> None:
    """A program that ignores the polite way, and its own child, are gone within two seconds."""
    text = (
        "import signal, subprocess, sys, time\nsignal.signal(signal.SIGTERM, signal.SIG_IGN)\n"
        f"child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(600)'])\n"
        f"open({str(tmp_path / 'pid')!r}, 'w').write(str(child.pid))\nprint('{LINE}')\ntime.sleep(600)"
    )
    heard = listen(adapter(*program(text)))
    await heard.count(1)
    grandchild = int((tmp_path / "pid").read_text())
    began_s = time.monotonic()
    await heard.stop()
    assert time.monotonic() - began_s < 2
    # Killed is not yet gone on a busy machine: the kernel ends it when its turn comes.
    async with asyncio.timeout(10):
        while is_running(grandchild):
            await asyncio.sleep(0.02)


async def test_a_program_that_falls_silent_is_ended_where_asked(listen: Any) -> None:
    """A hung program is noticed by its silence."""
    heard = listen(adapter(*program(f"import time; print('{LINE}'); time.sleep(600)"), silent_after_s=0.3))
    with pytest.raises(TransientError, match=r"it printed nothing for 0\.3 s"):
        await asyncio.wait_for(heard.task, 5)


async def test_a_program_that_prints_nothing_readable_is_told(listen: Any) -> None:
    """Megabytes of something else end the run with a sentence, in bounded memory."""
    with pytest.raises(ProtocolError, match="not one pack could be read in them"):
        await asyncio.wait_for(listen(adapter(*program("while True: print('x' * 1000)"))).task, 20)


@pytest.mark.parametrize("command", [["/nowhere/probe"], ["/etc/passwd"]])
async def test_a_program_that_cannot_be_started_is_a_setting_to_mend(command: list[str], listen: Any) -> None:
    """Not there, or not to be run: it is not tried for ever."""
    with pytest.raises(SettingsError, match="it cannot be started"):
        await listen(adapter(*command)).task


@pytest.mark.parametrize("command", [[], [5], ["a\0b"], [["sh"]]])
def test_what_is_no_command_is_refused(command: list[Any]) -> None:
    """Each part is a text."""
    with pytest.raises(SettingsError, match="is no command"):
        adapter(*command)
