"""Digests: once a day or week, on the site's clocks, over restarts and outages; what they say and show."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from adapters.contract import Reading, Stamp
from ingest.notices import digests
from ingest.notices.letters.compose import Beside, compose, write
from ingest.notices.letters.envelope import Shown
from ingest.notices.letters.pictures import MOST_PICTURES, StorePictures
from ingest.notices.recipients import Recipient
from ingest.present.digits import Units
from ingest.site.actor import SETTINGS
from ingest.site.incidents import Incident, IncidentKind, Notice, NoticeKind
from ingest.site.places import Site
from ingest.site.series import ReadingBatch
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.rounds import judge_readings
from ingest.watch.window.memory import incident_to_json

HOUR = 3_600_000
DAILY = Recipient("floor@example.org", digest="daily", digest_minute=390)


def ms(text: str) -> int:
    return round(dt.datetime.fromisoformat(text).timestamp() * 1000)


def write_due(store: SqliteStore, site: Site, recipients: list[Recipient], now_ms: int) -> list[Notice]:
    """Do what the daemon does each minute; give what was written."""
    numbers = []
    for due in digests.pending(store.read, recipients, site.time_zone, now_ms):
        facts = digests.gather(store.read, site, due, now_ms)
        with store.transaction() as work:
            number = digests.put(work, due, facts, now_ms)
        numbers += [] if number is None else [number]
    return [one for one in store.read.notices() if one.number in numbers]


@pytest.fixture
def heard(store: SqliteStore, site: Site) -> SqliteStore:
    """A store with two days of readings up to Wed 25 Nov 2026, 06:30 CET: a quarter of the last day outside."""
    end_ms = ms("2026-11-25T06:30+01:00")
    readings = []
    for at_ms in range(end_ms - 48 * HOUR, end_ms, 300_000):
        rh = 60.0 if end_ms - 12 * HOUR <= at_ms < end_ms - 6 * HOUR else 45.0
        readings.append(Reading("a", "temperature_c", 20.0, at_ms, Stamp.SENSOR))
        readings.append(Reading("a", "rh_percent", rh, at_ms, Stamp.SENSOR))
    with store.transaction() as work:
        work.save_site(site, at_ms=end_ms, by=SETTINGS)
        work.append(ReadingBatch.of(readings), heard_ms=end_ms)
    return store


def test_one_a_day_whatever_happens(heard, site) -> None:
    """Looked at every minute over two weeks with the end of summer time in them: one digest a day, at its time."""
    first_ms = ms("2026-10-18T06:00+02:00")
    written = []
    for minute in range(0, 14 * 24 * 60, 7):
        written += write_due(heard, site, [DAILY], first_ms + minute * 60_000)
    assert [one.facts["day"] for one in written] == [f"2026-10-{day}" for day in range(18, 32)]
    local = [dt.datetime.fromtimestamp(one.created_ms / 1000, dt.UTC) for one in written]
    assert [when.hour for when in local] == [4] * 7 + [5] * 7  # 06:30 is 04:30 UTC in summer time, 05:30 after it


def test_a_computer_that_was_off_sends_it_late_or_leaves_it_out(heard, site) -> None:
    """Eleven hours late it still comes; thirteen hours late it is left out, and the next one says so."""
    write_due(heard, site, [DAILY], ms("2026-11-20T06:30+01:00"))
    assert len(write_due(heard, site, [DAILY], ms("2026-11-21T17:30+01:00"))) == 1
    assert write_due(heard, site, [DAILY], ms("2026-11-22T19:30+01:00")) == []
    [after] = write_due(heard, site, [DAILY], ms("2026-11-23T06:30+01:00"))
    assert after.facts["missed"] == "2026-11-22"
    assert "The one of 2026-11-22 was left out" in write(after).letter.lead
    [next_one] = write_due(heard, site, [DAILY], ms("2026-11-24T06:30+01:00"))
    assert next_one.facts["missed"] is None


def test_nobody_gets_a_digest_of_before_they_asked_for_it(heard, site) -> None:
    """Wired in the afternoon, the first digest is that of the next morning."""
    assert write_due(heard, site, [DAILY], ms("2026-11-24T15:00+01:00")) == []
    [first] = write_due(heard, site, [DAILY], ms("2026-11-25T06:31+01:00"))
    assert (first.facts["day"], first.facts["missed"]) == ("2026-11-25", None)


def test_it_says_how_the_day_was(heard, site) -> None:
    """Six of 24 hours outside are 25 %, the rest within; extremes are those of the readings."""
    [notice] = write_due(heard, site, [DAILY], ms("2026-11-25T06:30+01:00"))
    [room] = notice.facts["rooms"]
    total = room["within_ms"] + room["outside_ms"] + room["not_known_ms"]
    assert total == 24 * HOUR
    assert room["outside_ms"] / total == pytest.approx(0.25, abs=0.01)
    assert room["extremes"]["rh_percent"] == [45.0, 60.0]
    figures = dict(write(notice).letter.parts[0].figures)
    assert figures["Outside"] == "25.0 %, 6 hours"
    assert figures["Relative humidity"] == "45.0 to 60.0 %"


def test_each_room_has_its_picture_and_the_mail_stays_small(heard, site) -> None:
    """A picture a room, up to twelve; each is named in the HTML, said in the text, and the mail is under 300 kB."""
    rooms = tuple(replace(site.rooms[0], id=f"r{number}", title=f"Room {number}") for number in range(15))
    sensors = tuple(replace(site.sensors[0], room=room.id) for room in rooms[:1])
    many = replace(
        site,
        rooms=(*site.rooms, *rooms),
        sensors=(*site.sensors, *(replace(sensors[0], id=f"s{n}", room=f"r{n}") for n in range(15))),
    )
    [notice] = write_due(heard, many, [DAILY], ms("2026-11-25T06:30+01:00"))
    shown: tuple[Shown, ...] = StorePictures(heard.read)(notice)
    assert len(shown) == MOST_PICTURES
    mail = compose(notice, sender="s@example.org", beside=Beside(shown=shown))
    html = mail.get_body(("html",))
    text = mail.get_body(("plain",))
    assert html is not None
    assert text is not None
    for one in shown:
        assert f"cid:{one.picture.cid}" in html.get_content()
        assert one.picture.alt in text.get_content()
        assert len(one.png) < 60_000
    assert len(mail.as_bytes()) < 300_000


def test_a_month_adds_up(heard, site) -> None:
    """On the first of the month the month before, all of its time accounted for, the untold part as not known."""
    monthly = Recipient("floor@example.org", monthly=True)
    [notice] = write_due(heard, site, [monthly], ms("2026-12-01T06:30+01:00"))
    assert (notice.kind, notice.facts["rhythm"]) == (NoticeKind.MONTH, "monthly")
    [room] = notice.facts["rooms"]
    assert room["within_ms"] + room["outside_ms"] + room["not_known_ms"] == 30 * 24 * HOUR
    assert room["outside_ms"] == pytest.approx(6 * HOUR, abs=600_000)
    assert write(notice).about == "Mill Lane (invented): November 2026, room by room"
    assert write_due(heard, site, [monthly], ms("2026-12-01T06:40+01:00")) == []
    assert np.isfinite(room["emc_range"]).all()


def test_a_weekly_digest_comes_on_its_day(heard, site) -> None:
    """Once a week, on its day; it tells of seven days."""
    weekly = replace(DAILY, digest="weekly", digest_day=2)
    written = []
    for hour in range(15 * 24):
        written += write_due(heard, site, [weekly], ms("2026-11-17T00:00+01:00") + hour * HOUR)
    assert [one.facts["day"] for one in written] == ["2026-11-18", "2026-11-25"]
    assert written[0].facts["to_ms"] - written[0].facts["from_ms"] == 7 * 24 * HOUR


def test_a_room_that_is_out_is_told_once_and_in_the_readers_units(heard, site) -> None:
    """What the open incident says is not said a second time as the room's reason; °F for who reads °F."""
    last_ms = ms("2026-11-25T06:25+01:00")
    last = [
        Reading("a", name, value, last_ms, Stamp.SENSOR)
        for name, value in (("temperature_c", 20.0), ("rh_percent", 45.0))
    ]
    with heard.transaction() as work:
        judge_readings(work, site, ReadingBatch.of(last), now_ms=last_ms)
    [notice] = write_due(heard, site, [replace(DAILY, units=Units.US)], ms("2026-11-25T06:30+01:00"))
    [room] = notice.facts["rooms"]
    assert "68.0 °F (window 64.4 to 75.2 °F)" in room["reason"]  # 20 °C, 18 to 24 °C
    began_ms = ms("2026-11-24T18:30+01:00")
    going_on = Incident("i", room["room"], "a", IncidentKind.WINDOW, began_ms, began_ms, "damp", None)
    told = room | {
        "state": "out_of_range",
        "reason": "RH has been above.",
        "incidents": [{"incident": incident_to_json(going_on), "sensor": "a"}],
    }
    assert (
        "RH has been above." not in write(replace(notice, facts=notice.facts | {"rooms": [told]})).letter.parts[0].text
    )
    leaving = told | {"state": "leaving_range"}
    assert (
        "RH has been above." in write(replace(notice, facts=notice.facts | {"rooms": [leaving]})).letter.parts[0].text
    )
