"""Who is told and by which ways: reading [[recipient]], [[publish]] and [[command]], and what concerns several keys."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

from ingest.notices.channels.publish import BrokerSettings
from ingest.notices.channels.run_command import CommandSettings
from ingest.notices.recipients import Recipient
from ingest.present.digits import Units
from ingest.settings.findings import Findings, Steps, nearest
from ingest.settings.telling_forms import CommandForm, PublishForm, RecipientForm
from ingest.settings.wiring import MailWiring, TellingWiring, WebhookWiring
from ingest.site.incidents import Severity
from ingest.site.places import Site

WAYS: Final = ("mail", "webhook", "publish", "command")
"""The keys by which a recipient is reached, each the name of a channel."""

ReadForm = Callable[[Steps, Any, Any], Any]
"""Reads one entry by its form, noting its mistakes; None where it has any."""

ReadSecret = Callable[[str | None, str | None], tuple[str | None, str]]


class TellingReader:
    """Goes through the three sections, noting mistakes and carrying on."""

    def __init__(self, findings: Findings, path: Path, form: ReadForm, secret: ReadSecret) -> None:
        self._findings = findings
        self._path = path
        self._form = form
        self._secret = secret

    def telling(self, site: Site, webhooks: Sequence[WebhookWiring]) -> TellingWiring:
        """Read all of it.  webhooks: those that the file has, for recipients to name."""
        brokers = [self._broker(at, form) for at, form in self._read("publish", PublishForm)]
        commands = [self._command(at, form) for at, form in self._read("command", CommandForm)]
        names = {
            "webhook": [hook.name for hook in webhooks],
            "publish": [broker.name for broker in brokers],
            "command": [command.name for command in commands],
        }
        for section in ("publish", "command"):
            self._once(section, names[section])
        forms = list(self._read("recipient", RecipientForm))
        units = self._findings.raw.get("site", {}).get("units", "si")
        recipients = [one for at, form in forms if (one := self._recipient(at, form, names, units)) is not None]
        self._check_recipients(forms, recipients, site)
        return TellingWiring(tuple(recipients), tuple(brokers), tuple(commands))

    def _read(self, section: str, form: type[Any]) -> Iterator[tuple[Steps, Any]]:
        entries = self._findings.raw.get(section, [])
        for index, raw in enumerate(entries if isinstance(entries, list) else []):
            read = self._form((section, index), form, raw)
            if read is not None:
                yield (section, index), read

    def _once(self, section: str, names: Sequence[str]) -> None:
        for index, name in enumerate(names):
            if name in names[:index]:
                self._findings.wrong((section, index, "name"), "another one has this name", "Give it its own.")

    def _broker(self, at: Steps, form: PublishForm) -> BrokerSettings:
        if form.password_env and form.password_file:
            self._findings.wrong((*at, "password_file"), "the password is given twice", "Keep one of the two.")
        ca_file = self._path.parent / Path(form.ca_file).expanduser() if form.ca_file else None
        if ca_file is not None and not os.access(ca_file, os.R_OK):
            self._findings.wrong((*at, "ca_file"), f"{ca_file} cannot be read", "Name the file of the certificate.")
        password, trouble = self._secret(form.password_env, form.password_file)
        if trouble:
            self._findings.cautions.append(f'The broker "{form.name}" cannot be published to: {trouble}')
        parts = urlsplit(form.address)
        is_tls = parts.scheme == "mqtts"
        if form.login and not is_tls and parts.hostname not in {"127.0.0.1", "localhost", "::1"}:
            self._findings.cautions.append(f'The password for the broker "{form.name}" travels readable. Use mqtts://.')
        return BrokerSettings(
            name=form.name,
            server=parts.hostname or "",
            port=parts.port or (8883 if is_tls else 1883),
            topic=form.topic,
            retain=form.retain,
            tls=is_tls,
            login=form.login,
            password=password,
            ca_file=ca_file,
            trouble=f"The broker {form.name} cannot be published to: {trouble}" if trouble else "",
        )

    def _command(self, at: Steps, form: CommandForm) -> CommandSettings:
        program = form.run[0]
        if "/" not in program:
            self._findings.wrong((*at, "run"), f'"{program}" has no path', f'Write it in full: "/usr/bin/{program}".')
        elif shutil.which(program) is None:
            self._findings.cautions.append(f'The command "{form.name}" cannot be run: {program} is no program.')
        return CommandSettings(form.name, tuple(form.run), form.timeout_seconds)

    def _recipient(self, at: Steps, form: RecipientForm, names: dict[str, list[str]], units: str) -> Recipient | None:
        ways = [(way, address) for way in WAYS if (address := getattr(form, way)) is not None]
        if len(ways) != 1:
            what = "this recipient cannot be reached" if not ways else "this recipient is reached in two ways"
            self._findings.wrong(at, what, "Give one of mail, webhook, publish and command; one entry for each way.")
            return None
        channel, address = ways[0]
        if channel in names and address not in names[channel]:
            near = nearest(address, names[channel])
            hint = f'Did you mean "{near}"?' if near else f"Add a [[{channel}]] of that name."
            self._findings.wrong((*at, channel), f"there is no [[{channel}]] called {address}", hint)
            return None
        return Recipient(
            address=address,
            units=Units(form.units or units),
            channel=channel,
            name=form.name,
            clock=form.clock,
            rooms=frozenset(form.rooms),
            severity_from=Severity(form.severity_from),
            hours=form.hours,
            quiet=form.quiet_hours,
            after_s=form.after_minutes * 60,
            most_per_hour=form.most_per_hour,
            digest=form.digest,
            digest_minute=form.digest_at,
            digest_day=form.digest_day,
            monthly=form.monthly,
        )

    def _check_recipients(
        self, forms: Sequence[tuple[Steps, RecipientForm]], recipients: Sequence[Recipient], site: Site
    ) -> None:
        keys: set[tuple[str, str]] = set()
        for (at, _), one in zip(forms, recipients, strict=False):
            if one.key in keys:
                self._findings.wrong(at, f"{one.address} is listed twice", "Put it into one entry.")
            keys.add(one.key)
            for room in sorted(one.rooms - {room.id for room in site.rooms}):
                near = nearest(room, [each.id for each in site.rooms])
                hint = f' Did you mean "{near}"?' if near else ""
                self._findings.cautions.append(f'{one.who} is told of "{room}", a room that this file has not.{hint}')
        mail_to = self._findings.raw.get("mail", {})
        plain = isinstance(mail_to, dict) and mail_to.get("to")
        if recipients and not plain and all(one.after_s > 0 for one in recipients):
            self._findings.wrong(
                ("recipient", 0, "after_minutes"),
                "everybody waits for somebody else to answer first",
                "Leave out after_minutes for those who are told at once.",
            )


def check_mail_told(findings: Findings, mail: MailWiring | None, telling: TellingWiring) -> None:
    """Note a [mail] that goes to nobody, and somebody who is to be mailed where no [mail] says how."""
    if mail is None:
        mailed = [index for index, one in enumerate(telling.recipients) if one.channel == "mail"]
        for index in mailed:
            findings.wrong(
                ("recipient", index, "mail"),
                "no mail can go out: this file has no [mail]",
                "Add [mail] with the server and the sender, or tell them another way.",
            )
    elif not mail.recipients and not any(one.channel == "mail" for one in telling.recipients):
        findings.wrong(
            ("mail", "to"),
            "this key is missing",
            'Add it: to = ["you@example.org"], or a [[recipient]] with mail = "…".',
        )
