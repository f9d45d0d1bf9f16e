"""Hears from the system's Bluetooth service when a radio is pulled out, is switched off, or the service itself goes.

bleak raises nothing in any of these cases: its scanner stays, for good, and hears nobody. The service tells of them on
the system's message bus, so here is a connection of our own that listens for just that; it gets no broadcasts.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from typing import Final

from dbus_fast import BusType, Message, MessageType
from dbus_fast.aio import MessageBus

from adapters.cancelling import in_time

SERVICE: Final = "org.bluez"
RADIO_INTERFACE: Final = "org.bluez.Adapter1"
CALL_LIMIT_S: Final = 4.0
_BUS: Final = "org.freedesktop.DBus"
_RULES: Final = (
    f"type='signal',sender='{_BUS}',member='NameOwnerChanged',arg0='{SERVICE}'",
    f"type='signal',sender='{SERVICE}',member='InterfacesRemoved',path='/'",
    f"type='signal',sender='{SERVICE}',member='PropertiesChanged',arg0='{RADIO_INTERFACE}'",
)

Lost = Callable[[str], None]
"""Told, once, what became of the radio: a plain clause."""

_FAILURES: Final = (OSError, EOFError, TimeoutError, asyncio.InvalidStateError)


class RadioWatch:
    """Watches one radio, or any where none is named, from `start` until `stop`."""

    def __init__(self, radio: str, lost: Lost) -> None:
        """radio: its name ("hci0"); empty = any, for it is not known which of them is used."""
        self._path = f"/org/bluez/{radio}" if radio else ""
        self._lost: Lost | None = lost
        self._bus: MessageBus | None = None
        self._ending: asyncio.Task[None] | None = None

    async def start(self) -> bool:
        """Begin; says whether there is a bus to listen on (if not, whoever scans will be told why). Never raises."""
        bus = MessageBus(bus_type=BusType.SYSTEM)
        try:
            async with asyncio.timeout(CALL_LIMIT_S):
                await bus.connect()
                bus.add_message_handler(self._hear)
                for rule in _RULES:
                    await bus.call(
                        Message(
                            destination=_BUS, path="/org/freedesktop/DBus", interface=_BUS, member="AddMatch",
                            signature="s", body=[rule],
                        )
                    )  # fmt: skip
        except _FAILURES:
            bus.disconnect()
            return False
        except asyncio.CancelledError:
            bus.disconnect()
            raise
        self._bus = bus
        self._ending = asyncio.create_task(self._notice_end(bus))
        return True

    async def stop(self) -> None:
        """Stop; nothing is told any more, and the connection is closed when this returns."""
        self._lost = None
        bus, self._bus = self._bus, None
        if bus is None or self._ending is None:
            return
        bus.disconnect()
        with contextlib.suppress(TimeoutError):
            await in_time(0.3, self._ending)

    async def _notice_end(self, bus: MessageBus) -> None:
        with contextlib.suppress(*_FAILURES):
            await bus.wait_for_disconnect()  # type: ignore[no-untyped-call]
        self._tell("the system's message bus went away")

    def _hear(self, message: Message) -> None:
        if message.message_type is not MessageType.SIGNAL:
            return
        if message.member == "NameOwnerChanged" and message.body[:1] == [SERVICE]:
            self._tell("the system's Bluetooth service was stopped or started anew")
        elif message.member == "InterfacesRemoved" and RADIO_INTERFACE in message.body[1]:
            if not self._path or message.body[0] == self._path:
                self._tell("it was pulled out, or went away by itself")
        elif message.member == "PropertiesChanged" and message.body[0] == RADIO_INTERFACE:
            powered = message.body[1].get("Powered")
            if powered is not None and not powered.value and (not self._path or message.path == self._path):
                self._tell("it was switched off")

    def _tell(self, what: str) -> None:
        lost, self._lost = self._lost, None
        if lost is not None:
            lost(what)
