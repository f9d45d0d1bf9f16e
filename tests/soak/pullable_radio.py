"""Bluetooth sensors that can be pulled: by the radio, by its power, by the system's service, or by themselves."""

from __future__ import annotations

from typing import Any

from adapters.framing.sensing import CHARACTERISTICS, SENSING_SERVICE

BROADCASTING, CONNECTED = "A4:C1:38:00:00:01", "A4:C1:38:00:00:02"
PRESSURE = next(uuid for uuid, meaning in CHARACTERISTICS.items() if meaning.quantity == "pressure_kpa")
Ways = dict[str, tuple[Any, Any]]


class Air:
    """The service with two radios, one for each adapter, so that each can be pulled by itself."""

    def __init__(self, bus: str, lookalike: Any) -> None:
        self._bus = bus
        self._make = lookalike.BluezLookalike
        self.powered = {"hci0": True, "hci1": True}
        self.gatt: dict[str, Any] = {}

    async def start(self) -> None:
        """Start the service, with the radios that are plugged in."""
        self.bluez = self._make()
        self.bluez.gatt = self.gatt
        await self.bluez.start(self._bus)
        for name, powered in self.powered.items():
            self.bluez.add_radio(name, powered=powered)
        self._is_up = True

    async def end(self) -> None:
        """Kill the service."""
        self._is_up = False
        self.bluez.end()

    def radio_ways(self, name: str) -> Ways:
        """Give the ways in which a radio can be pulled."""

        async def take_out() -> None:
            self.bluez.remove_radio(name)

        async def put_in() -> None:
            self.bluez.add_radio(name)

        async def off() -> None:
            self.bluez.power(False, name)

        async def on() -> None:
            self.bluez.power(True, name)

        return {"radio pulled out": (take_out, put_in), "radio switched off": (off, on)}

    def is_there(self, name: str) -> bool:
        """Say whether a radio is plugged in and on, and the service there to tell of it."""
        radio = self.bluez.objects.get(f"/org/bluez/{name}", {}).get("org.bluez.Adapter1")
        return bool(self._is_up and radio and radio["Powered"])


class Broadcasts:
    """A sensor that broadcasts; the service's restart is pulled here and concerns both."""

    kind = "bluetooth_broadcasts"

    def __init__(self, air: Air) -> None:
        self._air = air
        self.settings = {"sensors": {BROADCASTING: self.kind}, "radio": "hci0"}
        self.said = 0

    async def start(self) -> None: ...

    async def end(self) -> None: ...

    def ways(self) -> Ways:
        """Give the ways in which it can be pulled."""
        return self._air.radio_ways("hci0") | {"service killed": (self._air.end, self._air.start)}

    async def beat(self) -> None:
        """Broadcast, if anybody listens."""
        if self._air.is_there("hci0") and self._air.bluez.is_scanning("hci0"):
            self.said += 1
            payload = bytes([0x40, 0x00, self.said & 255, 0x04]) + (30_000 + self.said).to_bytes(3, "little")
            self._air.bluez.advertise(BROADCASTING, payload, radio="hci0")


class Counting(tuple[Any, ...]):
    """A characteristic whose value is a new one with every reading."""

    said = 0

    def __getitem__(self, at: Any) -> Any:
        if at != 3:
            return super().__getitem__(at)
        Counting.said += 1
        return (10 * (30_000 + Counting.said)).to_bytes(4, "little")


class Sensing:
    """A sensor that is connected to: its radio goes, or it goes out of reach itself."""

    kind = "bluetooth_sensing"

    def __init__(self, air: Air) -> None:
        self._air = air
        self._near = True
        self._beats = 0
        self.settings = {"sensors": {CONNECTED: self.kind}, "radio": "hci1", "interval_s": 1.0}
        air.gatt[CONNECTED] = [Counting((SENSING_SERVICE, PRESSURE, ["read"], b""))]

    @property
    def said(self) -> int:
        """Ask the characteristic."""
        return Counting.said

    async def start(self) -> None: ...

    async def end(self) -> None: ...

    async def _go(self) -> None:
        self._near = False
        self._air.bluez.lose(CONNECTED, "hci1")

    async def _return(self) -> None:
        self._near = True

    def ways(self) -> Ways:
        """Give the ways in which it can be pulled."""
        return self._air.radio_ways("hci1") | {"sensor out of reach": (self._go, self._return)}

    async def beat(self) -> None:
        """Advertise, while nobody is connected."""
        self._beats += 1
        device = f"/org/bluez/hci1/dev_{CONNECTED.replace(':', '_')}"
        known = self._air.bluez.objects.get(device, {}).get("org.bluez.Device1", {})
        if self._near and self._air.is_there("hci1") and not known.get("Connected"):
            self._air.bluez.advertise(CONNECTED, None, rssi=-60 - self._beats % 5, radio="hci1")
