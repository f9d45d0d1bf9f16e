"""The settings file of an office: [office], [central], [data], [page], [mail]."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import ClassVar, Final, Literal

from ingest.central.engine import EngineAddress
from ingest.errors import SettingsError
from ingest.settings.findings import Findings, WiringError
from ingest.settings.forms import DataForm, Form, MailForm, OfficeCentralForm, OfficeForm, PageForm
from ingest.settings.reading import FileReader, text_of, toml_of
from ingest.settings.wiring import MailWiring, PageWiring, TellingWiring, WebhookWiring

SECTIONS: Final[dict[str, type[Form]]] = {
    "office": OfficeForm,
    "central": OfficeCentralForm,
    "data": DataForm,
    "page": PageForm,
    "mail": MailForm,
}


@dataclass(frozen=True, slots=True)
class OfficeWiring:
    """Everything that an office is built from.

    offline_after_s: a site that has said nothing for so long is silent (s).  forget: ids of sites that are no more.
    data_directory: for what the office itself must remember: which sites there are, who is silent, mail to be sent.
    """

    name: str
    time_zone: str
    central: EngineAddress
    data_directory: Path
    offline_after_s: float = 1200.0
    forget: frozenset[str] = frozenset()
    page: PageWiring = field(default_factory=PageWiring)
    mail: MailWiring | None = None
    units: Literal["si", "us"] = "si"
    cautions: tuple[str, ...] = ()
    path: Path | None = None  # the file it came from

    @property
    def webhooks(self) -> tuple[WebhookWiring, ...]:
        """None: an office tells by mail only."""
        return ()

    @property
    def telling(self) -> TellingWiring:
        """Nobody beside the list of [mail]."""
        return TellingWiring()

    def secrets(self) -> tuple[str, ...]:
        """Give every secret, so that the log can blot them out."""
        secrets = (self.central.token, self.mail.password if self.mail else None)
        return tuple(secret for secret in secrets if secret)


def load_office(path: Path, environment: Mapping[str, str] = os.environ) -> OfficeWiring:
    """Read and check an office's file. Raises SettingsError that lists every mistake."""
    text = text_of(path)
    raw = toml_of(text, path)
    if "site" in raw and "office" not in raw:
        raise SettingsError(
            "this is a site's file, not an office's", where=str(path), mend=f"Use: lumberroom run {path}"
        )
    findings = Findings(raw, text)
    wiring = _OfficeReader(path.absolute(), findings, environment).office()
    if findings.mistakes or wiring is None:
        raise WiringError(path, findings.in_order())
    return wiring


class _OfficeReader(FileReader):
    """Goes through an office's file."""

    sections: ClassVar[Mapping[str, type[Form]]] = SECTIONS

    def office(self) -> OfficeWiring | None:
        """Read the whole file; None where a section that it cannot do without is missing or broken."""
        self.check_sections()
        for name, keys in (("office", 'name = "…" and time_zone = "Europe/Berlin"'), ("central", 'address = "…"')):
            if name not in self.findings.raw:
                self.findings.wrong((name,), "this section is missing", f"Add it: [{name}] with {keys}.")
        form = self.section("office", OfficeForm) if "office" in self.findings.raw else None
        central_form = self.section("central", OfficeCentralForm) if "central" in self.findings.raw else None
        data = self.section("data", DataForm) if "data" in self.findings.raw else None
        page = self.page(self.section("page", PageForm))
        mail = self.mail(self.section("mail", MailForm) if "mail" in self.findings.raw else None, page)
        if data is not None and data.keep_readings_days is not None:
            self.findings.wrong(
                ("data", "keep_readings_days"),
                "an office keeps no readings",
                "Set it at the sites; the engine has its own.",
            )
        directory = self.data_directory(data or DataForm(directory="lumberroom-office"))
        central = None if central_form is None else self.engine(central_form)
        if mail is None:
            self.findings.cautions.append("There is no [mail]: nobody is told when a site falls silent.")
        if form is None or central is None:
            return None
        return OfficeWiring(
            name=form.name,
            time_zone=form.time_zone,
            central=central,
            data_directory=directory,
            offline_after_s=form.offline_after_minutes * 60,
            forget=frozenset(form.forget),
            page=page,
            mail=mail,
            units=form.units,
            cautions=tuple(self.findings.cautions),
            path=self.path,
        )
