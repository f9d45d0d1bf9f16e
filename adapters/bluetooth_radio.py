"""The one scanner of a Bluetooth radio, shared by every adapter that listens on it.

Why shared: the system's Bluetooth service gives each program one discovery session, and a second scanner in the same
program is refused. Why every call has its own time limit: a call that the service never answers would hang for good,
and hang every other scanner with it.
"""

from __future__ import annotations

import asyncio
import contextlib
import re
import weakref
from collections.abc import AsyncIterator, Callable
from typing import Final, NoReturn

from bleak import BleakScanner
from bleak.args.bluez import BlueZScannerArgs
from bleak.backends.bluezdbus.manager import get_global_bluez_manager
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakError,
)

from adapters.bluetooth_watch import RadioWatch
from adapters.cancelling import in_time
from adapters.contract import AdapterError, LostDeviceError, RefusedError, TransientError

CALL_LIMIT_S: Final = 8.0
STOP_LIMIT_S: Final = 1.2
"""For stopping; an adapter must have let go within two seconds."""

Listener = Callable[[BLEDevice, AdvertisementData], None]
"""Called for every broadcast of every device. Must return at once and raise nothing: it would starve the others."""

Lost = Callable[[AdapterError], None]
"""Told when the radio, or the service, has gone: nothing more will be heard, and whoever listens must begin anew."""

# What bleak lets through, found by provoking it: OSError and EOFError when the bus goes, KeyError for an odd radio.
_FAILURES: Final = (BleakError, OSError, EOFError, KeyError, TimeoutError)

_scanners: weakref.WeakKeyDictionary[asyncio.AbstractEventLoop, dict[str, _SharedScanner]] = weakref.WeakKeyDictionary()

_connecting: weakref.WeakKeyDictionary[asyncio.AbstractEventLoop, dict[str, asyncio.Lock]] = weakref.WeakKeyDictionary()


@contextlib.asynccontextmanager
async def listening(radio: str, listener: Listener, lost: Lost | None = None) -> AsyncIterator[str]:
    """Have `listener` called for every broadcast that a radio hears, for as long as the block lasts; gives its name.

    radio: its name ("hci0"); empty = the system's first.  lost: told once when the radio has gone.
    Raises LostDeviceError, RefusedError or TransientError when the radio cannot scan.
    """
    name = radio or await _first_radio()  # by its name, or the first radio would be scanned twice: unnamed and named
    scanners = _scanners.setdefault(asyncio.get_running_loop(), {})
    scanner = scanners.setdefault(name, _SharedScanner(name))
    await scanner.join(listener, lost)
    try:
        yield name
    finally:
        await scanner.leave(listener)


def connecting(radio: str) -> asyncio.Lock:
    """Give the lock that is held while connecting: a radio gets confused by several attempts at once.

    radio: the name that `listening` gave.
    """
    locks = _connecting.setdefault(asyncio.get_running_loop(), {})
    return locks.setdefault(radio, asyncio.Lock())


async def _first_radio() -> str:
    """Give the name of the radio that bleak takes where none is named: the first one that is switched on."""
    try:
        async with asyncio.timeout(CALL_LIMIT_S):
            return (await get_global_bluez_manager()).get_default_adapter().rpartition("/")[2]
    except _FAILURES as error:
        _explain("", error)


class _SharedScanner:
    """Scans while anybody listens. Each start makes a new scanner: one that went deaf stays so."""

    def __init__(self, radio: str) -> None:
        self._radio = radio
        self._listeners: dict[Listener, Lost | None] = {}
        self._scanner: BleakScanner | None = None
        self._dead: list[BleakScanner] = []  # whose radio went, not stopped yet
        self._watch = RadioWatch(radio, self._gone)
        self._lock = asyncio.Lock()

    async def join(self, listener: Listener, lost: Lost | None) -> None:
        async with self._lock:
            self._listeners[listener] = lost  # first, so that nothing is missed that comes with the very start
            try:
                if self._scanner is None:
                    await self._start()
            except BaseException:
                self._listeners.pop(listener, None)
                raise

    async def leave(self, listener: Listener) -> None:
        async with self._lock:
            self._listeners.pop(listener, None)
            if self._scanner is not None and not self._listeners:
                self._dead.append(self._scanner)
                self._scanner = None
            if self._scanner is None:
                await self._watch.stop()
            await self._stop_dead()

    async def _start(self) -> None:
        await self._watch.stop()
        self._watch = RadioWatch(self._radio, self._gone)
        await self._watch.start()  # before the scan, so that nothing happens unseen
        try:
            self._scanner = await self._started()
        except BaseException:
            await self._watch.stop()
            raise

    async def _stop_dead(self) -> None:
        dead, self._dead = self._dead, []
        for scanner in dead:
            # However stopping fails, it is stopped: the radio, or the service, is gone.
            with contextlib.suppress(*_FAILURES):
                await in_time(STOP_LIMIT_S, scanner.stop())

    def _gone(self, what: str) -> None:
        """Have everybody begin anew: the scanner hears nobody any more, whatever it says of itself."""
        if self._scanner is not None:
            self._dead.append(self._scanner)
            self._scanner = None
        error = LostDeviceError(
            what, where=f"Bluetooth radio {self._radio}", mend="It is taken up again once it is back"
        )
        for lost in tuple(self._listeners.values()):
            if lost is not None:
                lost(error)

    async def _started(self) -> BleakScanner:
        # Without duplicates a steady room would look like a dead sensor: only changed payloads would be told.
        arguments: BlueZScannerArgs = {"filters": {"DuplicateData": True}, "adapter": self._radio}
        scanner = BleakScanner(self._heard, bluez=arguments)
        try:
            async with asyncio.timeout(CALL_LIMIT_S):
                await scanner.start()
        except _FAILURES as error:
            _explain(self._radio, error)
        return scanner

    def _heard(self, device: BLEDevice, advertisement: AdvertisementData) -> None:
        for listener in tuple(self._listeners):
            listener(device, advertisement)


def _explain(radio: str, error: Exception) -> NoReturn:
    """Raise what the failure means for a person."""
    where = f"Bluetooth radio {radio or '(the first)'}"
    raise _explained(where, error) from error


def _explained(where: str, error: Exception) -> AdapterError:
    name = error.dbus_error if isinstance(error, BleakDBusError) else ""
    if isinstance(error, BleakBluetoothNotAvailableError):
        if error.reason is BleakBluetoothNotAvailableReason.POWERED_OFF:
            return LostDeviceError("it is switched off", where=where, mend="Switch it on: bluetoothctl power on")
        if error.reason is BleakBluetoothNotAvailableReason.NO_BLUETOOTH:
            return LostDeviceError("there is none", where=where, mend="Plug a Bluetooth radio in, or see that it is on")
    if name.endswith(("UnknownObject", "NotReady")) or re.search(r"adapter '.*' not found", str(error)):
        return LostDeviceError("it is not there or switched off", where=where, mend="See: bluetoothctl list")
    if name.endswith(("AccessDenied", "NotAuthorized", "NotPermitted")):
        mend = "Put the account that runs lumberroom into the group bluetooth and start it again"
        return RefusedError("we are not allowed to use it", where=where, mend=mend)
    if isinstance(error, OSError | EOFError) or name.endswith(("ServiceUnknown", "NameHasNoOwner", "NoReply")):
        mend = "Install and start it (on Debian: apt install bluez; systemctl start bluetooth)"
        return LostDeviceError("the system's Bluetooth service does not answer", where=where, mend=mend)
    return TransientError(
        f"it would not scan ({type(error).__name__}: {error})", where=where, mend="It is tried again by itself"
    )
