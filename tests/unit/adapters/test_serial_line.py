"""The serial line adapter on real pty pairs, with a device in a process of its own at the other end."""

from __future__ import annotations

import asyncio
import os
import pty
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from adapters.contract import (
    AdapterHealth,
    LostDeviceError,
    ProtocolError,
    Reading,
    RefusedError,
    SettingsError,
    Stamp,
    Why,
)
from adapters.framing.serial_lines import with_checksum
from adapters.pack_lines import HOPELESS_BYTES, PackLines
from adapters.registry import check_settings
from adapters.serial_line import SerialLine
from adapters.serial_port import open_port, ports_there
from ingest.clock import SystemClock


def adapter(path: Path | str, **settings: Any) -> SerialLine:
    """Make the adapter as the daemon does."""
    return SerialLine(check_settings(SerialLine, {"port": str(path)} | settings), SystemClock())


def pack(value: float, sensor: str = "loft") -> bytes:
    """Give a pack of one humidity."""
    return b'[{"n":"%s/humidity","u":"%%RH","v":%.2f}]' % (sensor.encode(), value)


async def test_lines_become_readings_stamped_on_arrival(device: Any, listen: Any) -> None:
    """A line written by another process into a real terminal device comes out as readings with the time of arrival."""
    await device.plug()
    heard = listen(adapter(device.path))
    await device.opened()
    before_ms = SystemClock().now_ms()
    await device.send(b'[{"bn":"loft/","n":"temperature","u":"Cel","v":21.5},{"n":"humidity","u":"%RH","v":47.25}]\r\n')
    await heard.count(2)
    after_ms = SystemClock().now_ms()
    await heard.stop()
    values = [(r.sensor, r.quantity, r.value, r.stamp) for r in heard.readings]
    assert values == [("loft", "temperature_c", 21.5, Stamp.ARRIVAL), ("loft", "rh_percent", 47.25, Stamp.ARRIVAL)]
    assert all(before_ms <= r.at_ms <= after_ms for r in heard.readings)


async def test_half_lines_are_joined_and_a_torn_first_line_is_dropped(device: Any, listen: Any) -> None:
    """Bytes that dribble in one by one, and a line that began before we listened, do no harm."""
    await device.plug()
    line = adapter(device.path)
    heard = listen(line)
    await device.opened()
    await device.send(b'midity","u":"%RH","v":99}]\n')
    await device.order("dribble", 0.002, (pack(40) + b"\r\n" + pack(41)[:20]).hex())
    await heard.count(1)
    await device.send(pack(41)[20:] + b"\n")
    await heard.count(2)
    await heard.stop()
    assert [r.value for r in heard.readings] == [40.0, 41.0]
    assert line.health.rejected == {}


async def test_garbage_is_counted_and_good_lines_among_it_are_taken(device: Any, listen: Any) -> None:
    """All byte values, an endless line, a wrong checksum and a stranger's sensor are counted; the rest goes on."""
    await device.plug()
    line = adapter(device.path, allow=["loft"])
    heard = listen(line)
    await device.opened()
    await device.send(pack(40) + b"\n" + bytes(range(256)) + b"\n" + b"\xff" * 20_000 + b"\n")
    await device.send(with_checksum(pack(41)).replace(b"41.00", b"41.01") + b"\n" + pack(42, "stranger") + b"\n")
    await device.send(pack(101) + b"\n# nothing\n\n" + with_checksum(pack(43)) + b"\n")
    await heard.count(2)
    await heard.stop()
    assert [r.value for r in heard.readings] == [40.0, 43.0]
    assert line.health.rejected == {
        Why.NOT_JSON: 2,  # the 256 byte values hold a line end
        Why.TOO_LONG: 1,
        Why.CHECKSUM_WRONG: 1,
        Why.NOT_ALLOWED: 1,
        Why.OUT_OF_RANGE: 1,
    }


async def test_nothing_but_noise_is_an_error_that_says_what_to_check(device: Any, listen: Any) -> None:
    """A line on which nothing can be read (the wrong baud rate looks like this) says so, and how to mend it."""
    await device.plug()
    heard = listen(adapter(device.path, baud=9600))
    await device.opened()
    noise = bytes(range(1, 256)) + b"\n"
    while not heard.task.done():
        await device.order("shout", (noise * 8).hex())
    with pytest.raises(ProtocolError, match=r"not one pack .* speaks at 9600 baud and prints SenML.*not JSON"):
        await heard.task


def garbled(line: bytes) -> bytes:
    """Give what a line can look like at another speed: other bytes, and hardly a line end among them."""
    return bytes((byte * 7 + 129) % 256 or 1 for byte in line).replace(b"\n", b"\xfe")


def test_a_sensor_that_speaks_once_a_minute_at_another_speed_is_told_within_two_minutes() -> None:
    """Nine bytes of ten are lost or wrong, and no line ends: after the second minute it is said what to check."""
    lines = PackLines({"sensor": None, "prefix": "", "allow": None}, AdapterHealth())
    for minute in range(2):
        lines.refuse_noise("port", "Check")
        lines.feed(garbled(pack(40) + b"\n"), 60_000 * minute)
    with pytest.raises(ProtocolError, match=r"no text, as at another speed. Check; the last thing that came: .*\\x"):
        lines.refuse_noise("port", "Check")


@pytest.mark.parametrize(
    "said",
    [
        [garbled(b"boot message " * 40), *[b""] * 3, pack(40) + b"\n"],  # a boot loader with a speed of its own
        [garbled(b"x" * 90), b"\n" + pack(40) + b"\n", garbled(b"x" * 90), b"\n" + pack(41) + b"\n"],
        [b"# nothing new\n"] * 400,
        [b"some other program's text\n"] * 50,
    ],
    ids=["boots", "now and then", "comments", "text"],
)
def test_what_is_no_wrong_speed_is_not_told_as_one(said: list[bytes]) -> None:
    """A boot message, torn bytes among packs, comments, and a device that prints something else."""
    lines = PackLines({"sensor": None, "prefix": "", "allow": None}, AdapterHealth())
    for number, data in enumerate(said):
        lines.feed(data, 60_000 * number)
        lines.refuse_noise("port", "Check")


async def test_readings_of_strangers_and_impossible_values_are_no_noise(device: Any, listen: Any) -> None:
    """A device that speaks SenML, but nothing of ours, is not taken for a wrong baud rate."""
    await device.plug()
    line = adapter(device.path, allow=["loft"])
    heard = listen(line)
    await device.opened()
    for _ in range(4):
        await device.send((pack(40, "stranger") + b"\n" + pack(200) + b"\n") * (HOPELESS_BYTES // 160))
    await device.send(pack(44) + b"\n")
    await heard.count(1)
    await heard.stop()
    assert line.health.rejected[Why.NOT_ALLOWED] == 4 * (HOPELESS_BYTES // 160)


async def test_a_burst_loses_nothing_and_never_stalls_the_loop(device: Any, listen: Any) -> None:
    """Ten thousand lines at once all come through in order, and the loop is never held for half a second."""
    await device.plug()
    heard = listen(adapter(device.path))
    await device.opened()
    longest_s = 0.0

    async def beat() -> None:
        nonlocal longest_s
        while True:
            began_s = time.monotonic()
            await asyncio.sleep(0.01)
            longest_s = max(longest_s, time.monotonic() - began_s)

    beating = asyncio.create_task(beat())
    values = [(i % 10_001) / 100 for i in range(10_000)]
    await device.send(b"".join(with_checksum(pack(value)) + b"\n" for value in values))
    await heard.count(len(values), within_s=30)
    beating.cancel()
    await heard.stop()
    assert [r.value for r in heard.readings] == values
    assert longest_s < 0.5


async def test_twenty_unplugs_lose_no_descriptor_and_no_thread(device: Any) -> None:
    """Each pulled plug is a typed error at once, the half line is dropped, and the device comes back by its link."""
    descriptors: list[int] = []
    for round_number in range(20):
        await device.plug()
        batches = adapter(device.path).readings()
        first = asyncio.ensure_future(anext(batches))
        await device.opened()
        await device.send(pack(round_number) + b"\n" + pack(99)[:15])
        assert [r.value for r in await first] == [float(round_number)]
        waiting = asyncio.ensure_future(anext(batches))
        await asyncio.sleep(0.01)
        began_s = time.monotonic()
        await device.unplug()
        with pytest.raises(LostDeviceError, match=r"went away.*Plug it in again"):
            await waiting
        assert time.monotonic() - began_s < 1.0
        descriptors.append(len(list(Path("/proc/self/fd").iterdir())))
    assert descriptors[-1] <= descriptors[0]
    async with asyncio.timeout(2):
        while any(thread.name.startswith("serial") for thread in threading.enumerate()):
            await asyncio.sleep(0.01)


async def test_a_second_opener_is_refused_and_told_who_has_it(device: Any) -> None:
    """Two adapters on one port: the second is refused, told who holds it, and gets it once the first lets go."""
    await device.plug()
    first = await open_port(str(device.path), 9600)
    with pytest.raises(RefusedError, match=r"another program has it open: this lumberroom itself.*End that program"):
        await open_port(str(device.path), 9600)
    await first.close()
    await (await open_port(str(device.path), 9600)).close()


async def test_a_port_held_by_another_program_names_that_program(device: Any) -> None:
    """When another process holds the lock, the message names it and its process number."""
    await device.plug()
    code = (
        "import serial,sys,time; p=serial.Serial(sys.argv[1],exclusive=True); print('open',flush=True); time.sleep(60)"
    )
    with subprocess.Popen([sys.executable, "-c", code, str(device.path)], stdout=subprocess.PIPE) as other:
        try:
            assert other.stdout
            assert other.stdout.readline() == b"open\n"
            with pytest.raises(RefusedError, match=rf"python.* \(process {other.pid}\)"):
                await open_port(str(device.path), 9600)
        finally:
            other.send_signal(signal.SIGKILL)


async def test_cancelling_releases_the_port_at_once(device: Any, listen: Any) -> None:
    """Cancelled in the middle of silence, the adapter lets go well within two seconds; the port can be opened again."""
    await device.plug()
    heard = listen(adapter(device.path))
    await device.opened()
    await device.send(pack(40) + b"\n")
    await heard.count(1)
    await asyncio.sleep(0.05)
    began_s = time.monotonic()
    await heard.stop()
    assert time.monotonic() - began_s < 0.5
    await (await open_port(str(device.path), 9600)).close()


async def test_cancelled_while_opening_leaves_nothing_open(device: Any) -> None:
    """A cancel that comes while the port is being opened closes it as soon as it is."""
    await device.plug()
    opening = asyncio.create_task(open_port(str(device.path), 9600))
    await asyncio.sleep(0)
    opening.cancel()
    await asyncio.gather(opening, return_exceptions=True)
    real = device.path.resolve()
    async with asyncio.timeout(5):
        while real in {link.resolve() for link in Path("/proc/self/fd").iterdir()}:
            await asyncio.sleep(0.01)


async def test_a_missing_port_lists_what_is_there(tmp_path: Path) -> None:
    """A port that does not exist is a lost device, with the ports that do exist or how to look for them."""
    with pytest.raises(LostDeviceError, match=r"ttyNONE0: there is no such serial port\. (Ports that are|No serial)"):
        await anext(adapter(tmp_path / "ttyNONE0").readings())


async def test_a_file_is_no_serial_port(tmp_path: Path) -> None:
    """Something that is not a terminal device is a mistake in the settings, said as one."""
    (tmp_path / "file").write_text("")
    with pytest.raises(SettingsError, match="it is no serial port"):
        await anext(adapter(tmp_path / "file").readings())
    with pytest.raises(SettingsError, match="it is no serial port"):
        await anext(adapter(tmp_path).readings())


def test_without_permission_the_group_is_named() -> None:
    """An account without rights to the port is told which group to join (root becomes `nobody` for it)."""
    ours, theirs = pty.openpty()
    path = os.ttyname(theirs)
    Path(path).chmod(0o000)
    code = (
        "import asyncio, concurrent.futures.thread, os, sys\n"
        "from adapters.serial_port import open_port, RefusedError\n"
        "if os.getuid() == 0: os.setgid(65534); os.setuid(65534)\n"
        "try: asyncio.run(open_port(sys.argv[1], 9600))\n"
        "except RefusedError as error: print(error)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, path], capture_output=True, text=True, timeout=30, check=False)
    os.close(ours)
    os.close(theirs)
    assert "we are not allowed to open it" in done.stdout, done.stderr
    assert "dialout" in done.stdout


def test_ports_are_named_by_their_lasting_link(tmp_path: Path) -> None:
    """Where the system keeps a name that stays the same, the list shows that one."""
    target = tmp_path / "ttyUSB7"
    target.write_text("")
    by_id = tmp_path / "by-id"
    by_id.mkdir()
    (by_id / "usb-maker_thing_0001-if00").symlink_to(target)
    assert str(by_id / "usb-maker_thing_0001-if00") in ports_there(by_id)


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"sensor": "my loft"}, "sensor: 'my loft' cannot be a sensor's name"),
        ({"prefix": "/x"}, "prefix: '/x' cannot be"),
        ({"allow": ["loft", 5]}, "allow: 5 cannot be"),
    ],
)
def test_names_in_the_settings_are_checked(settings: dict[str, Any], message: str) -> None:
    """A name that no sensor can have is refused before anything is opened."""
    with pytest.raises(SettingsError) as caught:
        adapter("/dev/null", **settings)
    assert str(caught.value).startswith(message)


async def test_a_device_that_names_only_quantities_takes_its_name_from_the_settings(device: Any, listen: Any) -> None:
    """`sensor` and `prefix` name what the device does not."""
    await device.plug()
    heard = listen(adapter(device.path, sensor="loft", prefix="hut."))
    await device.opened()
    await device.send(b'[{"n":"humidity","u":"%RH","v":40}]\n')
    await heard.count(1)
    await heard.stop()
    assert heard.readings == [Reading("hut.loft", "rh_percent", 40.0, heard.readings[0].at_ms, Stamp.ARRIVAL)]
