"""The floor for everyone: what a reading is, which quantities there are, what an adapter must do.

An adapter is an async iterator of lists of `Reading`. It owns its transport, raises an `AdapterError` when the
transport fails (the supervisor restarts it), can be cancelled at any await, and touches neither store nor clock
policy. Anything that an adapter receives is untrusted until intake has checked it against the quantity's range.
"""

from __future__ import annotations

import enum
import re
from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar, Final, NamedTuple, Protocol, runtime_checkable


class Stamp(enum.Enum):
    """Whose clock an instant comes from."""

    SENSOR = "sensor"  # the sender said when it measured
    ARRIVAL = "arrival"  # the sender said nothing: the instant is when the bytes reached us


class Reading(NamedTuple):
    """One value of one quantity of one sensor at one instant.

    sensor: sensor id, matching `SENSOR_ID`.  quantity: a name in `QUANTITIES`.  value: in that quantity's unit.
    at_ms: instant, UTC, integer milliseconds since 1970.  stamp: whose clock `at_ms` comes from.
    """

    sensor: str
    quantity: str
    value: float
    at_ms: int
    stamp: Stamp


@dataclass(frozen=True, slots=True)
class Quantity:
    """A measured quantity: its one name from database to screen, its SenML label and unit, its possible range."""

    name: str
    senml_label: str
    senml_unit: str
    unit: str  # as printed for people
    minimum: float  # inclusive; what lies outside cannot be true and never gets past intake
    maximum: float  # inclusive
    title: str
    senml_factor: float = 1.0  # value in our unit = SenML value * senml_factor


def _by_name(*quantities: Quantity) -> Mapping[str, Quantity]:
    return {quantity.name: quantity for quantity in quantities}


# Ranges are what a sensor in or around a building can truthfully report, not what is comfortable.
QUANTITIES: Final[Mapping[str, Quantity]] = _by_name(
    Quantity("temperature_c", "temperature", "Cel", "°C", -60.0, 100.0, "Air temperature"),
    Quantity("rh_percent", "humidity", "%RH", "%", 0.0, 100.0, "Relative humidity"),
    Quantity("wood_mc_percent", "wood-moisture", "%", "%", 0.0, 200.0, "Wood moisture content"),
    Quantity("surface_temperature_c", "surface-temperature", "Cel", "°C", -60.0, 120.0, "Surface temperature"),
    Quantity("slab_rh_percent", "slab-humidity", "%RH", "%", 0.0, 100.0, "Relative humidity in the slab"),
    Quantity("slab_temperature_c", "slab-temperature", "Cel", "°C", -60.0, 100.0, "Temperature in the slab"),
    Quantity("pressure_kpa", "pressure", "Pa", "kPa", 30.0, 120.0, "Air pressure", senml_factor=0.001),
    Quantity("battery_percent", "battery", "%EL", "%", 0.0, 100.0, "Battery left"),
    Quantity("signal_dbm", "signal", "dBm", "dBm", -150.0, 30.0, "Radio signal strength"),
)

SENSOR_ID: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9:._/-]{0,119}")
"""What a sensor may be called: SenML's characters for names (RFC 8428, section 4.5.1), at most 120 of them."""


class Reason(enum.Enum):
    """Why an adapter stopped, as a closed list, so that page and mail can say what to do."""

    SETTINGS = "settings"  # it cannot work as configured; trying again changes nothing until someone mends it
    TRANSIENT = "transient"  # trying again may well help
    LOST_DEVICE = "lost device"  # the device or the other side is gone; wait for it
    PROTOCOL = "protocol"  # the other side speaks something we do not understand
    REFUSED = "refused"  # the other side said no (login, permission, lock held)
    LIBRARY_MISSING = "library missing"  # a known adapter whose library is not installed


class AdapterError(Exception):
    """An adapter could not go on.

    what: what happened, one plain clause.  where: port, address, file or line.  mend: what a person can do about it.
    """

    reason: ClassVar[Reason]

    def __init__(self, what: str, *, where: str, mend: str) -> None:
        if type(self) is AdapterError:
            raise TypeError("raise one of the kinds of AdapterError, so that the supervisor knows what to do")
        super().__init__(f"{where}: {what}. {mend}")
        self.what = what
        self.where = where
        self.mend = mend


class SettingsError(AdapterError):
    """It cannot work as configured."""

    reason = Reason.SETTINGS


class TransientError(AdapterError):
    """Trying again may help."""

    reason = Reason.TRANSIENT


class LostDeviceError(AdapterError):
    """The device is gone, or was never there."""

    reason = Reason.LOST_DEVICE


class ProtocolError(AdapterError):
    """What arrives is not the protocol that was agreed on."""

    reason = Reason.PROTOCOL


class RefusedError(AdapterError):
    """The other side, or the operating system, said no."""

    reason = Reason.REFUSED


class LibraryMissingError(AdapterError):
    """The adapter is known, its library is not installed."""

    reason = Reason.LIBRARY_MISSING


class Why(enum.StrEnum):
    """Why something that arrived became no reading, as one closed list; the member's value is what people see.

    PROTOCOL.md lists these wordings, and a test keeps the two alike.
    """

    # lines and packs as a whole
    CHECKSUM_WRONG = "checksum wrong"
    CHECKSUM_MISSING = "checksum missing"
    TOO_LONG = "too long"
    NOT_JSON = "not JSON"
    NOT_CBOR = "not CBOR"
    NOT_A_PACK = "not a SenML pack"
    VERSION = "SenML version not known"
    MUST_UNDERSTAND = "label that must be understood is not known"
    # single records, rows and broadcasts
    NAME = "name not allowed"
    NO_SENSOR = "no sensor named"
    NOT_ALLOWED = "sensor not on the allow-list"
    UNKNOWN_QUANTITY = "quantity not known"
    WRONG_UNIT = "unit does not fit the quantity"
    NO_VALUE = "no numeric value"
    SEVERAL_VALUES = "more than one value"
    WRONG_TYPE = "field of the wrong type"
    NOT_FINITE = "value not finite"
    OUT_OF_RANGE = "value out of range"
    TIME = "time not usable"
    FUTURE = "time lies ahead"
    CLOCK = "this computer's clock is wrong"
    ROW = "row not readable"
    UNDECODABLE = "broadcast not readable"
    ENCRYPTED = "broadcast is encrypted"
    NOT_SEALED = "broadcast not made with the key"
    REPLAYED = "broadcast played again"
    NO_ANSWER = "no answer in time"
    DEVICE_ERROR = "device reports an error"
    OUT_OF_STEP = "answer out of step"
    RETAINED = "retained message without a time"
    OVERRUN = "came faster than it could be taken"
    # at intake, which checks again whatever comes
    TOO_OLD = "time lies before the year 2000"
    UNKNOWN_SENSOR = "sensor belongs to no room"


class Rejection(NamedTuple):
    """Something that arrived and could not be made into a reading: counted and shown, never silently dropped."""

    reason: str  # the wording of a member of `Why`, so that counts can be grouped
    detail: str  # at most `DETAIL_LENGTH` characters of what arrived, printable
    sensor: str | None = None  # where it is known


DETAIL_LENGTH: Final = 200
"""How much of what arrived is kept (characters)."""


def rejection(why: Why, detail: object, sensor: str | None = None) -> Rejection:
    """Make a rejection whose detail is printable ASCII of at most `DETAIL_LENGTH` characters.

    detail: what arrived (bytes or anything with a text); it comes from outside, so nothing in it is kept that could
    steer a terminal.
    """
    # Cut before escaping: what arrived may be a megabyte long.
    text = detail[:DETAIL_LENGTH].decode("ascii", "backslashreplace") if isinstance(detail, bytes) else str(detail)
    text = text[:DETAIL_LENGTH].encode("ascii", "backslashreplace").decode()
    printable = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)
    return Rejection(why.value, printable[:DETAIL_LENGTH], sensor)


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting of an adapter, as it may stand in the settings file."""

    name: str
    kind: type[str] | type[int] | type[float] | type[bool] | type[list[Any]] | type[dict[str, Any]]
    help: str
    default: Any = None
    required: bool = False
    minimum: float | None = None
    maximum: float | None = None
    choices: tuple[str, ...] = ()
    secret: bool = False  # never shown, never logged; must come from the environment or a file
    is_path: bool = False  # of a file or folder: a relative one is meant from the settings file's folder


@dataclass(slots=True)
class AdapterHealth:
    """What an adapter knows of itself; the supervisor adds restarts and errors."""

    rejected: dict[str, int] = field(default_factory=dict)  # reason -> count since start
    last_rejection: Rejection | None = None
    stated: dict[tuple[str, str], str] = field(default_factory=dict)
    """What sensors say of themselves beside their values (accuracy, pace, range): a line by sensor and quantity."""

    def reject(self, rejection: Rejection) -> None:
        """Count one rejection."""
        self.rejected[rejection.reason] = self.rejected.get(rejection.reason, 0) + 1
        self.last_rejection = rejection


class WallClock(Protocol):
    """The part of the clock that an adapter may use: to stamp what arrives without a stamp."""

    def now_ms(self) -> int:
        """Give the present instant, UTC, milliseconds since 1970."""
        ...

    async def sleep(self, seconds: float) -> None:
        """Wait for that long on this clock (a driven or a fast clock waits accordingly)."""
        ...


@runtime_checkable
class Adapter(Protocol):
    """What the supervisor needs of an adapter.

    The class is called with its settings (already checked against `SETTINGS`, defaults filled in) and the clock:
    `SomeAdapter(settings, clock)`. It must not open anything before `readings()` is iterated.
    """

    SETTINGS: ClassVar[tuple[Setting, ...]]
    SUMMARY: ClassVar[str]  # one line: what it reads from
    # A class may also say `MAY_BE_SILENT: ClassVar[bool] = True`, where hours without a reading are nothing unusual (a
    # folder, a file); any other adapter is started anew after an hour of silence.
    # An adapter whose sender keeps what we have not taken (a broker, a file) may have a method `stored(self) -> None`:
    # then it is asked for more only when what it gave is durable, and `stored` is called at that moment.

    health: AdapterHealth

    def __init__(self, settings: Mapping[str, Any], clock: WallClock) -> None: ...

    def readings(self) -> AsyncIterator[Sequence[Reading]]:
        """Open the transport and give batches of readings until cancelled, finished (a file) or failed.

        Raises an `AdapterError` when the transport fails. An ordinary end of iteration means that there is nothing
        more to come (a replayed file), and the adapter is not restarted. Whoever iterates closes the iterator
        (`aclose`), upon which the adapter lets go of its transport within two seconds.
        """
        ...

    def describe(self) -> str:
        """Say in a few words what this adapter is connected to, for people: "serial line /dev/ttyUSB0"."""
        ...
