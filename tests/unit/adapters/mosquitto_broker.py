"""Debian's mosquitto as the broker of a test, with TLS and login, on a port of its own."""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import socket
import subprocess
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import aiomqtt
import trustme

LOGIN, PASSWORD = "lumberroom", "correct horse battery"


class Mosquitto:
    """The broker; `settings` lead an adapter to it."""

    def __init__(self, folder: Path) -> None:
        program, passwords = shutil.which("mosquitto") or "/usr/sbin/mosquitto", shutil.which("mosquitto_passwd")
        assert Path(program).exists(), "the tests need mosquitto (Debian: apt install mosquitto)"
        assert passwords
        self._program = program
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None
        with socket.socket() as held:
            held.bind(("127.0.0.1", 0))
            self.port: int = held.getsockname()[1]
        authority = trustme.CA()
        authority.cert_pem.write_to_path(folder / "ca.pem")
        certificate = authority.issue_cert("localhost", "127.0.0.1")
        certificate.private_key_pem.write_to_path(folder / "key.pem")
        for part in certificate.cert_chain_pems:
            part.write_to_path(folder / "cert.pem", append=True)
        subprocess.run([passwords, "-b", "-c", str(folder / "passwords"), LOGIN, PASSWORD], check=True)
        (folder / "access").write_text(f"user {LOGIN}\ntopic readwrite climate/#\ntopic readwrite house/#\n")
        (folder / "mosquitto.conf").write_text(
            f"user root\nlistener {self.port} 127.0.0.1\ncafile {folder}/ca.pem\ncertfile {folder}/cert.pem\n"
            f"keyfile {folder}/key.pem\nallow_anonymous false\npassword_file {folder}/passwords\n"
            f"acl_file {folder}/access\npersistence false\nmax_queued_messages 0\nlog_dest none\n"
        )

    @property
    def settings(self) -> dict[str, Any]:
        """Give the settings that lead here."""
        return {
            "broker": "127.0.0.1", "port": self.port, "tls": True, "ca_file": str(self._folder / "ca.pem"),
            "login": LOGIN, "password": PASSWORD, "topics": ["climate/#"], "keepalive_s": 2,
        }  # fmt: skip

    async def start(self) -> None:
        """Start it; returns when it takes connections."""
        command = [self._program, "-c", str(self._folder / "mosquitto.conf")]
        self._process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        async with asyncio.timeout(10):
            while True:
                with contextlib.suppress(OSError):
                    _, writer = await asyncio.open_connection("127.0.0.1", self.port)
                    writer.close()
                    return
                await asyncio.sleep(0.02)

    def signal(self, number: int) -> None:
        """Send the broker a signal."""
        assert self._process
        self._process.send_signal(number)

    def end(self) -> None:
        """Kill it, as a power cut does."""
        if self._process:
            self._process.kill()
            self._process.wait()
            self._process = None

    @contextlib.asynccontextmanager
    async def publisher(self) -> AsyncIterator[aiomqtt.Client]:
        """Give a client that may publish."""
        tls = aiomqtt.TLSParameters(ca_certs=str(self._folder / "ca.pem"))
        options: dict[str, Any] = {"username": LOGIN, "password": PASSWORD, "tls_params": tls}
        async with aiomqtt.Client("127.0.0.1", self.port, protocol=aiomqtt.ProtocolVersion.V5, **options) as client:
            yield client
