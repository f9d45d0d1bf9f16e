"""Reading the settings file: `load(path)` gives a checked `Wiring`, or an error that lists every mistake in it."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, ClassVar, Final, TypeVar

from pydantic import ValidationError

from ingest.central.engine import EngineAddress
from ingest.errors import SettingsError
from ingest.settings import crosschecks
from ingest.settings.adapter_entries import read_entry
from ingest.settings.central_section import Token, engine_address
from ingest.settings.findings import Findings, Steps, WiringError, nearest
from ingest.settings.forms import (
    LISTS,
    SECTIONS,
    AdapterForm,
    AliveForm,
    CentralForm,
    DataForm,
    Form,
    MailForm,
    OfficeCentralForm,
    PageForm,
    PushForm,
    RoomForm,
    SiteForm,
    StationForm,
    WebhookForm,
    WindowForm,
)
from ingest.settings.push_section import push_wiring
from ingest.settings.room_section import in_service_of, room_of, sensors_of, site_of
from ingest.settings.sentences import note
from ingest.settings.telling_forms import TELLING_LISTS, TELLING_SECTIONS
from ingest.settings.telling_section import TellingReader, check_mail_told
from ingest.settings.wiring import (
    GATHER_S,
    AdapterWiring,
    AliveWiring,
    CentralWiring,
    MailWiring,
    PageWiring,
    WebhookWiring,
    Wiring,
)
from ingest.site.in_service import InService
from ingest.site.places import AcclimationWindow, Phase, Room, Sensor, Site

JOB_SECTIONS: Final = ("site", "station", "room")
"""The sections that describe the job; the others wire this computer."""

ALL_LISTS: Final = (*LISTS, *TELLING_LISTS)

MOST_BYTES: Final = 4_000_000
"""No settings file is larger: one of a thousand rooms has a tenth of it."""

_USUAL_PORTS: Final = {"starttls": 587, "tls": 465, "none": 25}
_BEARER_TOKEN: Final = re.compile(r"[A-Za-z0-9._~+/-]+=*")  # RFC 6750, section 2.1
_F = TypeVar("_F", bound=Form)


def load(path: Path, environment: Mapping[str, str] = os.environ) -> Wiring:
    """Read and check a settings file.

    path: the file.  environment: where secrets are looked up that a key ending in `_env` names.
    Raises SettingsError: the file cannot be read, is not TOML, or has mistakes (all of them are listed).
    """
    return parse(text_of(path), path, environment)


def parse(text: str, path: Path, environment: Mapping[str, str] = os.environ) -> Wiring:
    """Check the text of a settings file that stands, or will stand, at `path`; as `load`."""
    raw = toml_of(text, path)
    if "office" in raw and "site" not in raw:
        raise SettingsError(
            "this is an office's file, not a site's", where=str(path), mend=f"Use: lumberroom office [--check] {path}"
        )
    findings = Findings(raw, text)
    wiring = FileReader(path.absolute(), findings, environment).wiring()
    if findings.mistakes or wiring is None:
        raise WiringError(path, findings.in_order())
    return wiring


def load_site(path: Path) -> Site:
    """Read only the job of a file, its [site] and [[room]] sections; other sections are not looked at.

    Raises SettingsError as `load` does.
    """
    text = text_of(path)
    raw = {name: value for name, value in toml_of(text, path).items() if name in JOB_SECTIONS}
    findings = Findings(raw, text)
    site = FileReader(path.absolute(), findings, {}).site()
    if findings.mistakes or site is None:
        raise WiringError(path, findings.in_order())
    return site


def sections_of(path: Path) -> frozenset[str]:
    """Give the names of the sections in a file. Raises SettingsError when it cannot be read or is not TOML."""
    return frozenset(toml_of(text_of(path), path))


def toml_of(text: str, path: Path) -> dict[str, Any]:
    """Give what a text in TOML says. Raises SettingsError."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(
            f"this is not TOML: {error}",
            where=str(path),
            mend='Texts need quotes ("…"), numbers none; a section stands in [brackets] on a line of its own.',
        ) from None
    except (ValueError, RecursionError) as error:  # a number of thousands of digits, brackets without end
        raise SettingsError(
            f"this cannot be read as TOML ({type(error).__name__})",
            where=str(path),
            mend="Write one anew with: lumberroom init",
        ) from None


def text_of(path: Path) -> str:
    """Give the text of a file. Raises SettingsError."""
    try:
        if path.exists() and not path.is_file():  # a folder cannot be read, and a pipe would be waited for
            raise SettingsError("this is not a file", where=str(path), mend="Name the settings file itself.")
        if path.stat().st_size > MOST_BYTES:
            raise SettingsError("this is far too large for a settings file", where=str(path), mend="Name another one.")
        return path.read_text(encoding="utf-8-sig")  # some editors begin a file with a mark
    except FileNotFoundError:
        raise SettingsError(
            "there is no such file", where=str(path), mend=f"Write one with: lumberroom init {path}"
        ) from None
    except UnicodeDecodeError:
        raise SettingsError("this is not a text in UTF-8", where=str(path), mend="Save it as UTF-8.") from None
    except OSError as error:
        raise SettingsError(
            f"the file cannot be read ({error.strerror})",
            where=str(path),
            mend="Name a file that this user may read.",
        ) from None


def _in_brackets(host: str) -> str:
    return f"[{host}]" if ":" in host else host  # RFC 3986, section 3.2.2


class FileReader:
    """Goes through one file section by section, noting mistakes and carrying on."""

    sections: ClassVar[Mapping[str, type[Form]]] = {**SECTIONS, **TELLING_SECTIONS}

    def __init__(self, path: Path, findings: Findings, environment: Mapping[str, str]) -> None:
        self.path = path
        self.findings = findings
        self.environment = environment

    def wiring(self) -> Wiring | None:
        """Read the whole file; None where [site] is too broken to go by."""
        site = self.site()
        data = self.section("data", DataForm)
        page_form = self.section("page", PageForm)
        push_form = self.section("push", PushForm) if "push" in self.findings.raw else None
        mail_form = self.section("mail", MailForm) if "mail" in self.findings.raw else None
        central_form = self.section("central", CentralForm) if "central" in self.findings.raw else None
        adapters = self._adapters()
        webhooks = self._webhooks()
        alive = self.section("alive", AliveForm) if "alive" in self.findings.raw else None
        directory = self.data_directory(data)
        page = self.page(page_form)
        mail = self.mail(mail_form, page)
        central = self._central(central_form)
        crosschecks.caution_thinning(self.findings, data)
        if site is None:
            return None
        telling = TellingReader(self.findings, self.path, self._form, self._secret).telling(site, webhooks)
        if mail is not None or "mail" not in self.findings.raw:
            check_mail_told(self.findings, mail, telling)
        told = mail is not None or bool(webhooks or telling.brokers or telling.commands)
        crosschecks.caution_bare(self.findings, rooms=len(site.rooms), told=told)
        return Wiring(
            site=site,
            data_directory=directory,
            page=page,
            push=push_wiring(self.findings, push_form, self._beside) if push_form is not None else None,
            mail=mail,
            central=central,
            webhooks=tuple(webhooks),
            telling=telling,
            alive=AliveWiring(alive.address, alive.every_minutes * 60) if alive is not None else None,
            adapters=tuple(adapters),
            units=self.findings.raw["site"].get("units", "si"),
            path=self.path,
            keep_readings_days=data.keep_readings_days if data is not None else None,
            gather_s=data.gather_seconds if data is not None else GATHER_S,
            cautions=tuple(self.findings.cautions),
        )

    def site(self) -> Site | None:
        """Read the job's sections; None where [site] is too broken to go by."""
        self.check_sections()
        crosschecks.check_ids(self.findings)
        rooms = self._rooms()
        if "site" not in self.findings.raw:
            self.findings.wrong(
                ("site",), "this section is missing", 'Add it: [site] with name = "…" and time_zone = "Europe/Berlin".'
            )
            return None
        form = self.section("site", SiteForm)
        if form is None:
            return None
        crosschecks.check_site(self.findings, form)
        station = self.section("station", StationForm) or StationForm()
        return site_of(form, station, [room for room, _ in rooms], [one for _, sensors in rooms for one in sensors])

    def check_sections(self) -> None:
        """Note sections that there are not, and those in the wrong brackets."""
        for name, value in self.findings.raw.items():
            if name not in self.sections:
                near = nearest(name, self.sections)
                written = ", ".join(f"[[{s}]]" if s in ALL_LISTS else f"[{s}]" for s in self.sections)
                hint = (
                    f"Did you mean {f'[[{near}]]' if near in ALL_LISTS else f'[{near}]'}?"
                    if near
                    else f"There are {written}."
                )
                self.findings.wrong((name,), "there is no such section", hint)
            elif name in ALL_LISTS and not isinstance(value, list):
                self.findings.wrong(
                    (name,), "there may be several of these", f"Write it in double brackets: [[{name}]]"
                )
            elif name not in ALL_LISTS and not isinstance(value, dict):
                self.findings.wrong((name,), "there is one of these only", f"Write it in single brackets: [{name}]")

    def section(self, name: str, form: type[_F]) -> _F | None:
        """Read a section that stands once; None where it has mistakes."""
        raw = self.findings.raw.get(name, {})
        return self._form((name,), form, raw) if isinstance(raw, dict) else None

    def _form(self, at: Steps, form: type[_F], raw: Any) -> _F | None:
        try:
            return form.model_validate(raw)
        except ValidationError as error:
            note(self.findings, at, form, error)
            return None

    def _entries(self, name: str) -> list[Any]:
        raw = self.findings.raw.get(name, [])
        return raw if isinstance(raw, list) else []

    def _rooms(self) -> list[tuple[Room, list[Sensor]]]:
        rooms = []
        for index, raw in enumerate(self._entries("room")):
            at: Steps = ("room", index)
            form = self._form(at, RoomForm, raw)
            if form is not None:
                wood = in_service_of(self.findings, (*at, "in_service"), form.in_service)
                window = self._window((*at, "window"), form.window, has_target=wood is not None)
                room = room_of(form, window, self._phases(at, form, wood), wood)
                crosschecks.check_room(self.findings, at, form, room.window)
                rooms.append((room, sensors_of(form)))
        return rooms

    def _phases(self, at: Steps, form: RoomForm, wood: InService | None) -> tuple[Phase, ...]:
        phases = []
        for index, phase in enumerate(form.phase):
            is_last = phase.first_day == max(one.first_day for one in form.phase)
            has_target = wood is not None and not is_last
            window = self._window((*at, "phase", index, "window"), phase.window, has_target=has_target)
            if window is not None:
                phases.append(Phase(phase.name, phase.first_day, window))
        days = [phase.first_day for phase in form.phase]
        for index, day in enumerate(days):
            if day in days[:index]:
                self.findings.wrong((*at, "phase", index, "first_day"), "two phases begin on this day", "Keep one.")
        return tuple(phases)

    def _window(self, at: Steps, form: WindowForm | None, *, has_target: bool) -> AcclimationWindow | None:
        if form is None:
            return None
        if form.temperature_c is not None and form.temperature_f is not None:
            self.findings.wrong((*at, "temperature_f"), "the bounds are given twice", "Keep one of the two scales.")
        if not (has_target or any((form.temperature_c, form.temperature_f, form.rh_percent, form.emc_percent))):
            self.findings.wrong(
                at, "this window has no bounds", "Add temperature_c, temperature_f, rh_percent or emc_percent."
            )
            return None
        return AcclimationWindow(
            temperature_c=form.temperature_c or form.temperature_f,
            rh_percent=form.rh_percent,
            emc_percent=form.emc_percent,
            dwell_s=form.alert_after_minutes * 60,
            return_dwell_s=form.all_clear_after_minutes * 60,
            margin_temperature_c=form.margin_temperature_c,
            margin_rh_percent=form.margin_rh_percent,
            margin_emc_percent=form.margin_emc_percent,
        )

    def _adapters(self) -> list[AdapterWiring]:
        crosschecks.caution_no_adapter(self.findings)
        adapters = []
        for index, raw in enumerate(self._entries("adapter")):
            own = {key: raw[key] for key in ("name", "type") if key in raw} if isinstance(raw, dict) else raw
            form = self._form(("adapter", index), AdapterForm, own)
            entry = read_entry(self.findings, ("adapter", index), raw, self._secret, self._beside)
            if form is not None:
                adapters.append(AdapterWiring(form.name, form.type, *entry))
        return adapters

    def _beside(self, name: str) -> Path:
        return self.path.parent / Path(name).expanduser()

    def data_directory(self, data: DataForm | None) -> Path:
        """Give the data directory, noting one that cannot be used."""
        directory = self._beside((data or DataForm()).directory)
        if data is not None:
            written = "directory" in self.findings.raw.get("data", {})
            crosschecks.check_data_directory(self.findings, directory, ("data", "directory") if written else ("data",))
        return directory

    def page(self, form: PageForm | None) -> PageWiring:
        """Give where the page listens, its token looked up."""
        if form is None:
            return PageWiring()
        crosschecks.check_page(self.findings, form)
        token, trouble = self._secret(form.push_token_env, form.push_token_file)
        if token is not None and not _BEARER_TOKEN.fullmatch(token):
            token, trouble = (
                None,
                "the push token has characters that no bearer token can have. Use letters and digits.",
            )
        if trouble:
            self.findings.cautions.append(f"Nobody can push readings: {trouble}")
        return PageWiring(form.listen, form.port, token, form.public_address or "")

    def mail(self, form: MailForm | None, page: PageWiring) -> MailWiring | None:
        """Give how mail goes out, its password looked up."""
        if form is None:
            return None
        crosschecks.check_mail(self.findings, form)
        ca_file = self._beside(form.ca_file) if form.ca_file else None
        if ca_file is not None and not os.access(ca_file, os.R_OK):
            self.findings.wrong(("mail", "ca_file"), f"{ca_file} cannot be read", "Name the file of the certificate.")
        password, trouble = self._secret(form.password_env, form.password_file)
        if trouble:
            self.findings.cautions.append(f"No mail can go out: {trouble}")
        return MailWiring(
            server=form.server,
            sender=form.sender,
            recipients=tuple(dict.fromkeys(form.to or ())),
            port=form.port if form.port is not None else _USUAL_PORTS[form.security],
            security=form.security,
            login=form.login,
            password=password,
            ca_file=ca_file,
            page_address=form.page_address or f"http://{_in_brackets(page.listen)}:{page.port}/",
            trouble=trouble,
            most_per_hour=form.most_per_hour,
        )

    def _central(self, form: CentralForm | None) -> CentralWiring | None:
        if form is None:
            return None
        return CentralWiring(form.site, self.engine(form), form.read_back, form.derived)

    def engine(self, form: CentralForm | OfficeCentralForm) -> EngineAddress:
        """Give where the central engine is, with its token looked up."""
        token = Token(*self._secret(form.token_env, form.token_file))
        ca_file = self._beside(form.ca_file) if form.ca_file else None
        return engine_address(self.findings, form, token, ca_file)

    def _webhooks(self) -> list[WebhookWiring]:
        hooks = []
        for index, raw in enumerate(self._entries("webhook")):
            at: Steps = ("webhook", index)
            form = self._form(at, WebhookForm, raw)
            if form is None:
                continue
            crosschecks.check_webhook(self.findings, at, form)
            ca_file = self._beside(form.ca_file) if form.ca_file else None
            if ca_file is not None and not os.access(ca_file, os.R_OK):
                self.findings.wrong((*at, "ca_file"), f"{ca_file} cannot be read", "Name the file of the certificate.")
            secret, trouble = self._secret(form.secret_env, form.secret_file)
            if trouble:
                self.findings.cautions.append(f'The web hook "{form.name}" cannot be used: {trouble}')
            hooks.append(WebhookWiring(form.name, form.address, secret, ca_file, trouble))
        return hooks

    def _secret(self, variable: str | None, file: str | None) -> tuple[str | None, str]:
        """Look up a secret: the secret or None, and why it is not there (a sentence) or nothing."""
        if variable:
            found = self.environment.get(variable, "")
            return (
                (found, "") if found else (None, f"the environment variable {variable} is not set. Set it and restart.")
            )
        if file:
            return self._secret_file(self._beside(file))
        return None, ""

    def _secret_file(self, path: Path) -> tuple[str | None, str]:
        try:
            found = path.read_text(encoding="utf-8").strip()
        except (OSError, UnicodeDecodeError):
            return None, f"the file {path} cannot be read. Put the secret into it, readable by the daemon only."
        if found and path.stat().st_mode & 0o077:
            self.findings.cautions.append(f"{path} can be read by other users. Mend it: chmod 600 {path}")
        return (found, "") if found else (None, f"the file {path} is empty. Put the secret into it.")
