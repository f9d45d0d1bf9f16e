"""What the central tests share: real engines started here on loopback, a front that misbehaves before them, a store."""

from __future__ import annotations

import hashlib
import json
import shutil
import signal
import socket
import ssl
import subprocess
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from adapters.contract import Reading, Stamp
from ingest.central.dialects import MetricsEngine
from ingest.central.engine import EngineAddress
from ingest.central.forwarder import Forwarder
from ingest.central.progress import ForwarderSettings
from ingest.central.writing import Accepted, Answer, InfluxWriter, Refused
from ingest.clock import DrivenClock
from ingest.site.actor import SETTINGS
from ingest.site.places import AcclimationWindow, Bounds, Room, Sensor, Site
from ingest.site.series import ReadingBatch
from ingest.store.file.opening import FILE_NAME
from ingest.store.sqlite_store import SqliteStore

SITE = Site(
    "Lakeside house, yard = B",
    "Europe/Berlin",
    120.0,
    (Room("oak-store", "Oak store", AcclimationWindow(rh_percent=Bounds(35, 55))), Room("hall", "Hall")),
    (Sensor("oak-1", "oak-store"), Sensor("hall/1", "hall", title="By the door")),
)


def free_port() -> int:
    """Give a port that is free at the moment."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return int(listener.getsockname()[1])


class Server:
    """A database server of Debian's packages, started here on loopback, with a folder of its own."""

    def __init__(self, argv: Callable[[int, Path], list[str]], folder: Path, healthy: str) -> None:
        self._argv, self._folder, self._healthy = argv, folder, healthy
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.options: list[str] = []
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it answers."""
        with (self._folder / "log").open("ab") as log:
            self._process = subprocess.Popen(
                [*self._argv(self.port, self._folder), *self.options], stdout=log, stderr=log
            )
        end = time.monotonic() + 20
        trust_anyone = ssl._create_unverified_context()  # whether it answers; who it is, the tests ask themselves
        while time.monotonic() < end:
            try:
                with urllib.request.urlopen(self.url + self._healthy, timeout=1, context=trust_anyone):
                    return
            except OSError:
                time.sleep(0.03)
        raise AssertionError((self._folder / "log").read_text())

    def kill(self) -> None:
        """End it as a power cut of its process would."""
        assert self._process is not None
        self._process.send_signal(signal.SIGKILL)
        self._process.wait(10)

    def ask(self, path: str, **form: str) -> bytes:
        """Ask it something by a form."""
        data = urllib.parse.urlencode(form).encode()
        with urllib.request.urlopen(self.url + path, data=data, timeout=10) as answer:
            return bytes(answer.read())

    def flush(self) -> None:
        """Make what was written visible now, as VictoriaMetrics does by itself within some seconds."""
        self.ask("/internal/force_flush")

    def count(self, metric: str, site: str) -> int:
        """Give how many samples the server holds of a metric of a site, duplicates that it keeps included."""
        self.flush()
        lines = self.ask("/api/v1/export", **{"match[]": f'{metric}{{site="{site}"}}', "start": "0"}).splitlines()
        return sum(len(json.loads(line)["values"]) for line in lines)


def victoria_metrics(port: int, folder: Path) -> list[str]:
    """Give the command of a VictoriaMetrics that keeps one sample per instant."""
    return [
        shutil.which("victoria-metrics") or pytest.fail("These tests need Debian's package victoria-metrics."),
        f"-storageDataPath={folder}/data",
        f"-httpListenAddr=127.0.0.1:{port}",
        "-retentionPeriod=100y",
        "-dedup.minScrapeInterval=1ms",
        "-loggerLevel=WARN",
        "-memory.allowedPercent=5",
        "-search.maxConcurrentRequests=4",
    ]


@pytest.fixture(scope="session")
def shared_metrics(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A VictoriaMetrics for all tests of the session that leave it running; each uses a site of its own."""
    server = Server(victoria_metrics, tmp_path_factory.mktemp("metrics"), "/health")
    server.start()
    yield server
    server.kill()


@pytest.fixture
def metrics(shared_metrics: Server) -> Server:
    """A VictoriaMetrics."""
    return shared_metrics


@pytest.fixture
def own_metrics(tmp_path: Path) -> Iterator[Server]:
    """A VictoriaMetrics that a test may kill."""
    folder = tmp_path / "own"
    folder.mkdir()
    server = Server(victoria_metrics, folder, "/health")
    server.start()
    yield server
    server.kill()


class Front:
    """Stands before an engine and misbehaves as told: each answer of `plan` serves one write, then it passes them on.

    Answers: a status (int) or (status, headers, body); "lose" (204, and nothing is passed on), "slow" (no answer in
    time), "deaf" (passed on, and the connection broken before the answer).  spoil: a text in a line that makes this
    front refuse the whole request with 400, as a strict server does.
    """

    def __init__(self, engine_url: str) -> None:
        self.engine_url, self.plan, self.spoil = engine_url, list[object](), ""
        self.writes = 0
        front = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                front.serve(self)

            def do_GET(self) -> None:
                front.serve(self)

            def log_message(self, *args: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}"
        threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True).start()

    def close(self) -> None:
        """End it."""
        self._server.shutdown()
        self._server.server_close()

    def serve(self, request: BaseHTTPRequestHandler) -> None:
        """Serve one request."""
        body = request.rfile.read(int(request.headers.get("Content-Length", 0)))
        if "/api/v2/write" not in request.path:
            return self._pass_on(request, body)
        self.writes += 1
        what = self.plan.pop(0) if self.plan else None
        if what == "slow":
            time.sleep(1.0)
        elif what == "lose":
            self._answer(request, 204, {}, b"")
        elif what == "deaf":
            self._ask_engine(request, body)
            request.connection.shutdown(socket.SHUT_RDWR)
        elif isinstance(what, int):
            self._answer(request, what, {}, b'{"code":"x","message":"as planned"}')
        elif isinstance(what, tuple):
            self._answer(request, *what)
        elif self.spoil and self.spoil in _plain(request, body):
            self._answer(request, 400, {}, b'{"code":"invalid","message":"partial write: field type conflict"}')
        else:
            self._pass_on(request, body)
        return None

    def _pass_on(self, request: BaseHTTPRequestHandler, body: bytes) -> None:
        self._answer(request, *self._ask_engine(request, body))

    def _ask_engine(self, request: BaseHTTPRequestHandler, body: bytes) -> tuple[int, dict[str, str], bytes]:
        headers = {n: v for n, v in request.headers.items() if n.lower() not in {"host", "connection"}}
        asked = urllib.request.Request(
            self.engine_url + request.path, data=body or None, headers=headers, method=request.command
        )
        try:
            with urllib.request.urlopen(asked, timeout=10) as answer:
                return answer.status, {}, answer.read()
        except urllib.error.HTTPError as error:
            return error.code, {}, error.read()

    def _answer(self, request: BaseHTTPRequestHandler, status: int, headers: dict[str, str], body: bytes) -> None:
        request.send_response(status)
        for name, value in headers.items():
            request.send_header(name, value)
        request.send_header("Content-Length", str(len(body)))
        request.end_headers()
        request.wfile.write(body)


def _plain(request: BaseHTTPRequestHandler, body: bytes) -> str:
    import gzip

    assert request.headers["Content-Encoding"] == "gzip", "what is forwarded is compressed"
    return gzip.decompress(body).decode()


@pytest.fixture
def front(metrics: Server) -> Iterator[Front]:
    """A front that misbehaves before the shared VictoriaMetrics."""
    made = Front(metrics.url)
    yield made
    made.close()


class Bench:
    """A site's store, a driven clock, and forwarder cores over them."""

    def __init__(self, path: Path, site_id: str) -> None:
        self.store = SqliteStore.open(path)
        self.site_id = site_id
        self.site = SITE
        self.start_ms = time.time_ns() // 1_000_000 - 86_400_000
        self.clock: Any = DrivenClock(self.start_ms + 3_600_000)
        with self.store.transaction() as work:
            work.save_site(SITE, at_ms=self.start_ms, by=SETTINGS)

    def core(self, url: str, *, read_back: bool = True, timeout_s: float = 0.5, **changes: object) -> Forwarder:
        """Make a forwarder to that address, as a start of the daemon does."""
        address = EngineAddress(url, token="t", timeout_s=timeout_s)
        settings = ForwarderSettings(self.site_id, **{"look_s": 1.0, "batch": 100, "spread": 0.0, **changes})
        engine = MetricsEngine(address) if read_back else None
        return Forwarder(self.store, self.clock, InfluxWriter(address), engine, lambda: self.site, settings)

    def put(self, *readings: tuple[str, str, int, float]) -> None:
        """Store readings (sensor, quantity, at_ms after the start, value) in one unit of work."""
        batch = ReadingBatch.of(Reading(s, q, v, self.start_ms + at, Stamp.SENSOR) for s, q, at, v in readings)
        with self.store.transaction() as work:
            work.append(batch, heard_ms=self.clock.now_ms())

    def minutes(self, count: int, *, first: int = 0, sensor: str = "oak-1") -> None:
        """Store temperature and RH of so many minutes."""
        rows = [(at * 60_000, 20 + at % 7 / 10, 45 + at % 11 / 10) for at in range(first, first + count)]
        self.put(*((sensor, "temperature_c", at, t) for at, t, _ in rows))
        self.put(*((sensor, "rh_percent", at, h) for at, _, h in rows))

    async def forward(self, core: Forwarder, flush: Callable[[], None], *, seconds: float = 120) -> None:
        """Let a forwarder work for so long on the driven clock, or until the engine has everything."""
        end_s = self.clock.monotonic_s() + seconds
        while self.clock.monotonic_s() < end_s:
            wait_s = core.step()
            lag, newest = core.lag(), core.as_figures()["newest_change"]
            if lag.behind == 0 and lag.past_left_s == 0 and self.store.read.newest_change() == newest:
                return
            flush()
            await self.clock.advance(max(wait_s, 0.01))


@pytest.fixture
def bench(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Bench]:
    """A site's store and clock; the site's id is the test's own, so that tests may share an engine."""
    site_id = f"site-{hashlib.sha256(request.node.name.encode()).hexdigest()[:12]}"
    made = Bench(tmp_path / FILE_NAME, site_id)
    yield made
    made.store.close()


INFLUX_CONF = """
reporting-disabled = true
bind-address = "127.0.0.1:{rpc}"
[meta]
dir = "{folder}/meta"
[data]
dir = "{folder}/data"
wal-dir = "{folder}/wal"
query-log-enabled = false
[monitor]
store-enabled = false
[http]
bind-address = "127.0.0.1:{port}"
log-enabled = false
auth-enabled = {login}
"""


def influxd(port: int, folder: Path, *, login: bool = False) -> list[str]:
    """Give the command of an InfluxDB 1.x, whose query path (InfluxQL) versions 2 and 3 share."""
    program = shutil.which("influxd")
    if program is None:
        pytest.skip("Debian's package influxdb is not installed: reading from InfluxDB is not tested")
    (folder / "influx.conf").write_text(
        INFLUX_CONF.format(folder=folder, port=port, rpc=free_port(), login=str(login).lower())
    )
    return [program, "run", "-config", str(folder / "influx.conf")]


@pytest.fixture(scope="session")
def influx(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """An InfluxDB 1.x with a database called sites."""
    server = Server(influxd, tmp_path_factory.mktemp("influx"), "/ping")
    server.start()
    server.ask("/query", q="CREATE DATABASE sites")
    yield server
    server.kill()


class VersionOneWriter:
    """Hands lines to an InfluxDB 1.6, which has no v2 write API yet.  login: "u=name&p=password&", or nothing."""

    def __init__(self, server: Server, login: str = "") -> None:
        self._server = server
        self._login = login

    def write(self, lines: Sequence[str]) -> Answer:
        """Write lines."""
        address = f"{self._server.url}/write?{self._login}db=sites&precision=ms"
        try:
            with urllib.request.urlopen(address, data="\n".join(lines).encode(), timeout=10):
                return Accepted()
        except urllib.error.HTTPError as error:
            return Refused(error.read().decode())


@pytest.fixture
def version_one_writer(influx: Server) -> VersionOneWriter:
    """Hands lines to the InfluxDB of the tests."""
    return VersionOneWriter(influx)


@pytest.fixture
def influx_with_logins(tmp_path: Path) -> Iterator[tuple[Server, VersionOneWriter]]:
    """An InfluxDB 1.x that lets nobody in without a login: root may do everything, yard may write and not read.

    Its writer is yard's.
    """
    folder = tmp_path / "logins"
    folder.mkdir()
    server = Server(lambda port, place: influxd(port, place, login=True), folder, "/ping")
    server.start()
    server.ask("/query", q="CREATE USER root WITH PASSWORD 'oak' WITH ALL PRIVILEGES")
    for told in ("CREATE DATABASE sites", "CREATE USER yard WITH PASSWORD 'ash'", "GRANT WRITE ON sites TO yard"):
        server.ask("/query?u=root&p=oak", q=told)
    yield server, VersionOneWriter(server, "u=yard&p=ash&")
    server.kill()
