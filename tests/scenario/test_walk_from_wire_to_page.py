"""One reading's way through the whole house, everything real: a serial line, the daemon, a mail server, a browser.

A separate process writes SenML lines into one end of a pseudo-terminal pair; the daemon runs as its own process on the
other end; a mail server with STARTTLS and login takes its mail into a Maildir; Chromium opens the page.
"""

from __future__ import annotations

import json
import mailbox
import os
import pty
import shutil
import signal
import socket
import ssl
import subprocess
import sys
import time
import tty
import urllib.request
from collections.abc import Callable, Iterator
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest
import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.handlers import Mailbox
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session
from playwright.sync_api import sync_playwright

PASSWORD = "kept in the environment"
MINUTES = 60_000

# What the far end of the line does: prints what it was told to, one line at a time, like a small device.
DEVICE = """
import os, sys, time
for line in sys.stdin.buffer:
    os.write(int(sys.argv[1]), line)
    time.sleep(0.002)
"""


def free_port() -> int:
    """Give a port of the loopback address that nothing listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def until(what: str, found: Callable[[], Any], seconds: float = 20) -> Any:
    """Wait until `found` gives something true and give that; fail, naming what was waited for, when it never does."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        result = found()
        if result:
            return result
        time.sleep(0.05)
    raise AssertionError(f"waited {seconds} s in vain for {what}")


@pytest.fixture
def authority() -> trustme.CA:
    """A certificate authority of the test's own."""
    return trustme.CA()


@pytest.fixture
def maildir(tmp_path: Path, authority: trustme.CA) -> Iterator[tuple[Path, int]]:
    """A mail server with STARTTLS and login on loopback: its Maildir and its port."""
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    authority.issue_cert("localhost").configure_cert(context)

    def authenticate(server: SMTP, session: Session, envelope: Envelope, mechanism: str, login: Any) -> AuthResult:
        known = isinstance(login, LoginPassword) and login.password == PASSWORD.encode()
        return AuthResult(success=known, handled=False)

    port = free_port()
    controller = Controller(
        Mailbox(tmp_path / "maildir"),
        hostname="127.0.0.1",
        port=port,
        authenticator=authenticate,
        auth_required=True,
        auth_require_tls=True,
        require_starttls=True,
        tls_context=context,
    )
    controller.start()
    yield tmp_path / "maildir", port
    controller.stop()


@pytest.fixture
def line() -> Iterator[tuple[int, str]]:
    """A serial device pair: the descriptor of the far end, and the path of the port that the daemon opens."""
    far, near = pty.openpty()
    tty.setraw(near)
    yield far, os.ttyname(near)
    os.close(far)
    os.close(near)


def wiring(port: str, page: int, smtp: int) -> str:
    """Give a settings file of one room with one sensor on a serial line."""
    return f"""
[site]
name = "Invented house"
time_zone = "Europe/Helsinki"

[data]
directory = "data"

[page]
port = {page}

[mail]
server = "localhost"
port = {smtp}
security = "starttls"
login = "lumberroom"
password_env = "WALK_PASSWORD"
ca_file = "authority.pem"
from = "lumberroom@example.org"
to = ["layer@example.org"]

[[adapter]]
name = "hall"
type = "serial_line"
port = "{port}"

[[room]]
id = "hall"
title = "Hall with the oak"

[room.window]
temperature_c = [16, 24]
rh_percent = [30, 50]
alert_after_minutes = 30

[[room.sensor]]
id = "hall-1"
"""


def readings_until(now_ms: int) -> bytes:
    """Give two hours of minutes as SenML lines: 45 %RH, and from an hour ago 61 %RH."""
    lines = []
    for minute in range(120, -1, -1):
        rh_percent = 45.25 if minute > 60 else 61.5
        pack = [
            {"bn": "hall-1/", "bt": (now_ms - minute * MINUTES) / 1000, "n": "temperature", "u": "Cel", "v": 20.5},
            {"n": "humidity", "u": "%RH", "v": rh_percent},
        ]
        lines.append(json.dumps(pack).encode() + b"\n")
    return b"".join(lines)


def get(address: str) -> Any:
    """Give the JSON at an address, or None while nothing answers there."""
    try:
        with urllib.request.urlopen(address, timeout=5) as reply:
            return json.load(reply)
    except OSError:
        return None


def knocked(far_end: int, health: str) -> bool:
    """Write a line of nobody's, and tell whether one was heard: what arrives before the port is open is thrown away."""
    os.write(far_end, b'[{"n":"knock","u":"Cel","v":0}]\n')
    return bool(get(health)["store"]["rejected"])


def mails_in(maildir: Path) -> list[EmailMessage]:
    """Give the mails that the server has accepted."""
    box = mailbox.Maildir(maildir, factory=None, create=False)
    return [message_from_bytes(box.get_bytes(key), policy=policy.default) for key in box.iterkeys()]  # type: ignore[misc]


@pytest.mark.browser
def test_bytes_on_a_wire_become_a_mail_and_an_incident_on_the_page(
    tmp_path: Path, authority: trustme.CA, maildir: tuple[Path, int], line: tuple[int, str]
) -> None:
    """Bytes on a serial line are stored, derived and judged; the mail arrives; the page shows the incident."""
    box, smtp_port = maildir
    far_end, serial_port = line
    page_port = free_port()
    address = f"http://127.0.0.1:{page_port}"
    authority.cert_pem.write_to_path(tmp_path / "authority.pem")
    (tmp_path / "lumberroom.toml").write_text(wiring(serial_port, page_port, smtp_port))
    command = shutil.which("lumberroom", path=str(Path(sys.executable).parent))
    assert command is not None
    now_ms = time.time_ns() // 1_000_000

    with (tmp_path / "log").open("wb") as log:
        daemon = subprocess.Popen(
            [command, "run", str(tmp_path / "lumberroom.toml")],
            stderr=log,
            stdout=log,
            env={**os.environ, "WALK_PASSWORD": PASSWORD},
        )
        try:
            until("the page", lambda: get(f"{address}/health"))
            until("the port", lambda: knocked(far_end, f"{address}/health"))
            subprocess.run(
                [sys.executable, "-c", DEVICE, str(far_end)],
                input=b"half a line from before\n" + readings_until(now_ms),
                pass_fds=[far_end],
                check=True,
                timeout=30,
            )
            incidents = until("an incident", lambda: get(f"{address}/api/v1/incidents")["incidents"])
            (mail,) = until("the mail", lambda: mails_in(box))
            latest = get(f"{address}/api/v1/rooms/hall/latest")
            seen = look(f"{address}/rooms/hall")
        finally:
            daemon.send_signal(signal.SIGTERM)
            code = daemon.wait(20)

    assert code == 0, (tmp_path / "log").read_text()
    assert [(i["room"], i["kind"], i["closed_ms"]) for i in incidents] == [("hall", "window", None)]
    assert incidents[0]["began_ms"] == now_ms - 60 * MINUTES
    assert incidents[0]["opened_ms"] == now_ms - 30 * MINUTES
    assert "Hall with the oak" in mail["Subject"]
    assert mail["To"] == "layer@example.org"
    plain = mail.get_body(("plain",))
    assert plain is not None
    assert "61.5" in plain.get_content()
    figures = {figure["quantity"]: figure["value"] for figure in latest["figures"]}
    assert figures["rh_percent"] == 61.5
    # EMC: Wood Handbook (FPL-GTR-190) Table 4-2 interpolated (11.3 at 70 °F and 61.5 %); dew point: psychrolib 2.5.0.
    assert figures["emc_percent"] == pytest.approx(11.3, abs=0.1)
    assert figures["dew_point_c"] == pytest.approx(12.854, abs=0.005)
    assert "Hall with the oak" in seen
    assert "61.5" in seen


def look(address: str) -> str:
    """Open a page in Chromium and give the text that a person reads there."""
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        try:
            page = browser.new_page()
            page.goto(address)
            page.wait_for_selector("main")
            return page.inner_text("body")
        finally:
            browser.close()
