"""The settings of an [[adapter]] section: checked against its class, with its secrets fetched from where they are."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from adapters import registry
from adapters.contract import Adapter, AdapterError
from adapters.contract import SettingsError as BadSetting
from ingest.clock import SystemClock
from ingest.settings.findings import Findings, Steps

SecretOf = Callable[[str | None, str | None], tuple[str | None, str]]
"""Looks a secret up: (environment variable, file) -> (the secret or None, why it is not there or nothing)."""


class Entry(NamedTuple):
    """What an [[adapter]] section comes to.

    settings: complete and checked; empty where there are mistakes, or a secret is not there.  secrets: the secrets
    among them.  trouble: why it cannot run at present, a sentence, or empty.
    """

    settings: Mapping[str, Any]
    secrets: tuple[str, ...] = ()
    trouble: str = ""


def read_entry(
    findings: Findings, at: Steps, raw: Any, secret_of: SecretOf, beside: Callable[[str], Path] = Path
) -> Entry:
    """Check one section; mistakes and cautions go to the findings.

    beside: makes a path of one that is written in the file (relative ones are meant from the file's own folder).
    """
    if not isinstance(raw, dict) or not isinstance(raw.get("type"), str):
        return Entry({})
    given = {key: value for key, value in raw.items() if key not in {"name", "type"}}
    try:
        adapter_class = registry.load(raw["type"])
    except AdapterError as error:
        findings.wrong((*at, "type"), error.what, error.mend)
        return Entry({})
    secrets, troubles = _fetch_secrets(findings, at, adapter_class, given, secret_of)
    mistakes = [
        mistake for mistake in registry.settings_mistakes(adapter_class, given) if mistake.where not in troubles
    ]
    for mistake in mistakes:
        findings.wrong((*at, mistake.where), mistake.what, mistake.mend)
    for trouble in troubles.values():
        findings.cautions.append(f"The adapter {raw.get('name', raw['type'])} cannot run: {trouble}")
    if mistakes or troubles:
        return Entry({}, trouble=" ".join(troubles.values()))
    for setting in adapter_class.SETTINGS:
        if setting.is_path and given.get(setting.name):
            given[setting.name] = str(beside(given[setting.name]))
    settings = registry.check_settings(adapter_class, given)
    misfit = _mistake_in_making(adapter_class, settings)
    if misfit is not None:
        # At the section, not at the key: a value in which a secret was found out must not be shown beside it.
        findings.wrong(at, f"{misfit.where}: {misfit.what}", misfit.mend)
        return Entry({})
    return Entry(settings, secrets)


def _mistake_in_making(adapter_class: type[Adapter], settings: Mapping[str, Any]) -> BadSetting | None:
    """Make an adapter and throw it away: maps, rules and questions are only understood then. It opens nothing yet."""
    try:
        adapter_class(settings, SystemClock())
    except BadSetting as error:
        return error
    except Exception:  # noqa: BLE001 -- the boundary to a stranger's plug-in: its bug is for the supervisor to tell
        return None
    return None


def _fetch_secrets(
    findings: Findings, at: Steps, adapter_class: type[Adapter], given: dict[str, Any], secret_of: SecretOf
) -> tuple[tuple[str, ...], dict[str, str]]:
    """Put secrets into `given` in place of the keys that say where they are; give them, and what is missing why."""
    found: list[str] = []
    troubles: dict[str, str] = {}
    for name in [setting.name for setting in adapter_class.SETTINGS if setting.secret]:
        if given.pop(name, None) is not None:
            findings.wrong(
                (*at, name),
                "secrets do not belong in the settings file, which gets copied, mailed and kept in backups",
                f'Put it into an environment variable and name that: {name}_env = "LUMBERROOM_{name.upper()}", or into '
                f'a file that only the daemon may read: {name}_file = "{name}.secret". Then delete this line.',
            )
        variable, file = _place(findings, at, given, f"{name}_env"), _place(findings, at, given, f"{name}_file")
        secret, trouble = secret_of(variable, file)
        if trouble:
            troubles[name] = trouble
        elif secret is not None:
            given[name] = secret
            found.append(secret)
    return tuple(found), troubles


def _place(findings: Findings, at: Steps, given: dict[str, Any], key: str) -> str | None:
    place = given.pop(key, None)
    if place is None or isinstance(place, str):
        return place
    findings.wrong((*at, key), f"{place!r} is not a text in quotes", "Name where the secret is, in quotes.")
    return None
