"""The adapter that adapters/WRITING.md writes out is read from there, is short, and keeps the contract."""

from __future__ import annotations

import asyncio
import contextlib
import os
import re
import socket
import sys
import types
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

import adapters
from adapters.conformance import CHECKS, Check, Specimen
from adapters.contract import Why
from adapters.registry import check_settings
from ingest.clock import SystemClock

TEXT = (Path(adapters.__file__).parent / "WRITING.md").read_text(encoding="utf-8")
(CODE,) = re.findall(r"^```python adapter\n(.*?)^```$", TEXT, re.MULTILINE | re.DOTALL)
(KIT,) = re.findall(r"^```python kit\n(.*?)^```$", TEXT, re.MULTILINE | re.DOTALL)
PACK = b'[{"n":"loft/humidity","u":"%RH","v":47}]'


@pytest.fixture
def adapter_class() -> Any:
    """Make a module of what stands in the document, as a stranger's package would be."""
    module = types.ModuleType("written_in_the_docs")
    sys.modules[module.__name__] = module
    exec(compile(CODE, "adapters/WRITING.md", "exec"), module.__dict__)
    yield module.Datagrams
    del sys.modules[module.__name__]


@pytest.fixture
async def port() -> AsyncIterator[int]:
    """A port to which a sender sends twenty times a second, whether anybody listens or not."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as held:
        held.bind(("127.0.0.1", 0))
        number: int = held.getsockname()[1]
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:

        async def send() -> None:
            while True:
                with contextlib.suppress(OSError):
                    sender.sendto(PACK, ("127.0.0.1", number))
                await asyncio.sleep(0.05)

        sending = asyncio.create_task(send())
        yield number
        sending.cancel()


def test_it_takes_sixty_lines_at_most() -> None:
    """From its first line to its last, comments and blank lines included."""
    assert 30 < len(CODE.splitlines()) <= 60


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
async def test_it_keeps_the_contract(check: Check, adapter_class: Any, port: int) -> None:
    """Every check of the kit, over real datagrams; 192.0.2.1 (RFC 5737) is nobody's address."""
    await asyncio.to_thread(int)  # so that the loop's own pool is there before anything is counted
    absent = {"port": port, "address": "192.0.2.1"}
    await check(Specimen(adapter_class, {"port": port}, SystemClock(), absent=absent))


async def test_it_counts_what_it_turns_away(adapter_class: Any, port: int) -> None:
    """What is no pack, and what nobody takes in time, is counted and harms nothing."""
    adapter = adapter_class(check_settings(adapter_class, {"port": port}), SystemClock())
    adapter.datagram_received(b"hello", None)
    for _ in range(1_001):
        adapter.datagram_received(PACK, None)
    assert adapter.health.rejected == {Why.NOT_JSON: 1, Why.OVERRUN: 1}


async def test_the_test_that_the_document_gives_passes_as_it_stands(tmp_path: Path) -> None:
    """In a folder of its own, beside a package with the adapter, by the command that the document names."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
        free.bind(("127.0.0.1", 0))
        number = str(free.getsockname()[1])
    (tmp_path / "my_package.py").write_text(CODE)
    (tmp_path / "test_kit.py").write_text(KIT.replace("5683", number))
    assert "pytest -o asyncio_mode=auto" in TEXT
    words = [sys.executable, "-m", "pytest", "-q", "-o", "asyncio_mode=auto", "-p", "no:cacheprovider"]
    where = {**os.environ, "PYTHONPATH": os.pathsep.join([str(tmp_path), str(Path(adapters.__file__).parents[1])])}
    pipe = asyncio.subprocess.PIPE
    running = await asyncio.create_subprocess_exec(*words, cwd=tmp_path, env=where, stdout=pipe)
    told, _ = await running.communicate()
    assert f"{len(CHECKS)} passed" in told.decode(), told.decode()[-2000:]
