"""What no single key of a settings file can tell: ids used twice, windows that can never be met, odd combinations."""

from __future__ import annotations

import ipaddress
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np

from ingest.physics.wood import emc_percent
from ingest.settings.findings import Findings, Steps
from ingest.settings.forms import DataForm, MailForm, PageForm, RoomForm, SiteForm, WebhookForm
from ingest.site.places import AcclimationWindow, Bounds

LAYING_EMC_PERCENT: Final = Bounds(6.0, 11.0)
"""Where published figures for laying wood floors in heated rooms lie: 6 to 9 % moisture content in restatements of the
United States trade guideline (60 to 80 °F, 30 to 50 % RH), 9 ± 2 % for parquet at delivery in European trade pages that
name EN 13226. Secondary sources; common practice."""

_SLACK_PERCENT: Final = 0.5  # how far past those figures before it is worth a word
_ANY_TEMPERATURE_C: Final = Bounds(-20.0, 45.0)
_ANY_RH_PERCENT: Final = Bounds(0.0, 100.0)


def check_ids(findings: Findings) -> None:
    """Note room, adapter and sensor ids that stand more than once; works on the raw file, whatever else is wrong."""
    _once(findings, _named(findings.raw, "room", "id"), "another room has this id", "Every room needs its own.")
    _once(findings, _named(findings.raw, "adapter", "name"), "another adapter has this name", "Give it its own.")
    _once(findings, _named(findings.raw, "webhook", "name"), "another web hook has this name", "Give it its own.")
    sensors = [
        ((*at, "sensor", *inner), sensor_id)
        for at, room in _entries(findings.raw, "room")
        for inner, sensor_id in _named_in(room.get("sensor"), "id")
    ]
    _once(
        findings,
        iter(sensors),
        "this sensor is listed more than once",
        "A sensor hangs in one place: keep the section of the room that it is in.",
    )


def _entries(raw: Any, section: str) -> Iterator[tuple[Steps, dict[str, Any]]]:
    entries = raw.get(section)
    for index, entry in enumerate(entries if isinstance(entries, list) else []):
        if isinstance(entry, dict):
            yield (section, index), entry


def _named(raw: Any, section: str, key: str) -> Iterator[tuple[Steps, str]]:
    for at, entry in _entries(raw, section):
        if isinstance(entry.get(key), str):
            yield (*at, key), entry[key]


def _named_in(entries: object, key: str) -> Iterator[tuple[Steps, str]]:
    for index, entry in enumerate(entries if isinstance(entries, list) else []):
        if isinstance(entry, dict) and isinstance(entry.get(key), str):
            yield (index, key), entry[key]


def _once(findings: Findings, named: Iterator[tuple[Steps, str]], what: str, mend: str) -> None:
    seen: set[str] = set()
    for at, name in named:
        if name in seen:
            findings.wrong(at, what, mend)
        seen.add(name)


def check_site(findings: Findings, site: SiteForm) -> None:
    """Note an elevation given twice."""
    if site.elevation_m is not None and site.elevation_ft is not None:
        findings.wrong(("site", "elevation_ft"), "the elevation is given twice", "Keep elevation_m or elevation_ft.")


def check_page(findings: Findings, page: PageForm) -> None:
    """Note a push token that is given twice."""
    if page.push_token_env and page.push_token_file:
        findings.wrong(
            ("page", "push_token_file"),
            "the push token is given twice",
            "Keep push_token_env or push_token_file.",
        )


def check_mail(findings: Findings, mail: MailForm) -> None:
    """Note secrets given twice, a login without one or the reverse, and a login that would travel readable."""
    secret = mail.password_env or mail.password_file
    if mail.password_env and mail.password_file:
        findings.wrong(("mail", "password_file"), "the password is given twice", "Keep password_env or password_file.")
    if mail.login and not secret:
        findings.wrong(
            ("mail", "login"),
            "a login without a password",
            'Add password_env = "LUMBERROOM_MAIL_PASSWORD" or password_file = "mail-password.secret".',
        )
    if secret and not mail.login:
        key = "password_env" if mail.password_env else "password_file"
        findings.wrong(("mail", key), "a password without a login", 'Add login = "…", or delete this line.')
    if mail.login and mail.security == "none" and not _is_here(mail.server):
        findings.wrong(
            ("mail", "security"),
            "the password would travel over the network readable by anyone",
            'Use security = "starttls" (port 587) or "tls" (port 465).',
        )


def _is_here(server: str) -> bool:
    if server == "localhost":
        return True
    try:
        return ipaddress.ip_address(server).is_loopback
    except ValueError:
        return False


def check_data_directory(findings: Findings, directory: Path, at: Steps) -> None:
    """Note a data directory that cannot be written or made."""
    if directory.exists():
        if not directory.is_dir():
            findings.wrong(at, f"{directory} is a file, not a directory", "Name a directory.")
        elif not os.access(directory, os.W_OK | os.X_OK):
            findings.wrong(at, f"{directory} cannot be written by this user", _owner_hint(directory))
        return
    parent = next(p for p in directory.parents if p.exists())
    if not parent.is_dir() or not os.access(parent, os.W_OK | os.X_OK):
        findings.wrong(at, f"{directory} is not there and cannot be made", f"Make it first: mkdir -p {directory}")


def caution_thinning(findings: Findings, data: DataForm | None) -> None:
    """Say what a rule of retention means: what goes cannot be brought back, and evidence may be wanted for years."""
    if data is not None and data.keep_readings_days is not None:
        findings.cautions.append(
            f"Readings older than {data.keep_readings_days} days are deleted each night. What stays for ever is "
            "counts, extremes, means and coverage per hour (of derived quantities per eight hours). A dispute may come "
            "later than that."
        )


def _owner_hint(directory: Path) -> str:
    if os.statvfs(directory).f_flag & os.ST_RDONLY:
        return "It lies on a medium that is mounted for reading only: mount it for writing, or name another directory"
    return f"Give it to the user that runs the daemon: chown that-user {directory}"


def check_room(findings: Findings, at: Steps, room: RoomForm, window: AcclimationWindow | None) -> None:
    """Note a window that can never be met, and what is worth a second look in a room."""
    title = room.title or room.id
    if room.window is None:
        findings.cautions.append(f"{title} has no window: it is shown and recorded, nobody is warned.")
    if window is None:
        return
    if not any(sensor.place == "air" for sensor in room.sensor):
        findings.cautions.append(f'{title} has a window but no sensor with place = "air", so nothing is judged by it.')
    lowest, highest = emc_span(window.temperature_c, window.rh_percent)
    if window.emc_percent is not None and not _overlap(window.emc_percent, lowest, highest):
        findings.wrong(
            (*at, "window", "emc_percent"),
            f"this can never be met: the room's temperature and RH bounds allow an EMC of {lowest:.1f} to "
            f"{highest:.1f} % only",
            "Widen the temperature or RH bounds, or move the EMC bounds into that range.",
        )
        return
    _caution_laying(findings, title, window)


def _overlap(bounds: Bounds, lowest: float, highest: float) -> bool:
    too_low = bounds.high is not None and bounds.high < lowest
    too_high = bounds.low is not None and bounds.low > highest
    return not (too_low or too_high)


def emc_span(temperature_c: Bounds | None, rh_percent: Bounds | None) -> tuple[float, float]:
    """Give the lowest and the highest EMC (%) that air within these bounds can bring about."""
    temperatures = np.linspace(*_ends(temperature_c, _ANY_TEMPERATURE_C), 25)
    humidities = np.linspace(*_ends(rh_percent, _ANY_RH_PERCENT), 25)
    emc = emc_percent(temperatures[:, np.newaxis], humidities[np.newaxis, :])
    return float(np.nanmin(emc)), float(np.nanmax(emc))


def _ends(bounds: Bounds | None, widest: Bounds) -> tuple[float, float]:
    low = bounds.low if bounds is not None and bounds.low is not None else widest.low
    high = bounds.high if bounds is not None and bounds.high is not None else widest.high
    assert low is not None
    assert high is not None
    return low, high


def _caution_laying(findings: Findings, title: str, window: AcclimationWindow) -> None:
    low, high = (None, None) if window.emc_percent is None else (window.emc_percent.low, window.emc_percent.high)
    if window.rh_percent is not None:
        lowest, highest = emc_span(window.temperature_c, window.rh_percent)
        low = lowest if low is None else max(low, lowest)
        high = highest if high is None else min(high, highest)
    usual_low, usual_high = _ends(LAYING_EMC_PERCENT, LAYING_EMC_PERCENT)
    too_low = low is not None and low < usual_low - _SLACK_PERCENT
    too_high = high is not None and high > usual_high + _SLACK_PERCENT
    if too_low or too_high:
        ends = " to ".join(f"{end:.1f}" for end in (low, high) if end is not None)
        findings.cautions.append(
            f"{title}: its window lets the EMC lie at {ends} %. Published figures for laying wood floors in heated "
            f"rooms lie at {usual_low:g} to {usual_high:g} %. That is right for many timber stores; do not lay from "
            "it, and follow the flooring's own instructions."
        )


def caution_no_adapter(findings: Findings) -> None:
    """Say so when nothing would be read at all."""
    if "adapter" not in findings.raw:
        findings.cautions.append(
            "There is no [[adapter]], so nothing is read by itself; readings can only be pushed over HTTP or imported."
        )


def check_webhook(findings: Findings, at: Steps, hook: WebhookForm) -> None:
    """Note a web hook without its secret, or with two."""
    if not hook.secret_env and not hook.secret_file:
        findings.wrong(
            at,
            "this web hook has no secret to sign with",
            'Add secret_env = "LUMBERROOM_WEBHOOK_SECRET" or secret_file = "webhook.secret".',
        )
    if hook.secret_env and hook.secret_file:
        findings.wrong((*at, "secret_file"), "the secret is given twice", "Keep secret_env or secret_file.")


def caution_bare(findings: Findings, *, rooms: int, told: bool) -> None:
    """Say so when there is nothing to watch, or nobody to tell."""
    if not rooms:
        findings.cautions.append("There is no [[room]]: sensors that are heard are listed, and nothing is stored.")
    if not told:
        findings.cautions.append(
            "There is no [mail] and no [[webhook]]: nobody is told when a room goes out of range; the page shows it."
        )
