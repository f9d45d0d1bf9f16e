"""The listener of devices: as a process with TLS and the real command beside it, and its bounds on a real socket."""

from __future__ import annotations

import asyncio
import contextlib
import http.client
import json
import os
import re
import socket
import ssl
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
import trustme
from click.testing import CliRunner
from starlette.responses import PlainTextResponse
from starlette.types import Receive, Scope, Send

from ingest.cli.main import main
from ingest.errors import SettingsError, TransientError
from ingest.runtime import push_listener
from ingest.runtime.page import PageServer
from ingest.runtime.push_listener import BoundedSocket, ImpatientProtocol, bind, server_options
from ingest.settings import reading
from ingest.settings.wiring import PushWiring

WIRING = """
[site]
name = "Lakeside"
time_zone = "Europe/Berlin"
[page]
port = 0
[push]
address = "127.0.0.1:{port}"
cert_file = "device.pem"
key_file = "device.key"
[[room]]
id = "hall"
[[room.sensor]]
id = "hall-1"
[[room]]
id = "loft"
[[room.sensor]]
id = "loft-1"
"""
SENML = "application/senml+json"


def free_port() -> int:
    """Give a port that nobody has just now."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        return int(taken.getsockname()[1])


class Site:
    """A daemon as a process, its store's folder, and its address for devices."""

    def __init__(self, folder: Path, authority: trustme.CA) -> None:
        certificate = authority.issue_cert("127.0.0.1")
        certificate.private_key_pem.write_to_path(folder / "device.key")
        (folder / "device.key").chmod(0o600)
        for number, blob in enumerate(certificate.cert_chain_pems):
            blob.write_to_path(folder / "device.pem", append=number > 0)
        self.port = free_port()
        self.data = folder / "lumberroom-data"
        self.file = folder / "lumberroom.toml"
        self.file.write_text(WIRING.format(port=self.port))
        self.context = ssl.create_default_context()
        authority.configure_trust(self.context)
        self.log_file = folder / "log"
        with self.log_file.open("wb") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "ingest.cli.main", "run", str(self.file), "--log", "json"], stderr=log
            )
        self.page = self._until(r"Page: (http://\S+)")

    def _until(self, pattern: str) -> str:
        end = time.monotonic() + 30
        while time.monotonic() < end:
            if found := re.search(pattern, self.log_file.read_text()):
                return found[1]
            time.sleep(0.02)
        raise AssertionError(self.log_file.read_text())

    def push(self, key: str, records: list[object], path: str = "/api/v1/readings") -> tuple[int, dict[str, object]]:
        """Hand records in as a device does, over TLS."""
        connection = http.client.HTTPSConnection("127.0.0.1", self.port, context=self.context, timeout=10)
        with contextlib.closing(connection):
            headers = {"Authorization": f"Bearer {key}", "Content-Type": SENML}
            connection.request("POST", path, json.dumps(records), headers)
            answer = connection.getresponse()
            return answer.status, json.loads(answer.read())

    def command(self, *words: str) -> str:
        """Run `lumberroom device-key` on the store beside the running daemon; give what it says."""
        result = CliRunner().invoke(main, ["device-key", *words, "--data", str(self.data)])
        assert result.exit_code == 0, result.output
        return result.stdout


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    """A running site; it is ended with the test."""
    running = Site(tmp_path, trustme.CA())
    yield running
    running.process.terminate()
    assert running.process.wait(15) == 0


def test_a_device_pushes_over_tls_with_a_key_made_meanwhile(site: Site) -> None:
    """From making the key to revoking it, beside the running daemon: stored, refused for another room, last use shown,
    unknown from the moment of revoking on."""
    record = {"n": "hall-1/humidity", "u": "%RH", "v": 47.2, "t": int(time.time())}
    key = site.command("add", "hall-board", "--sensor", "hall-*").strip()
    assert site.push(key, [record]) == (
        202,
        {"stored": 1, "repeated": 0, "amended": 0, "rejected": 0, "rejections": []},
    )
    status, said = site.push(key, [record, record | {"n": "loft-1/humidity"}])
    assert (status, said["repeated"]) == (207, 1)
    status, said = site.push(key, [record | {"n": "loft-1/humidity"}])
    assert (status, said["title"]) == (403, "Forbidden")
    assert site.push(key, [record], "/api/v1/rooms")[0] in {404, 405}
    assert site.push("lr-guessed", [record])[0] == 401
    site.command("revoke", "hall-board")
    assert site.push(key, [record])[0] == 401
    site.process.terminate()
    assert site.process.wait(15) == 0
    (listed,) = json.loads(site.command("list", "--json"))
    assert (listed["name"], listed["sensors"]) == ("hall-board", ["hall-*"])
    assert listed["revoked_ms"] is not None
    assert key not in site.log_file.read_text()


def test_when_a_key_was_used_last_is_written_down_on_stopping(site: Site) -> None:
    """The use is known after the daemon has gone, and the list for people says it."""
    before_ms = int(time.time() * 1000)
    key = site.command("add", "hall-board", "--sensor", "hall-1").strip()
    assert "never used" in site.command("list")
    assert site.push(key, [{"n": "hall-1/humidity", "u": "%RH", "v": 47.2}])[0] == 202
    site.process.terminate()
    assert site.process.wait(15) == 0
    (listed,) = json.loads(site.command("list", "--json"))
    assert listed["last_used_ms"] >= before_ms
    assert "used last 2" in site.command("list")


def test_a_body_cut_in_the_middle_stores_nothing_and_harms_nobody(site: Site) -> None:
    """A device that loses its line half way through leaves nothing behind; the next one is served."""
    key = site.command("add", "hall-board", "--sensor", "hall-1").strip()
    body = json.dumps([{"n": "hall-1/humidity", "u": "%RH", "v": 47.2}]).encode()
    head = (
        f"POST /api/v1/readings HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {key}\r\nContent-Type: {SENML}\r\n"
        f"Content-Length: {len(body)}\r\n\r\n"
    )
    raw = socket.create_connection(("127.0.0.1", site.port), timeout=10)
    with site.context.wrap_socket(raw, server_hostname="127.0.0.1") as line:
        line.sendall(head.encode() + body[: len(body) // 2])
        time.sleep(0.2)
    assert site.push(key, [{"n": "hall-1/humidity", "u": "%RH", "v": 47.2}])[1]["stored"] == 1
    assert "Traceback" not in site.log_file.read_text()
    assert '"error"' not in site.log_file.read_text()


async def answer_plainly(scope: Scope, receive: Receive, send: Send) -> None:
    """An application that says well."""
    await PlainTextResponse("well")(scope, receive, send)


class Hasty(ImpatientProtocol):
    """The protocol with less patience, so that the test need not wait."""

    HEAD_LIMIT_S = 0.4


@pytest.fixture
async def listening() -> AsyncIterator[int]:
    """A server on the listener's own socket and protocol; gives its port."""
    listener = bind(PushWiring("127.0.0.1", 0))
    server = PageServer(answer_plainly, {"http": Hasty})
    serving = asyncio.create_task(server.serve(listener))
    yield int(listener.getsockname()[1])
    server.stop()
    await asyncio.wait_for(serving, 10)
    listener.close()


@pytest.mark.parametrize("sent", [b"", b"GET / HT", b"GET / HTTP/1.1\r\nHost: x\r\n"])
async def test_a_head_that_does_not_come_is_not_waited_for(listening: int, sent: bytes) -> None:
    """A connection that says nothing, or a little now and then, is closed; one byte more does not prolong it."""
    reader, writer = await asyncio.open_connection("127.0.0.1", listening)
    began_s = time.monotonic()
    writer.write(sent)
    with contextlib.suppress(ConnectionError):
        for _ in range(12):
            await asyncio.sleep(0.1)
            writer.write(b"x" if sent else b"")
            await writer.drain()
    with contextlib.suppress(ConnectionError):
        assert await asyncio.wait_for(reader.read(), 5) == b""
    assert time.monotonic() - began_s < 4
    writer.close()
    with contextlib.suppress(ConnectionError):
        await writer.wait_closed()


async def test_a_line_that_is_kept_serves_one_request_after_the_other(listening: int) -> None:
    """Patience begins anew with each answer: a device may keep its connection."""
    reader, writer = await asyncio.open_connection("127.0.0.1", listening)
    for _ in range(4):
        await asyncio.sleep(0.2)
        writer.write(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")
        assert b"well" in await asyncio.wait_for(reader.readuntil(b"well"), 5)
    assert await asyncio.wait_for(reader.read(), 5) == b""  # and then its patience ends
    writer.close()
    await writer.wait_closed()


async def test_answers_on_a_kept_line_do_not_wait_for_acknowledgements(listening: int) -> None:
    """Fifty requests one after the other take far less than the 40 ms each that a delayed acknowledgement costs."""
    reader, writer = await asyncio.open_connection("127.0.0.1", listening)
    began_s = time.monotonic()
    for _ in range(50):
        writer.write(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")
        await asyncio.wait_for(reader.readuntil(b"well"), 5)
    assert time.monotonic() - began_s < 50 * 0.02
    writer.close()
    await writer.wait_closed()


async def test_a_handshake_that_does_not_come_holds_its_place_for_a_moment_only(tmp_path: Path) -> None:
    """Who connects and says nothing of TLS, or half a greeting, is let go; who shook hands is not touched by that."""
    authority = trustme.CA()
    certificate = authority.issue_cert("127.0.0.1")
    certificate.private_key_pem.write_to_path(tmp_path / "key")
    certificate.cert_chain_pems[0].write_to_path(tmp_path / "cert")
    push = PushWiring("127.0.0.1", 0, cert_file=tmp_path / "cert", key_file=tmp_path / "key")
    listener = bind(push)
    server = PageServer(answer_plainly, server_options(push, listener))
    assert listener.handshake_limit_s == push_listener.HANDSHAKE_LIMIT_S
    listener.handshake_limit_s = 0.4
    serving = asyncio.create_task(server.serve(listener))
    where = ("127.0.0.1", int(listener.getsockname()[1]))
    context = ssl.create_default_context()
    authority.configure_trust(context)
    reader, writer = await asyncio.open_connection(*where, ssl=context)
    began_s = time.monotonic()
    for said in (b"", b"\x16\x03\x01\x00"):
        silent, saying = await asyncio.open_connection(*where)
        saying.write(said)
        with contextlib.suppress(ConnectionError):
            assert await asyncio.wait_for(silent.read(), 5) == b""
        saying.close()
    assert 0.8 < time.monotonic() - began_s < 4
    writer.write(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")
    assert b"well" in await asyncio.wait_for(reader.readuntil(b"well"), 5)
    writer.close()
    server.stop()
    await asyncio.wait_for(serving, 10)
    listener.close()


def accepted(listener: BoundedSocket) -> socket.socket | None:
    """Accept one connection, or none where it may not stay."""
    try:
        return listener.accept()[0]
    except BlockingIOError:
        return None


def test_connections_are_bounded_and_places_become_free() -> None:
    """Beyond the bound a connection is closed unheard; when another one goes its place is free."""
    with bind(PushWiring("127.0.0.1", 0)) as listener, contextlib.ExitStack() as stack:
        listener.setblocking(True)
        address = listener.getsockname()
        there = [stack.enter_context(socket.create_connection(address)) for _ in range(3)]
        here = [stack.enter_context(conn) for _ in there if (conn := accepted(listener)) is not None]
        assert len(here) == 3
        limit = push_listener.MOST_CONNECTIONS
        for _ in range(limit - 3):
            stack.enter_context(socket.create_connection(address))
            conn = accepted(listener)
            assert conn is not None
            here.append(stack.enter_context(conn))
        late = stack.enter_context(socket.create_connection(address))
        assert accepted(listener) is None
        late.settimeout(5)
        with contextlib.suppress(ConnectionError):
            assert late.recv(1) == b""
        here[0].close()
        stack.enter_context(socket.create_connection(address))
        again = accepted(listener)
        assert again is not None
        again.close()


@pytest.mark.skipif(not Path("/proc/net/if_inet6").exists(), reason="needs Linux")
def test_one_address_has_fewer_places() -> None:
    """One device on the network cannot take all of them; another is still let in."""
    own = _own_address()
    if own is None:
        pytest.skip("this computer has no address but its own loopback")
    with bind(PushWiring("0.0.0.0", 0)) as listener, contextlib.ExitStack() as stack:
        listener.setblocking(True)
        port = listener.getsockname()[1]
        for _ in range(push_listener.MOST_OF_ONE_ADDRESS):
            stack.enter_context(socket.create_connection((own, port)))
            conn = accepted(listener)
            assert conn is not None
            stack.enter_context(conn)
        stack.enter_context(socket.create_connection((own, port)))
        assert accepted(listener) is None
        stack.enter_context(socket.create_connection(("127.0.0.1", port)))
        conn = accepted(listener)
        assert conn is not None
        conn.close()


def _own_address() -> str | None:
    """Give an address of this computer that is not loopback; nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
        except OSError:
            return None
        found = str(probe.getsockname()[0])
    return None if found.startswith("127.") else found


def test_an_address_that_cannot_be_had_is_said() -> None:
    """Another program's port may work later; an address of another computer never will."""
    with (
        bind(PushWiring("127.0.0.1", 0)) as listener,
        pytest.raises(TransientError, match="another program listens there"),
    ):
        bind(PushWiring("127.0.0.1", listener.getsockname()[1]))
    with pytest.raises(SettingsError, match="cannot be listened to"):
        bind(PushWiring("192.0.2.1", 8431))


def wired(tmp_path: Path, section: str) -> reading.Wiring:
    """Read a settings file with this section."""
    file = tmp_path / "lumberroom.toml"
    file.write_text(f'[site]\nname = "x"\ntime_zone = "UTC"\n{section}')
    return reading.load(file, os.environ)


@pytest.mark.parametrize(
    ("address", "host", "port", "cautioned"),
    [
        ("0.0.0.0:8431", "0.0.0.0", 8431, True),
        ("[::]:8431", "::", 8431, True),
        ("192.0.2.9:80", "192.0.2.9", 80, True),
        ("127.0.0.1:0", "127.0.0.1", 0, False),
    ],
)
def test_the_section_is_read_and_plain_http_cautioned(
    tmp_path: Path, address: str, host: str, port: int, cautioned: bool
) -> None:
    """Any address of the computer may be named; without TLS on a network that is worth a second look."""
    found = wired(tmp_path, f'[push]\naddress = "{address}"')
    assert found.push == PushWiring(host, port)
    assert any("without TLS" in caution for caution in found.cautions) is cautioned


@pytest.mark.parametrize(
    ("section", "says"),
    [
        ('[push]\naddress = "8431"', "not an address and a port"),
        ('[push]\naddress = "::1:8431"', "not an address and a port"),
        ('[push]\naddress = "0.0.0.0:99999"', "not an address and a port"),
        ('[push]\naddress = "host:8431"', "not an address and a port"),
        ("[push]", "address"),
        ('[push]\naddress = "0.0.0.0:8431"\ncert_file = "a.pem"', "key_file is missing"),
        ('[push]\naddress = "0.0.0.0:8431"\ncert_file = "a.pem"\nkey_file = "b.pem"', "cannot be used"),
        ('[page]\nlisten = "0.0.0.0"', "open to everyone"),
    ],
)
def test_mistakes_in_the_section_are_told(tmp_path: Path, section: str, says: str) -> None:
    """Each with its place; the page itself still refuses any address but this computer's own."""
    with pytest.raises(SettingsError, match=says):
        wired(tmp_path, section)
