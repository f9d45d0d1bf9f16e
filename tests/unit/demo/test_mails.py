"""The mail catcher: a real SMTP conversation, kept on disk, passed on to nobody."""

from __future__ import annotations

from email.message import EmailMessage
from pathlib import Path

import aiosmtplib
import pytest

from dashboards.services import CaughtMail
from ingest.clock import DrivenClock
from ingest.demo.mails import FILE_NAME, LARGEST_BYTES, MailCatcher


def letter(subject: str, text: str, html: str | None = None) -> EmailMessage:
    """A mail from the demonstration's addresses."""
    message = EmailMessage()
    message["From"] = "lumberroom@demonstration.invalid"
    message["To"] = "foreman@demonstration.invalid"
    message["Subject"] = subject
    message.set_content(text)
    if html is not None:
        message.add_alternative(html, subtype="html")
    return message


async def test_a_mail_is_caught_with_all_its_parts(tmp_path: Path) -> None:
    """Subject with signs beyond ASCII, text and HTML arrive as sent, stamped by the demonstration's clock."""
    told: list[CaughtMail] = []
    async with MailCatcher(tmp_path, DrivenClock(5_000), told.append) as catcher:
        mail = letter("RH 52 % – über dem Fenster", "It is moist.\n", "<p>It is <b>moist</b>.</p>\n")
        await aiosmtplib.send(mail, hostname="127.0.0.1", port=catcher.port, start_tls=False)
        (caught,) = catcher.mails()
    assert caught.subject == "RH 52 % – über dem Fenster"
    assert caught.text == "It is moist.\n"
    assert caught.html == "<p>It is <b>moist</b>.</p>\n"
    assert (caught.number, caught.at_ms) == (1, 5_000)
    assert caught.sender == "lumberroom@demonstration.invalid"
    assert caught.recipient == "foreman@demonstration.invalid"
    assert told == [caught]


async def test_caught_mail_outlives_a_run(tmp_path: Path) -> None:
    """A second catcher in the same folder has the first one's mail, goes on numbering, and passes over torn lines."""
    async with MailCatcher(tmp_path, DrivenClock()) as catcher:
        for subject in ("one", "two"):
            await aiosmtplib.send(letter(subject, "x"), hostname="127.0.0.1", port=catcher.port, start_tls=False)
    with (tmp_path / FILE_NAME).open("a") as file:
        file.write('{"number": 3, "at_ms"\n')
    async with MailCatcher(tmp_path, DrivenClock()) as catcher:
        await aiosmtplib.send(letter("three", "x"), hostname="127.0.0.1", port=catcher.port, start_tls=False)
        assert [(mail.number, mail.subject) for mail in catcher.mails()] == [(1, "one"), (2, "two"), (3, "three")]


async def test_a_mail_without_text_is_shown_as_empty(tmp_path: Path) -> None:
    """Neither a missing body nor a missing subject breaks the catcher."""
    message = EmailMessage()
    message["From"], message["To"] = "a@demonstration.invalid", "b@demonstration.invalid"
    async with MailCatcher(tmp_path, DrivenClock()) as catcher:
        await aiosmtplib.send(message, hostname="127.0.0.1", port=catcher.port, start_tls=False)
        (caught,) = catcher.mails()
    assert (caught.subject, caught.text.strip(), caught.html) == ("", "", None)


async def test_what_is_far_too_large_is_refused(tmp_path: Path) -> None:
    """A mail beyond the limit is refused by the SMTP server and not kept."""
    async with MailCatcher(tmp_path, DrivenClock()) as catcher:
        large = letter("large", "x" * 70 + "\n" + ("y" * 70 + "\n") * (LARGEST_BYTES // 70))
        with pytest.raises(aiosmtplib.SMTPResponseException):
            await aiosmtplib.send(large, hostname="127.0.0.1", port=catcher.port, start_tls=False)
        assert catcher.mails() == ()
