"""Mail through a real SMTP server: STARTTLS, login, and every way in which it can fail."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
import trustme

from ingest.notices.channels.channel import Later, Refused, Sent
from ingest.notices.channels.mail import MailChannel, MailSettings
from ingest.site.incidents import Incident, Notice
from ingest.store.sqlite_store import SqliteStore


@pytest.fixture
def notice(post: Callable[..., list[int]], incident: Incident, store: SqliteStore) -> Notice:
    """One notice, as it lies in the outbox."""
    post(incident)
    return store.read.notices()[0]


async def test_a_mail_arrives_over_starttls_with_login(office, settings: MailSettings, notice: Notice) -> None:
    """The server, which insists on STARTTLS and login, takes the mail."""
    assert await MailChannel(settings).send(notice) == Sent()
    assert [mail["To"] for mail in office.taken] == ["floor@example.org"]


async def test_a_wrong_password_is_told_with_its_mend_and_not_given_away(
    office, settings: MailSettings, notice: Notice
) -> None:
    """A refused login closes the way, names login and server, and shows no password."""
    outcome = await MailChannel(replace(settings, password="walnut")).send(notice)
    assert isinstance(outcome, Later)
    assert outcome.way_closed
    assert "does not accept the login store (535" in outcome.reason
    assert "walnut" not in outcome.reason
    assert "walnut" not in repr(replace(settings, password="walnut"))
    assert office.taken == []


async def test_a_certificate_of_an_unknown_authority_is_not_trusted(
    office, settings: MailSettings, notice: Notice, tmp_path: Path
) -> None:
    """A certificate that our authority did not sign stops the mail and says what to set."""
    other = tmp_path / "other.pem"
    trustme.CA().cert_pem.write_to_path(str(other))
    outcome = await MailChannel(replace(settings, ca_file=other)).send(notice)
    assert isinstance(outcome, Later)
    assert outcome.way_closed
    assert f"certificate of localhost port {office.port} is not trusted" in outcome.reason
    assert "ca_file" in outcome.reason
    assert office.taken == []


async def test_a_certificate_for_another_name_is_not_trusted(office, settings: MailSettings, notice: Notice) -> None:
    """The right authority does not help where the server's name is not in the certificate."""
    outcome = await MailChannel(replace(settings, server="127.0.0.1")).send(notice)
    assert isinstance(outcome, Later)
    assert "is not trusted" in outcome.reason


async def test_missing_and_broken_certificate_files_are_named(
    settings: MailSettings, notice: Notice, tmp_path: Path
) -> None:
    """A CA file that is not there, or is no certificate, is said by its path."""
    missing = await MailChannel(replace(settings, ca_file=tmp_path / "none.pem")).send(notice)
    assert isinstance(missing, Later)
    assert "none.pem is not there" in missing.reason
    (tmp_path / "text.pem").write_text("hello")
    broken = await MailChannel(replace(settings, ca_file=tmp_path / "text.pem")).send(notice)
    assert isinstance(broken, Later)
    assert "text.pem holds no certificate" in broken.reason


async def test_a_refused_connection_is_told_with_its_mend(settings: MailSettings, notice: Notice) -> None:
    """Where nothing listens the sentence says so and names server and port."""
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        port = unused.getsockname()[1]
        outcome = await MailChannel(replace(settings, server="127.0.0.1", port=port)).send(notice)
    assert isinstance(outcome, Later)
    assert outcome.way_closed
    assert f"Nothing answers at 127.0.0.1 port {port}" in outcome.reason


async def test_an_unknown_server_name_is_told_with_its_mend(settings: MailSettings, notice: Notice) -> None:
    """A name that does not resolve (RFC 6761 reserves .invalid for that) is said to be not found."""
    outcome = await MailChannel(replace(settings, server="mail.invalid")).send(notice)
    assert isinstance(outcome, Later)
    assert "No mail server called mail.invalid is found" in outcome.reason


async def test_tls_to_a_server_that_speaks_starttls_says_which_port_goes_with_which(
    settings: MailSettings, notice: Notice
) -> None:
    """The common mix-up of 465 and 587 is answered with how they go together."""
    outcome = await MailChannel(replace(settings, security="tls")).send(notice)
    assert isinstance(outcome, Later)
    assert "starttls is usual on port 587, tls on 465" in outcome.reason


async def test_no_login_where_one_is_wanted_is_put_off_not_refused(settings: MailSettings, notice: Notice) -> None:
    """A 530 is about our settings: the notice must survive until they are mended."""
    outcome = await MailChannel(replace(settings, login=None)).send(notice)
    assert isinstance(outcome, Later)
    assert outcome.way_closed
    assert "wants a login" in outcome.reason


async def test_a_silent_server_is_given_up_on(settings: MailSettings, notice: Notice) -> None:
    """A server that accepts the connection and says nothing costs no more than the time-out."""

    async def say_nothing(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read()
        writer.close()

    mute = await asyncio.start_server(say_nothing, "127.0.0.1", 0)
    port = mute.sockets[0].getsockname()[1]
    quick = replace(settings, server="127.0.0.1", port=port, timeout_s=0.2)
    async with mute:
        outcome = await asyncio.wait_for(MailChannel(quick).send(notice), 2.0)
        await asyncio.sleep(0.05)
    assert isinstance(outcome, Later)
    assert "gives no answer" in outcome.reason


@pytest.mark.parametrize(
    ("answer", "kind"),
    [("451 4.7.1 Greylisted", Later), ("452 4.2.2 Mailbox full", Later), ("550 5.7.1 Not wanted", Refused)],
)
async def test_answers_about_the_message_go_by_their_code(office, settings, notice, answer: str, kind: type) -> None:
    """4xx after DATA is for later, 5xx is for good, both with the server's own words, and neither closes the way."""
    office.answers.append(answer)
    outcome = await MailChannel(settings).send(notice)
    assert isinstance(outcome, kind)
    assert answer.split(" ", 1)[1] in outcome.reason
    assert not getattr(outcome, "way_closed", False)


async def test_a_refused_recipient_is_refused_and_a_busy_one_put_off(office, settings, notice) -> None:
    """The answer to RCPT counts as the answer to DATA does."""
    office.rcpt_answers.extend(["550 5.1.1 No such mailbox", "450 4.2.1 Try later"])
    assert isinstance(await MailChannel(settings).send(notice), Refused)
    assert isinstance(await MailChannel(settings).send(notice), Later)


async def test_an_address_that_is_none_is_refused_before_any_connection(office, settings, notice) -> None:
    """A recipient with a line break in it never reaches the server."""
    outcome = await MailChannel(settings).send(replace(notice, recipient="x@example.org\nBcc: all@example.org"))
    assert isinstance(outcome, Refused)
    assert "is not a mail address" in outcome.reason
    assert office.connections == 0


async def test_trouble_known_beforehand_is_told_without_a_connection(office, settings, notice) -> None:
    """Settings that cannot work (a password that is not there) keep the notice, with their own sentence."""
    outcome = await MailChannel(replace(settings, trouble="The password is not there.")).send(notice)
    assert outcome == Later("The password is not there.", way_closed=True)
    assert office.connections == 0
