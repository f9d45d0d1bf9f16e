"""How late a warning is: from the instant at which a rule's time is fulfilled to the mail server's acceptance.

The real daemon under 1,000 sensors at 1 Hz, a real SMTP server. Slow; run with `-m soak`. It prints what it measured.
"""

from __future__ import annotations

import asyncio
import time
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.smtp import SMTP

from adapters.contract import Reading, Stamp
from ingest.notices.recipients import Recipient
from ingest.runtime.daemon import Daemon
from ingest.settings.wiring import MailWiring, PageWiring, TellingWiring, Wiring
from ingest.site.incidents import IncidentKind
from ingest.site.places import AcclimationWindow, Bounds, Room, Sensor, Site

ROOMS, SENSORS, SECONDS = 100, 1000, 75
DWELL_S = 5.0
LIMIT_S = 2.0


def site() -> Site:
    """A hundred rooms with ten sensors each; the rules beside the window are on as they are by default."""
    window = AcclimationWindow(Bounds(18.0, 24.0), Bounds(35.0, 55.0), dwell_s=DWELL_S, return_dwell_s=3600.0)
    rooms = tuple(Room(f"r{n}", f"Room {n}", window) for n in range(ROOMS))
    return Site("Soak", rooms=rooms, sensors=tuple(Sensor(f"s{n}", f"r{n % ROOMS}") for n in range(SENSORS)))


def second(number: int, at_ms: int) -> list[Reading]:
    """Give what all sensors say in one second: room n goes out of range in second 10 + n / 2, by one of its sensors."""
    readings = []
    for sensor in range(SENSORS):
        is_out = sensor < ROOMS and number >= 10 + sensor // 2
        readings.append(Reading(f"s{sensor}", "temperature_c", 21.0, at_ms, Stamp.SENSOR))
        readings.append(Reading(f"s{sensor}", "rh_percent", 70.0 if is_out else 45.0, at_ms, Stamp.SENSOR))
    return readings


@pytest.mark.soak
@pytest.mark.timeout(300)
async def test_a_warning_is_accepted_within_two_seconds(
    tmp_path: Path, helper: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    """From the reading that fulfils the dwell time to the mail server's acceptance: p99 under 2 s."""
    catcher = helper("catcher").Catcher()
    loop = asyncio.get_running_loop()
    server = await loop.create_server(lambda: SMTP(catcher, hostname="localhost", loop=loop), "127.0.0.1", 0)
    try:
        port = server.sockets[0].getsockname()[1]
        mail = MailWiring("127.0.0.1", "store@example.org", (), port=port, security="none")
        # Somebody for each room, for rooms that go out together are told one person together.
        floors = tuple(Recipient(f"floor-{n}@example.org", rooms=frozenset({f"r{n}"})) for n in range(ROOMS))
        telling = TellingWiring(recipients=floors)
        daemon = Daemon(Wiring(site(), tmp_path, PageWiring(port=0), mail=mail, telling=telling))
        up = asyncio.Event()
        running = asyncio.create_task(daemon.run(lambda address: up.set()))
        await up.wait()
        assert daemon.services is not None
        begun_s = time.monotonic()
        for number in range(SECONDS):
            await asyncio.sleep(max(0.0, begun_s + number - time.monotonic()))
            await daemon.services.submit(second(number, time.time_ns() // 1_000_000), source="soak")
        await asyncio.sleep(5.0)
        opened_ms = {
            incident.id: incident.opened_ms
            for incident in await asyncio.to_thread(daemon.services.read.incidents, limit=1000)
            if incident.kind is IncidentKind.WINDOW
        }
        daemon.stop()
        await running
    finally:
        server.close()
    late_s = sorted((catcher.accepted_ms[one] - at_ms) / 1000 for one, at_ms in opened_ms.items())
    p50, p99 = late_s[len(late_s) // 2], late_s[min(len(late_s) - 1, int(len(late_s) * 0.99))]
    with capsys.disabled():
        print(f"\n{len(late_s)} warnings: median {p50:.3f} s, p99 {p99:.3f} s, worst {late_s[-1]:.3f} s")
    assert len(opened_ms) == ROOMS
    assert p99 < LIMIT_S
