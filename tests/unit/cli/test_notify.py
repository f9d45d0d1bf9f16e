"""`lumberroom notify --test`: a real mail server gets a real mail, and what fails is told with its mend."""

from __future__ import annotations

import asyncio
import email
import threading
from collections.abc import Iterator
from email.message import EmailMessage
from email.policy import default
from pathlib import Path

import pytest
from aiosmtpd.smtp import SMTP, Envelope, Session
from click.testing import CliRunner

from ingest.cli.main import main

SITE = '[site]\nname = "Mill Lane (invented)"\ntime_zone = "UTC"\n[[room]]\nid = "store"\ntitle = "Plank store"\n'
MAIL = '[mail]\nserver = "127.0.0.1"\nport = {port}\nsecurity = "none"\n'
MAIL += 'from = "s@example.org"\nto = ["a@example.org"]\n'


class Office:
    """A mail server in a thread of its own."""

    def __init__(self) -> None:
        self.taken: list[EmailMessage] = []
        self.port = 0

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        assert isinstance(envelope.content, bytes)
        message = email.message_from_bytes(envelope.content, policy=default)
        assert isinstance(message, EmailMessage)
        self.taken.append(message)
        return "250 OK"


@pytest.fixture
def office() -> Iterator[Office]:
    """A mail server on loopback."""
    held, loop = Office(), asyncio.new_event_loop()

    async def listen() -> asyncio.Server:
        return await loop.create_server(lambda: SMTP(held, hostname="localhost", loop=loop), "127.0.0.1", 0)

    server = loop.run_until_complete(listen())
    held.port = server.sockets[0].getsockname()[1]
    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()
    yield held
    loop.call_soon_threadsafe(server.close)
    loop.call_soon_threadsafe(loop.stop)
    thread.join()
    for task in asyncio.all_tasks(loop):
        task.cancel()
    loop.run_until_complete(asyncio.sleep(0))
    loop.close()


def asked(tmp_path: Path, text: str) -> tuple[int, str]:
    """Run the command on a settings file; give exit code and all that it said."""
    path = tmp_path / "lumberroom.toml"
    path.write_text(text, encoding="utf-8")
    result = CliRunner().invoke(main, ["notify", "--test", str(path)])
    return result.exit_code, result.output


def test_everyone_gets_a_mail_that_says_it_is_a_test(office: Office, tmp_path: Path) -> None:
    """The mail goes through the real server, says that nothing has happened, and names the rooms watched."""
    code, said = asked(tmp_path, SITE + MAIL.format(port=office.port))
    assert code == 0
    assert said.splitlines()[-1] == "mail to a@example.org: accepted, with a picture"
    assert "no public_address" in said
    [mail] = office.taken
    assert mail["Subject"] == "A test of the warnings of Mill Lane (invented): nothing has happened"
    text = mail.get_body(("plain",))
    assert text is not None
    assert "Rooms: Plank store" in text.get_content()
    assert "too damp" not in text.get_content()
    [picture] = [part for part in mail.walk() if part.get_content_type() == "image/png"]
    assert picture.get_content().startswith(b"\x89PNG")


def test_what_fails_is_told_and_the_exit_code_says_so(tmp_path: Path) -> None:
    """A server that is not there is told with its mend, and ends with exit code 5."""
    code, said = asked(tmp_path, SITE + MAIL.format(port=1))
    assert code == 5
    assert "Nothing answers at 127.0.0.1 port 1" in said


def test_nobody_to_tell_is_said(tmp_path: Path) -> None:
    """A file without mail and web hooks says that nobody would be told."""
    code, said = asked(tmp_path, SITE)
    assert code == 5
    assert "nobody would be told" in said
