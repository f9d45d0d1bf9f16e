"""Which kinds of adapter there are, and how one is loaded and its settings checked.

Built-ins are data and loaded on use, so that a library that one adapter needs harms nobody who does not want that
adapter. Unassigned' adapters come in through the entry-point group `lumberroom.adapters`; they cannot replace a
built-in. "No such kind" and "its library is not installed" are two mistakes with two messages.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import metadata
from typing import Any, Final

from adapters.contract import Adapter, AdapterError, LibraryMissingError, Setting, SettingsError

ENTRY_POINT_GROUP: Final = "lumberroom.adapters"

BUILT_INS: Final[Mapping[str, str]] = {
    "serial_line": "adapters.serial_line:SerialLine",
    "serial_poll": "adapters.serial_poll:SerialPoll",
    "simulated_room": "adapters.simulated_room:SimulatedRoom",
    "child_process": "adapters.child_process:ChildProcess",
    "dropped_files": "adapters.dropped_files:DroppedFiles",
    "http_poll": "adapters.http_poll:HttpPoll",
    "replay": "adapters.replay:Replay",
    "modbus_rtu": "adapters.modbus_registers:ModbusRtu",
    "modbus_tcp": "adapters.modbus_registers:ModbusTcp",
    "mqtt_topics": "adapters.mqtt_topics:MqttTopics",
    "bluetooth_sensing": "adapters.bluetooth_sensing:BluetoothSensing",
    "bluetooth_broadcasts": "adapters.bluetooth_broadcasts:BluetoothBroadcasts",
}


@dataclass(frozen=True, slots=True)
class AdapterKind:
    """A kind of adapter.  target: "module:Class".  source: who brings it ("lumberroom", or "name version")."""

    name: str
    target: str
    source: str


def kinds() -> Mapping[str, AdapterKind]:
    """Give every kind by name, built-ins first; nothing is imported."""
    found = {name: AdapterKind(name, target, "lumberroom") for name, target in BUILT_INS.items()}
    for point in metadata.entry_points(group=ENTRY_POINT_GROUP):
        source = f"{point.dist.name} {point.dist.version}" if point.dist else "unknown package"
        found.setdefault(point.name, AdapterKind(point.name, point.value, source))
    return found


def load(kind: str) -> type[Adapter]:
    """Import the adapter class of a kind.

    Raises SettingsError when there is no such kind or what is registered is no adapter, and LibraryMissingError when
    a library that it needs is not installed.
    """
    known = kinds()
    if kind not in known:
        raise SettingsError(
            f"there is no adapter kind {kind!r}{_nearest(kind, known)}",
            where="adapter kind",
            mend=f"Use one of: {', '.join(known)}",
        )
    return load_target(known[kind])


def load_target(kind: AdapterKind) -> type[Adapter]:
    """Import what a kind points to; raises as `load` does."""
    where = f"adapter {kind.name}"
    try:
        loaded = metadata.EntryPoint(kind.name, kind.target, ENTRY_POINT_GROUP).load()
    except ModuleNotFoundError as error:
        raise _library_missing(kind, error) from error
    except Exception as error:  # the plug-in boundary: a stranger's module may do anything
        raise SettingsError(
            f"{kind.target} of {kind.source} cannot be loaded: {type(error).__name__}: {error}",
            where=where,
            mend=f"Repair or update {kind.source}, or take this adapter out of the settings file",
        ) from error
    if not _is_adapter(loaded):
        raise SettingsError(
            f"{kind.target} of {kind.source} is no adapter class",
            where=where,
            mend="An adapter class has SETTINGS, SUMMARY, readings() and describe(); see adapters.contract.Adapter",
        )
    adapter_class: type[Adapter] = loaded
    return adapter_class


def _library_missing(kind: AdapterKind, error: ModuleNotFoundError) -> AdapterError:
    own_module = kind.target.partition(":")[0]
    missing = error.name or "a library"
    if own_module == missing or own_module.startswith(f"{missing}."):
        return SettingsError(
            f"its module {own_module} is not there",
            where=f"adapter {kind.name}",
            mend=f"Install {kind.source} again; it is not complete",
        )
    return LibraryMissingError(
        f"it needs the Python library {missing}, which is not installed",
        where=f"adapter {kind.name}",
        mend=f"Install it into lumberroom's environment (pip install {missing.partition('.')[0]})",
    )


def _is_adapter(loaded: object) -> bool:
    members = ("SETTINGS", "SUMMARY", "readings", "describe")
    return isinstance(loaded, type) and all(hasattr(loaded, member) for member in members)


def check_settings(adapter_class: type[Adapter], given: Mapping[str, Any]) -> dict[str, Any]:
    """Check settings against the class's `SETTINGS` and fill in defaults.

    Raises the first of `settings_mistakes`. The values are those given; a whole number becomes a float where a float
    is wanted.
    """
    mistakes = settings_mistakes(adapter_class, given)
    if mistakes:
        raise mistakes[0]
    checked: dict[str, Any] = {}
    for setting in adapter_class.SETTINGS:
        value = given.get(setting.name, setting.default)
        checked[setting.name] = float(value) if setting.kind is float and value is not None else value
    return checked


def settings_mistakes(adapter_class: type[Adapter], given: Mapping[str, Any]) -> list[SettingsError]:
    """Give every mistake in these settings: unknown names, missing ones, wrong types, values out of range."""
    settings = {setting.name: setting for setting in adapter_class.SETTINGS}
    mistakes = [
        SettingsError(
            f"there is no such setting{_nearest(name, settings)}",
            where=name,
            mend=f"Known settings are: {', '.join(settings)}",
        )
        for name in given
        if name not in settings
    ]
    for setting in settings.values():
        if setting.name in given:
            mistakes += _value_mistakes(setting, given[setting.name])
        elif setting.required:
            mistakes.append(
                SettingsError("this setting is missing", where=setting.name, mend=f"Set it: {setting.help}")
            )
    return mistakes


_KIND_WORDS: Final[Mapping[type, str]] = {
    str: "a text in quotes",
    int: "a whole number",
    float: "a number",
    bool: "true or false",
    list: "a list in [ ]",
    dict: "a table in { }",
}


def _value_mistakes(setting: Setting, value: Any) -> list[SettingsError]:
    shown = "the value given" if setting.secret else repr(value)
    # A whole number serves as a number, and a tuple as a list (a default that nobody can change).
    fits = type(value) is setting.kind or (setting.kind, type(value)) in ((float, int), (list, tuple))
    if not fits:
        wanted = _KIND_WORDS[setting.kind]
        return [SettingsError(f"{shown} is not {wanted}", where=setting.name, mend=f"Give {wanted}: {setting.help}")]
    if setting.choices and value not in setting.choices:
        choices = ", ".join(setting.choices)
        near = "" if setting.secret else _nearest(value, setting.choices)
        return [SettingsError(f"{shown} is not a choice{near}", where=setting.name, mend=f"Use one of: {choices}")]
    low, high = setting.minimum, setting.maximum
    # Written so that NaN is refused too.
    if (low is not None and not value >= low) or (high is not None and not value <= high):
        return [SettingsError(f"{shown} is out of range", where=setting.name, mend=f"Give {_range(low, high)}")]
    return []


def _range(low: float | None, high: float | None) -> str:
    # Ten digits, so that four million is not "4e+06".
    if low is None:
        return f"at most {high:.10g}"
    return f"at least {low:.10g}" if high is None else f"a value from {low:.10g} to {high:.10g}"


def _nearest(word: str, known: Any) -> str:
    near = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f" (did you mean {near[0]!r}?)" if near else ""
