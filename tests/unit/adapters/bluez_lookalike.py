"""A look-alike of the system's Bluetooth service on a private message bus, as far as scanning and connections go.

bleak's own code for Linux talks to it over a real D-Bus daemon; nothing of bleak is replaced. Which error the real
service gives when is taken from public issue threads and bleak's source, not from a live radio. One discovery session
per client; a known device is told anew only when something changed, unless the client asked for duplicates.
"""

from __future__ import annotations

import asyncio
from typing import Any

from dbus_fast import Message, MessageType, Variant
from dbus_fast.aio import MessageBus

OBJECTS = "org.freedesktop.DBus.ObjectManager"
PROPERTIES = "org.freedesktop.DBus.Properties"
RADIO = "org.bluez.Adapter1"
DEVICE = "org.bluez.Device1"
SERVICE = "org.bluez.GattService1"
CHARACTERISTIC = "org.bluez.GattCharacteristic1"
DESCRIPTOR = "org.bluez.GattDescriptor1"
SERVICE_DATA_UUID = "0000fcd2-0000-1000-8000-00805f9b34fb"

_SIGNATURES = {"UUIDs": "as", "Roles": "as", "RSSI": "n", "ServiceData": "a{sv}", "Adapter": "o",
    "Service": "o", "Device": "o", "Characteristic": "o", "Flags": "as", "Value": "ay", "MTU": "q",
}  # fmt: skip


def _variant(name: str, value: Any) -> Variant:
    if name == "ServiceData":
        value = {uuid: Variant("ay", data) for uuid, data in value.items()}
    return Variant(_SIGNATURES.get(name) or ("b" if isinstance(value, bool) else "s"), value)


class BluezLookalike:
    """The service; `objects` is its tree: path -> interface -> property -> value."""

    def __init__(self) -> None:
        self.objects: dict[str, dict[str, dict[str, Any]]] = {}
        self.calls: list[str] = []
        self.sessions: set[tuple[str, str]] = set()  # radio's path and client
        self.duplicates = False
        self.unanswered: set[str] = set()  # methods that are never answered
        self.failing: dict[str, int] = {}  # methods that fail so many times
        self.gatt: dict[str, list[tuple[str, str, list[str], bytes]]] = {}  # address -> service, uuid, flags, value
        self.descriptors: dict[tuple[str, int], list[tuple[str, bytes]]] = {}  # address, place in gatt -> uuid, value
        self.written: list[tuple[str, bytes]] = []  # uuid and value of descriptors that were written
        self.refusing: dict[tuple[str, str], int] = {}  # method, uuid of a descriptor -> error code
        self._bus: MessageBus | None = None

    async def start(self, address: str) -> None:
        """Take the service's name on the bus at that address."""
        self._bus = await MessageBus(bus_address=address).connect()
        self._bus.add_message_handler(self._answer)
        await self._bus.request_name("org.bluez")

    def end(self) -> None:
        """Leave the bus, as when the service is killed."""
        if self._bus:
            self._bus.disconnect()

    def add_radio(self, name: str = "hci0", *, powered: bool = True) -> None:
        """Plug a radio in."""
        values = {"Address": "00:11:22:33:44:55", "Powered": powered, "Discovering": False, "Roles": ["central"]}
        self._add(f"/org/bluez/{name}", RADIO, values)

    def remove_radio(self, name: str = "hci0") -> None:
        """Pull it out: its devices go with it, and nobody is told that scanning has ended."""
        root = f"/org/bluez/{name}"
        self._end_scans(root)
        for path in sorted((p for p in self.objects if p == root or p.startswith(root + "/")), reverse=True):
            self._signal("/", OBJECTS, "InterfacesRemoved", "oas", [path, list(self.objects.pop(path))])

    def power(self, on: bool, name: str = "hci0") -> None:
        """Switch a radio off or on: off, it ends every scan and every connection."""
        path = f"/org/bluez/{name}"
        if not on:
            self._end_scans(path)
            for device in [p for p, of in self.objects.items() if of.get(DEVICE, {}).get("Connected")]:
                if device.startswith(f"{path}/"):
                    self.lose(self.objects[device][DEVICE]["Address"], name)
        self.objects[path][RADIO]["Powered"] = on
        self._signal(
            path, PROPERTIES, "PropertiesChanged", "sa{sv}as", [RADIO, {"Powered": _variant("Powered", on)}, []]
        )

    def _end_scans(self, radio: str) -> None:
        self.sessions = {session for session in self.sessions if session[0] != radio}

    def is_scanning(self, name: str = "hci0") -> bool:
        """Say whether anybody scans with a radio."""
        return any(radio == f"/org/bluez/{name}" for radio, _ in self.sessions)

    def advertise(self, address: str, payload: bytes | None, *, rssi: int = -60, radio: str = "hci0") -> None:
        """Let a device be heard once; only while somebody scans, as with a real radio."""
        if not self.is_scanning(radio):
            return
        path = f"/org/bluez/{radio}/dev_{address.replace(':', '_')}"
        said: dict[str, Any] = {"RSSI": rssi}
        if payload is not None:
            said["ServiceData"] = {SERVICE_DATA_UUID: payload}
        if path not in self.objects:
            values = {
                "Address": address, "Alias": address.replace(":", "-"), "Adapter": f"/org/bluez/{radio}",
                "Connected": False, "Paired": False, "ServicesResolved": False, "UUIDs": [],
            }  # fmt: skip
            self._add(path, DEVICE, values | said)
            return
        before = self.objects[path][DEVICE]
        changed = {name: value for name, value in said.items() if self.duplicates or before.get(name) != value}
        self.change(path, changed)

    def forget(self, address: str, radio: str = "hci0") -> None:
        """Let a device go that has not been heard for a while, as the service does after half a minute."""
        path = f"/org/bluez/{radio}/dev_{address.replace(':', '_')}"
        self._signal("/", OBJECTS, "InterfacesRemoved", "oas", [path, list(self.objects.pop(path))])

    def change(self, path: str, changed: dict[str, Any]) -> None:
        """Change a device's properties and tell so, if there is anything to tell."""
        if changed:
            self.objects[path][DEVICE].update(changed)
            body = [DEVICE, {name: _variant(name, value) for name, value in changed.items()}, []]
            self._signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", body)

    def invalidate_rssi(self, address: str, radio: str = "hci0") -> None:
        """Say that a device's signal strength is no longer known: bleak then calls back with its old payload."""
        path = f"/org/bluez/{radio}/dev_{address.replace(':', '_')}"
        self.objects[path][DEVICE].pop("RSSI", None)
        self._signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", [DEVICE, {}, ["RSSI"]])

    def _add(self, path: str, interface: str, values: dict[str, Any]) -> None:
        self.objects[path] = {interface: dict(values)}
        self._signal("/", OBJECTS, "InterfacesAdded", "oa{sa{sv}}", [path, self._as_variants(path)])

    def _as_variants(self, path: str) -> dict[str, dict[str, Variant]]:
        return {
            interface: {name: _variant(name, value) for name, value in values.items()}
            for interface, values in self.objects[path].items()
        }

    def _signal(self, path: str, interface: str, member: str, signature: str, body: list[Any]) -> None:
        if self._bus:
            self._bus.send(
                Message(
                    message_type=MessageType.SIGNAL,
                    path=path,
                    interface=interface,
                    member=member,
                    signature=signature,
                    body=body,
                )
            )

    def _answer(self, message: Message) -> Message | bool | None:
        if message.message_type is not MessageType.METHOD_CALL or message.interface not in (
            OBJECTS, RADIO, DEVICE, CHARACTERISTIC, DESCRIPTOR,
        ):  # fmt: skip
            return None
        self.calls.append(message.member)
        if message.member in self.unanswered:
            return True
        if message.member == "GetManagedObjects":
            tree = {path: self._as_variants(path) for path in self.objects}
            return Message.new_method_return(message, "a{oa{sa{sv}}}", [tree])
        if self.failing.get(message.member):
            self.failing[message.member] -= 1
            return Message.new_error(message, "org.bluez.Error.Failed", "le-connection-timeout")
        if message.interface == DESCRIPTOR:
            return self._descriptor_call(message)
        if message.interface in (DEVICE, CHARACTERISTIC):
            return self._peer_call(message)
        error = self._radio_call(message)
        return Message.new_error(message, *error) if error else Message.new_method_return(message)

    def _peer_call(self, message: Message) -> Message:
        """Do what is asked of a device or of one of its characteristics."""
        values = self.objects.get(message.path, {}).get(message.interface)
        if values is None:
            return Message.new_error(message, "org.freedesktop.DBus.Error.UnknownObject", "no such object")
        if message.member == "Connect":
            self.change(message.path, {"Connected": True})
            asyncio.get_running_loop().call_later(0.01, self._resolve, message.path)
        elif message.member == "Disconnect":
            asyncio.get_running_loop().call_soon(self.lose, values["Address"])
        elif message.member == "ReadValue":
            return Message.new_method_return(message, "ay", [self._value(message.path)])
        elif message.member in ("StartNotify", "StopNotify"):
            values["Notifying"] = message.member == "StartNotify"
        return Message.new_method_return(message)

    def _descriptor_call(self, message: Message) -> Message:
        """Read or write a descriptor, or refuse it with an error code as the service tells it."""
        values = self.objects.get(message.path, {}).get(DESCRIPTOR)
        if values is None:
            return Message.new_error(message, "org.freedesktop.DBus.Error.UnknownObject", "no such object")
        refused = self.refusing.get((message.member, values["UUID"]))
        if refused is not None:
            text = f"Operation failed with ATT error: 0x{refused:02x}"
            return Message.new_error(message, "org.bluez.Error.Failed", text)
        address = self.objects[message.path[: message.path.index("/service")]][DEVICE]["Address"]
        place = int(message.path[message.path.index("/char") + 5 :][:4], 16) // 64 - 1
        kept, number = self.descriptors[address, place], int(message.path[-4:], 16) % 64 - 1
        if message.member == "WriteValue":
            self.written.append((kept[number][0], bytes(message.body[0])))
            kept[number] = (kept[number][0], bytes(message.body[0]))
            return Message.new_method_return(message)
        return Message.new_method_return(message, "ay", [kept[number][1]])

    def _value(self, path: str) -> bytes:
        address = self.objects[path[: path.index("/service")]][DEVICE]["Address"]
        return self.gatt[address][int(path[-4:], 16) // 64 - 1][3]

    def _resolve(self, device: str) -> None:
        """Tell a connected device's services and characteristics."""
        if not self.objects.get(device, {}).get(DEVICE, {}).get("Connected"):
            return
        services: dict[str, str] = {}
        for number, (service, uuid, flags, _) in enumerate(self.gatt[self.objects[device][DEVICE]["Address"]], 1):
            if service not in services:
                services[service] = f"{device}/service{1000 + len(services):04x}"
                self._add(services[service], SERVICE, {"UUID": service, "Primary": True, "Device": device})
            path = f"{services[service]}/char{64 * number:04x}"
            given = {"UUID": uuid, "Service": services[service], "Flags": flags, "Notifying": False, "MTU": 247}
            self._add(path, CHARACTERISTIC, given)
            address = self.objects[device][DEVICE]["Address"]
            for place, (kind, _) in enumerate(self.descriptors.get((address, number - 1), []), 1):
                described = {"UUID": kind, "Characteristic": path, "Flags": ["read", "write"]}
                self._add(f"{path}/desc{64 * number + place:04x}", DESCRIPTOR, described)
        self.change(device, {"ServicesResolved": True})

    def lose(self, address: str, radio: str = "hci0") -> None:
        """End a connection, by whichever side."""
        device = f"/org/bluez/{radio}/dev_{address.replace(':', '_')}"
        if device not in self.objects or not self.objects[device][DEVICE]["Connected"]:
            return
        self.change(device, {"Connected": False, "ServicesResolved": False})
        for path in sorted((p for p in self.objects if p.startswith(device + "/")), reverse=True):
            self._signal("/", OBJECTS, "InterfacesRemoved", "oas", [path, list(self.objects.pop(path))])

    def notify(self, address: str, uuid: str, value: bytes) -> None:
        """Let a connected device tell a value by itself, if it was asked to."""
        root = f"/org/bluez/hci0/dev_{address.replace(':', '_')}/"
        for path, interfaces in self.objects.items():
            values = interfaces.get(CHARACTERISTIC, {})
            if path.startswith(root) and values and values["UUID"] == uuid and values["Notifying"]:
                body = [CHARACTERISTIC, {"Value": _variant("Value", value)}, []]
                self._signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", body)

    def _radio_call(self, message: Message) -> tuple[str, str] | None:
        """Do what is asked of a radio; give the error's name and text where the service would."""
        radio = self.objects.get(message.path, {}).get(RADIO)
        if radio is None:
            return "org.freedesktop.DBus.Error.UnknownObject", "no such radio"
        if message.member == "SetDiscoveryFilter":
            wanted = message.body[0].get("DuplicateData")
            self.duplicates = bool(wanted and wanted.value)
        elif not radio["Powered"]:
            return "org.bluez.Error.NotReady", "Resource Not Ready"
        elif message.member == "StartDiscovery":
            if (message.path, message.sender) in self.sessions:
                return "org.bluez.Error.InProgress", "Operation already in progress"
            self.sessions.add((message.path, message.sender))
        elif message.member == "StopDiscovery":
            if (message.path, message.sender) not in self.sessions:
                return "org.bluez.Error.Failed", "No discovery started"
            self.sessions.discard((message.path, message.sender))
        return None


async def until(condition: Any, within_s: float = 5.0) -> None:
    """Wait until a condition holds."""
    async with asyncio.timeout(within_s):
        while not condition():
            await asyncio.sleep(0.005)
