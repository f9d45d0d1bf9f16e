"""What the pages of sensors within reach know. The rules of contexts: `dashboards.shell.contexts`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from dashboards.shell.contexts import Choice, Link, Shell


@dataclass(frozen=True, slots=True)
class ReachFigure:
    """A figure of something within reach.  moved: how far it has risen or fallen since somebody looks, or empty."""

    label: str
    digits: str
    unit: str
    moved: str  # "▲ 12.4 points", "▼ 0.3 °C"


@dataclass(frozen=True, slots=True)
class SightingRow:
    """Something within reach."""

    id: str
    sensor: str
    way: str  # "Serial line", "Bluetooth", "MQTT", "Heard by hall-usb"
    address: str
    figures: tuple[ReachFigure, ...]
    carried: tuple[str, ...]  # signal and battery: "signal −60 dBm"
    moving: bool
    heard: str
    note: str
    assign: str  # address of the page that assigns it to a room; empty where that cannot be
    lacks: str  # why not
    wiring: str  # the lines of the settings file that would read it
    belongs: str  # title of the room that it belongs to, or empty


@dataclass(frozen=True, slots=True)
class KeyRow:
    """The key of a device that hands readings in."""

    name: str
    sensors: str
    used: str  # "used 2 minutes ago", "never used"
    revoked: str  # "revoked on …", empty while it holds


@dataclass(frozen=True, slots=True)
class ReachPage:
    """What is within reach of this computer, with figures that move."""

    TEMPLATE: ClassVar = "find_sensors/page.html"

    shell: Shell
    looking: str  # what is listened to, a sentence; or why nothing is
    tired: bool
    homeless: tuple[SightingRow, ...]
    housed: tuple[SightingRow, ...]
    troubles: tuple[str, ...]
    keys: tuple[KeyRow, ...]
    again: str  # where to ask to look again


@dataclass(frozen=True, slots=True)
class NumberAsked:
    """A number of a document of which somebody must say what it is.  name: of the field."""

    name: str
    pointer: str
    value: str
    choices: tuple[Choice, ...]


@dataclass(frozen=True, slots=True)
class AssignPage:
    """Gives what is within reach a room.  wrong: the field that must be mended; said: what is wrong with it."""

    TEMPLATE: ClassVar = "find_sensors/assign.html"

    shell: Shell
    sighting: SightingRow
    names_itself: bool
    needs_adapter: bool  # whether lines go into the settings file
    rooms: tuple[Choice, ...]
    places: tuple[Choice, ...]
    quantities: tuple[Choice, ...]  # of what its number may be; empty where it says so itself
    each: tuple[NumberAsked, ...]  # its numbers, where each must be said
    sensor: str
    title: str
    by: str
    wrong: str
    said: str
    action: str
    back: str


@dataclass(frozen=True, slots=True)
class AssignedPage:
    """What became of it."""

    TEMPLATE: ClassVar = "find_sensors/assigned.html"

    shell: Shell
    done: tuple[str, ...]
    to_copy: str
    room: Link
    back: str
