"""The Modbus adapters against real pymodbus servers over a pty and TCP, and against a device that answers too late."""

from __future__ import annotations

import asyncio
import contextlib
import os
import pty
import struct
import threading
import time
import tty
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus import FramerType
from pymodbus.client import AsyncModbusSerialClient
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from adapters.conformance import CHECKS, Check, Specimen
from adapters.contract import QUANTITIES, LostDeviceError, ProtocolError, Reading, SettingsError, Why
from adapters.framing.register_maps import TYPES, register_of, registers_of, requests_of
from adapters.modbus_registers import ModbusRtu, ModbusTcp
from adapters.registry import check_settings
from ingest.clock import SystemClock

REGISTERS = [
    {"sensor": "loft", "quantity": "rh_percent", "slave": 1, "address": 0, "scale": 0.1},
    {"sensor": "loft", "quantity": "temperature_c", "slave": 1, "address": 1, "scale": 0.1},
    {"sensor": "cellar", "quantity": "rh_percent", "slave": 2, "address": 10, "type": "float32",
     "function": "holding", "word_order": "little"},
]  # fmt: skip
LOFT = {("loft", "rh_percent"): 47.2, ("loft", "temperature_c"): -3.5}
ABSENT = 9
QUICK = {"interval_s": 0.1, "timeout_s": 0.3, "settle_s": 0.2}


def float_words(value: float, *, little: bool) -> list[int]:
    """Give the two registers of a float."""
    words = list(struct.unpack(">2H", struct.pack(">f", value)))
    return words[::-1] if little else words


def devices() -> list[SimDevice]:
    """Two slaves; the loft's is the first, with T below zero."""
    registers = DataType.REGISTERS
    loft = SimDevice(1, [SimData(0, values=[472, 0x10000 - 35], datatype=registers)])
    cellar = SimDevice(2, [SimData(10, values=float_words(80.25, little=True), datatype=registers)])
    return [loft, cellar]


class PtyBus:
    """A serial line whose far end a server has open."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._joined: list[int] = []
        self._server: ModbusSerialServer | None = None

    async def plug(self) -> None:
        """Make two ptys, join them, serve at one, let `path` lead to the other."""
        ours, far = pty.openpty()
        other, near = pty.openpty()
        for end in (ours, far, other, near):
            tty.setraw(end)
        self._joined = [ours, other]
        self._pump = threading.Thread(target=_join, args=(ours, other), daemon=True)
        self._pump.start()
        self.path.symlink_to(os.ttyname(near))
        self._server = ModbusSerialServer(
            devices(), framer=FramerType.RTU, port=os.ttyname(far), baudrate=9600, ignore_missing_devices=True
        )
        await self._server.serve_forever(background=True)
        self._held = [far, near]  # a terminal that nobody has open is gone for whoever reads at its other end

    async def unplug(self) -> None:
        """Pull it out."""
        self.path.unlink()
        assert self._server
        await self._server.shutdown()
        for end in self._joined + self._held:
            os.close(end)
        await asyncio.to_thread(self._pump.join, 5)


def _join(one: int, other: int) -> None:
    """Carry bytes both ways until an end is gone."""
    import select

    with contextlib.suppress(OSError, ValueError):
        while True:
            for ready in select.select([one, other], [], [], 0.2)[0]:
                data = os.read(ready, 1024)
                if ready == one or data[0] != ABSENT:  # pymodbus's server answers for slaves that it does not have
                    os.write(other if ready == one else one, data)


@pytest.fixture
async def bus(tmp_path: Path) -> AsyncIterator[PtyBus]:
    """A plugged-in bus with two slaves."""
    made = PtyBus(tmp_path / "bus")
    await made.plug()
    yield made
    if made.path.is_symlink():
        await made.unplug()


@pytest.fixture
async def tcp_port() -> AsyncIterator[int]:
    """A Modbus TCP server with the same two slaves."""
    server = ModbusTcpServer(devices(), address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    assert server.transport
    yield server.transport.sockets[0].getsockname()[1]
    await server.shutdown()


def rtu(path: Path, registers: list[Any] | None = None, **settings: Any) -> ModbusRtu:
    """Make the adapter as the daemon does."""
    given = {"port": str(path), "registers": registers or REGISTERS} | QUICK | settings
    return ModbusRtu(check_settings(ModbusRtu, given), SystemClock())


def values(readings: list[Reading]) -> dict[tuple[str, str], float]:
    """Give the last value of each sensor's quantities."""
    return {(r.sensor, r.quantity): round(r.value, 6) for r in readings}


async def test_two_slaves_on_one_serial_line_are_read_by_the_map(bus: PtyBus, listen: Any) -> None:
    """Signed and scaled integers, a float with its words swapped, from a real server at the other end of a pty."""
    heard = listen(rtu(bus.path))
    await heard.count(3)
    await heard.stop()
    assert values(heard.readings) == LOFT | {("cellar", "rh_percent"): 80.25}
    assert [len(batch) for batch in heard.batches[:2]] == [2, 1]


async def test_the_same_over_tcp(tcp_port: int, listen: Any) -> None:
    """The same map, the same readings, over Modbus TCP."""
    given = {"host": "127.0.0.1", "port": tcp_port, "registers": REGISTERS} | QUICK
    heard = listen(ModbusTcp(check_settings(ModbusTcp, given), SystemClock()))
    await heard.count(6)
    await heard.stop()
    assert values(heard.readings) == LOFT | {("cellar", "rh_percent"): 80.25}


async def test_a_silent_slave_costs_the_others_nothing_but_its_time(bus: PtyBus, listen: Any) -> None:
    """Slave 9 is not there: it is counted as silent, asked seldom, and the others go on."""
    absent = {"sensor": "attic", "quantity": "rh_percent", "slave": ABSENT, "address": 0}
    adapter = rtu(bus.path, [absent, *REGISTERS])
    heard = listen(adapter)
    await heard.count(12)
    await heard.stop()
    assert {r.sensor for r in heard.readings} == {"loft", "cellar"}
    assert adapter.health.rejected == {Why.NO_ANSWER: 1}
    assert adapter.health.last_rejection is not None
    assert adapter.health.last_rejection.sensor == "attic"


async def test_an_exception_reply_is_counted_and_does_not_count_as_silence(bus: PtyBus, listen: Any) -> None:
    """A register that the device does not have is the map's mistake, told with the exception's number."""
    wrong = {"sensor": "loft-2", "quantity": "rh_percent", "slave": 1, "address": 500}
    adapter = rtu(bus.path, [wrong, *REGISTERS])
    heard = listen(adapter)
    await heard.count(3)
    await heard.stop()
    assert set(adapter.health.rejected) == {Why.DEVICE_ERROR}
    assert adapter.health.last_rejection is not None
    assert adapter.health.last_rejection.detail == "slave 1, input 500+1: exception 2"


async def test_a_register_that_the_only_device_does_not_have_leaves_the_pace_as_it_is(
    tcp_port: int, listen: Any
) -> None:
    """One slave, one wrong address in its map: the rest is still read every half second, not as fast as it answers."""
    wrong = {"sensor": "loft", "quantity": "pressure_hpa", "address": 500}
    settings = {"host": "127.0.0.1", "port": tcp_port, "registers": [*REGISTERS[:2], wrong]}
    adapter = ModbusTcp(check_settings(ModbusTcp, settings | QUICK | {"interval_s": 0.5}), SystemClock())
    heard = listen(adapter)
    await asyncio.sleep(1.8)
    await heard.stop()
    assert 3 <= len(heard.batches) <= 4
    assert adapter.health.rejected == {Why.DEVICE_ERROR: len(heard.batches)}


async def test_a_device_that_answers_exceptions_only_is_not_taken_for_a_dead_line(tcp_port: int, listen: Any) -> None:
    """It has power and answers: the map is what must be mended, so the line is not closed and opened for it."""
    wrong = {"sensor": "loft", "quantity": "rh_percent", "address": 500}
    settings = {"host": "127.0.0.1", "port": tcp_port, "registers": [wrong]}
    adapter = ModbusTcp(check_settings(ModbusTcp, settings | QUICK), SystemClock())
    heard = listen(adapter)
    await asyncio.sleep(1.0)
    assert not heard.task.done()
    await heard.stop()
    assert set(adapter.health.rejected) == {Why.DEVICE_ERROR}
    assert adapter.health.rejected[Why.DEVICE_ERROR] > 3


async def test_five_unplugs_are_noticed_and_leave_nothing_open(bus: PtyBus, listen: Any) -> None:
    """Each pulled line is a typed error; plugged in again, a new run reads it; no descriptor stays behind."""
    descriptors = []
    for _ in range(5):
        heard = listen(rtu(bus.path))
        await heard.count(3)
        await bus.unplug()
        with pytest.raises(LostDeviceError, match=r"the line (is gone|went away)"):
            await asyncio.wait_for(heard.task, 5)
        with pytest.raises(LostDeviceError, match="there is no such serial port"):
            await listen(rtu(bus.path)).task
        descriptors.append(sum(1 for _ in Path("/proc/self/fd").iterdir()))
        await bus.plug()
    assert descriptors[-1] <= descriptors[1]


class LateDevice:
    """A slave that answers every register with its own number, and once too late. It speaks RTU over a pty."""

    def __init__(self, link: Path) -> None:
        self._ours, theirs = pty.openpty()
        tty.setraw(self._ours)
        tty.setraw(theirs)
        link.symlink_to(os.ttyname(theirs))
        self._theirs = theirs
        self.late_s: dict[int, float] = {}  # address -> how late the next answer about it comes
        self.chatter = False
        self.never: set[int] = set()  # addresses about which it says nothing
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def end(self) -> None:
        """Unplug it."""
        self._end.set()
        self._thread.join()
        os.close(self._ours)
        os.close(self._theirs)

    def _serve(self) -> None:
        os.set_blocking(self._ours, False)
        while not self._end.wait(0.002):
            if self.chatter:
                os.write(self._ours, b"\x55")
            with contextlib.suppress(BlockingIOError):
                question = os.read(self._ours, 8)
                slave, function, address, count = struct.unpack(">BBHH", question[:6])
                if address in self.never:
                    continue
                self._end.wait(self.late_s.pop(address, 0.0))
                body = struct.pack(f">BBB{count}H", slave, function, 2 * count, *range(address, address + count))
                os.write(self._ours, body + crc(body))


def crc(data: bytes) -> bytes:
    """Give the CRC of Modbus over serial line (specification V1.02, section 6.2.2), low octet first."""
    register = 0xFFFF
    for octet in data:
        register ^= octet
        for _ in range(8):
            register = (register >> 1) ^ 0xA001 if register & 1 else register >> 1
    return struct.pack("<H", register)


@pytest.fixture
def late(tmp_path: Path) -> Iterator[tuple[LateDevice, Path]]:
    """A device that can be late, and where it is."""
    device = LateDevice(tmp_path / "late")
    yield device, tmp_path / "late"
    device.end()


def test_the_crc_is_the_one_of_the_specification() -> None:
    """The specification's own example: slave 2, function 7 gives the CRC 0x1241, sent as 41 12."""
    assert crc(b"\x02\x07") == b"\x41\x12"


async def test_the_fault_itself_a_plain_client_files_answers_under_the_next_question(
    late: tuple[LateDevice, Path],
) -> None:
    """Without our care: one answer 0.2 s after its time-out, and every later question gets the one before's."""
    device, path = late
    client = AsyncModbusSerialClient(str(path), baudrate=9600, timeout=0.3, retries=0, reconnect_delay=0)
    await client.connect()
    device.late_s[20] = 0.5
    got = []
    for address in (10, 20, 30, 40, 50):
        with contextlib.suppress(Exception):
            got.append((address, (await client.read_input_registers(address, count=1, device_id=1)).registers[0]))
    client.close()
    assert got == [(10, 10), (30, 20), (40, 30), (50, 40)]


@pytest.mark.parametrize("late_s", [0.4, 0.6, 0.9, 1.5])
async def test_no_answer_is_ever_filed_under_another_question(
    late: tuple[LateDevice, Path], listen: Any, late_s: float
) -> None:
    """Answers up to five times the time-out late: some readings are missing, none is another's, and all come back."""
    device, path = late
    registers = [
        {"sensor": f"room-{address}", "quantity": "rh_percent", "slave": 1, "address": address}
        for address in (10, 20, 30, 40, 50)
    ]
    adapter = rtu(path, registers, timeout_s=0.3, settle_s=0.3)
    heard = listen(adapter)
    await heard.count(5)
    device.late_s[20] = late_s
    device.late_s[40] = late_s
    before = len(heard.readings)
    await asyncio.sleep(0.1)
    await heard.count(before + 5, within_s=30)
    await asyncio.sleep(2)
    adapter._ask_again_s.clear()
    adapter._unanswered_s.clear()
    seen = len(heard.readings)
    await heard.count(seen + 10, within_s=20)
    await heard.stop()
    assert all(r.sensor == f"room-{r.value:.0f}" for r in heard.readings)
    assert {r.sensor for r in heard.readings[seen:]} == {r["sensor"] for r in registers}
    assert adapter.health.rejected[Why.NO_ANSWER] >= 1


async def test_a_question_that_the_only_device_passes_over_leaves_the_pace_as_it_is(
    late: tuple[LateDevice, Path], listen: Any
) -> None:
    """Many devices say nothing to an address that they do not have: it is put off, and the others keep their pace."""
    device, path = late
    registers = [{"sensor": f"room-{at}", "quantity": "rh_percent", "slave": 1, "address": at} for at in (10, 20)]
    adapter = rtu(path, registers, interval_s=0.5)
    device.never.add(20)
    heard = listen(adapter)
    await heard.count(1)
    await asyncio.sleep(2.3)
    await heard.stop()
    assert {r.sensor for r in heard.readings} == {"room-10"}
    assert 3 <= len(heard.readings) <= 6
    assert adapter.health.rejected == {Why.NO_ANSWER: 1}


async def test_a_bus_on_which_somebody_else_talks_is_an_error_that_says_so(
    late: tuple[LateDevice, Path], listen: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A second master, or noise, on the line: a sentence instead of guesses."""
    from adapters import modbus_bus

    monkeypatch.setattr(modbus_bus, "DRAIN_LIMIT_S", 1.0)
    device, path = late
    device.chatter = True
    with pytest.raises(ProtocolError, match=r"talking for 1 s without being asked.*One master only"):
        await asyncio.wait_for(listen(rtu(path)).task, 10)


def test_neighbouring_registers_are_one_request_and_others_are_not() -> None:
    """T and RH beside each other are of one moment; a gap, another slave and another function part requests."""
    entry = {"sensor": "s", "quantity": "rh_percent", "slave": 1}
    places = [("a", 5, 1, "input"), ("b", 4, 1, "input"), ("c", 7, 1, "input"), ("d", 6, 2, "input"),
              ("e", 8, 1, "holding")]  # fmt: skip
    registers = [
        entry | {"sensor": name, "address": at, "slave": slave, "function": kind} for name, at, slave, kind in places
    ]
    requests = requests_of(registers_of(registers))
    assert [(tuple(r.place), [one.sensor for one in r.registers]) for r in requests] == [
        ((1, 3, 8, 1), ["e"]), ((1, 4, 4, 2), ["b", "a"]), ((1, 4, 7, 1), ["c"]), ((2, 4, 6, 1), ["d"]),
    ]  # fmt: skip


def test_no_request_is_longer_than_modbus_allows() -> None:
    """Two hundred registers in a row are two requests of at most 125."""
    entries = [{"sensor": f"s{n}", "quantity": "rh_percent", "address": n} for n in range(200)]
    requests = requests_of(registers_of(entries))
    assert [r.place.words for r in requests] == [125, 75]
    assert sum(len(r.registers) for r in requests) == 200


@pytest.mark.parametrize(
    ("entry", "words", "value"),
    [
        ({"type": "int16", "scale": 0.01}, [0xFF38], -2.0),
        ({"type": "uint16", "scale": 0.001}, [0xFFFF], 65.535),
        ({"type": "int32", "scale": 0.0001}, [0xFFFF, 0xB1E0], -2.0),
        ({"type": "int32", "scale": 0.0001, "word_order": "little"}, [0xB1E0, 0xFFFF], -2.0),
        ({"type": "float32"}, float_words(21.5, little=False), 21.5),
        ({"type": "int16", "scale": 0.1, "offset": -40.0}, [615], 21.5),
        ({"quantity": "temperature_f"}, [68], 20.0),
    ],
)
def test_words_become_values_as_the_map_says(entry: dict[str, Any], words: list[int], value: float) -> None:
    """Every type, both word orders, scale, offset and unit (values worked out by hand from two's complement)."""
    register = register_of({"sensor": "s", "quantity": "temperature_c", "address": 0} | entry, 1)
    reading = register.read(words, 0)
    assert isinstance(reading, Reading)
    assert reading.value == pytest.approx(value, abs=1e-9)


def test_what_the_device_has_no_value_for_is_a_gap_and_the_impossible_is_rejected() -> None:
    """The raw value named as missing gives nothing at all; 200 % and a float that is no number give a reason."""
    base = {"sensor": "s", "quantity": "rh_percent", "address": 0}
    assert register_of(base | {"missing": -32768}, 1).read([0x8000], 0) is None
    assert register_of(base, 1).read([200], 0)[0] == Why.OUT_OF_RANGE  # type: ignore[index]
    assert register_of(base | {"type": "float32"}, 1).read([0x7FC0, 0], 0)[0] == Why.NOT_FINITE  # type: ignore[index]


@given(
    st.sampled_from(TYPES), st.sampled_from(["big", "little"]), st.tuples(*[st.integers(0, 0xFFFF)] * 2),
    st.sampled_from(sorted(QUANTITIES)), st.floats(-1e6, 1e6), st.floats(-1e6, 1e6),
)  # fmt: skip
def test_no_words_give_a_reading_out_of_range(
    kind: str, order: str, words: tuple[int, int], quantity: str, scale: float, offset: float
) -> None:
    """Whatever a device answers is a reading within its quantity's range, or a reason."""
    entry = {"sensor": "s", "quantity": quantity, "address": 0, "type": kind, "word_order": order}
    register = register_of(entry | {"scale": scale, "offset": offset}, 1)
    found = register.read(words[: register.place.words], 0)
    if isinstance(found, Reading):
        assert QUANTITIES[quantity].minimum <= found.value <= QUANTITIES[quantity].maximum


@pytest.mark.parametrize(
    ("entry", "message"),
    [
        ("loft", "registers, entry 1: 'loft' is no table. Write { sensor ="),
        ({"sensor": "a b"}, "sensor 'a b' cannot be a sensor's name"),
        ({"sensor": "a", "adress": 5}, "there is no key 'adress'"),
        ({"sensor": "a", "quantity": "rh_percent"}, "address is missing. Give a whole number from 0 to 65535"),
        ({"sensor": "a", "quantity": "mood", "address": 0}, "quantity 'mood' is nothing that we know"),
        ({"sensor": "a", "quantity": "rh_percent", "address": 0, "slave": 0}, "slave 0 cannot be. Give a whole"),
        ({"sensor": "a", "quantity": "rh_percent", "address": 65535, "type": "int32"}, "address 65535 cannot be"),
        ({"sensor": "a", "quantity": "rh_percent", "address": 0, "scale": "x"}, "scale 'x' cannot be"),
        ({"sensor": "a", "quantity": "rh_percent", "address": 0, "function": "coil"}, "function 'coil' is nothing"),
    ],
)
def test_a_map_that_cannot_be_is_refused_with_its_entry(entry: Any, message: str) -> None:
    """Each mistake names the entry, the key and the mend."""
    with pytest.raises(SettingsError) as caught:
        registers_of([entry])
    assert message in str(caught.value)


def test_an_empty_map_and_one_that_says_a_thing_twice_are_refused() -> None:
    """Nothing to read, and one sensor's humidity from two places, are mistakes."""
    entry = {"sensor": "a", "quantity": "rh_percent", "address": 0}
    for entries, message in (([], "registers: there is none"), ([entry, entry], "stands here a second time")):
        with pytest.raises(SettingsError, match=message):
            registers_of(entries)


@pytest.mark.parametrize("kind", ["rtu", "tcp"])
@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
async def test_it_keeps_the_contract(
    check: Check, kind: str, request: pytest.FixtureRequest, bus: PtyBus, tcp_port: int
) -> None:
    """The kit that every adapter must pass, over a serial line and over TCP."""
    await asyncio.gather(*(asyncio.to_thread(time.sleep, 0.01) for _ in range(8)))
    common: dict[str, Any] = {"registers": REGISTERS, "interval_s": 0.1, "settle_s": 0.1}
    made: Callable[..., Any]
    if kind == "rtu":
        made, settings, absent = ModbusRtu, {"port": str(bus.path)}, {"port": f"{bus.path}-gone"}
    else:
        made, settings = ModbusTcp, {"host": "127.0.0.1", "port": tcp_port}  # type: ignore[dict-item]
        absent = {"host": "127.0.0.1", "port": 1}  # type: ignore[dict-item]
    await check(Specimen(made, settings | common, SystemClock(), absent=absent | common))  # type: ignore[arg-type]
