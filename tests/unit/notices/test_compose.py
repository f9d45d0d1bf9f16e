"""The mail itself: subject, two bodies that say the same, one thread, nothing injected."""

from __future__ import annotations

import html
import re
from dataclasses import replace
from email import message_from_bytes, policy
from email.message import EmailMessage
from email.utils import parsedate_to_datetime
from pathlib import Path

import pytest

from ingest.notices.letters.advice import advice_for
from ingest.notices.letters.compose import Beside, compose, write
from ingest.notices.letters.pictures import StorePictures
from ingest.notices.letters.story import one_line
from ingest.notices.letters.writing import Writer
from ingest.notices.links import Links
from ingest.notices.outbox import notice_facts
from ingest.present.incident_kinds import KINDS, About
from ingest.site.incidents import Ending, Incident, IncidentKind, Notice, NoticeKind, Severity
from ingest.site.places import Room, Site
from ingest.watch.reasons import ENDING_WORDS

T0_MS = 1_795_600_800_000
SENDER = "Timber store <store@example.org>"


def noticed(incident: Incident, site: Site, *, openings: int = 1, units: str = "si", number: int = 1) -> Notice:
    kind = NoticeKind.OPENED if incident.is_open else NoticeKind.CLOSED
    facts = notice_facts(incident, site, openings=openings) | {"units": units}
    return Notice(number, incident.id, kind, "mail", "floor@example.org", facts, T0_MS + 1_800_000, 0)


def mail_of(incident: Incident, site: Site, **more) -> EmailMessage:
    """Compose, and read back what would travel."""
    beside = Beside(page_address="http://store.example:8430/")
    sent = compose(noticed(incident, site, **more), sender=SENDER, beside=beside)
    read = message_from_bytes(sent.as_bytes(), policy=policy.default)
    assert isinstance(read, EmailMessage)
    return read


def bodies(mail: EmailMessage) -> tuple[str, str]:
    text, marked = mail.get_body(("plain",)), mail.get_body(("html",))
    assert text is not None
    assert marked is not None
    return text.get_content(), marked.get_content()


def words_of_html(marked: str) -> list[str]:
    """Give the words that a reader of the HTML sees."""
    body = re.sub(r"<style>.*?</style>|<title>.*?</title>", " ", marked, flags=re.DOTALL)
    return html.unescape(re.sub(r"<[^>]+>", " ", body)).split()


def closed(incident: Incident) -> Incident:
    return replace(incident, closed_ms=T0_MS + 4 * 3_600_000)


def test_the_subject_says_room_what_and_how_bad(incident, site) -> None:
    """One line tells whether to go: the room, which way it is out, by how much."""
    assert mail_of(incident, site)["Subject"] == "Plank store too damp: RH 61.3 %, limit 55 %"
    # A long one is not folded before its first word, which some readers show with a blank in front.
    assert mail_of(closed(incident), site)["Subject"] == (
        "Plank store: all clear (was too damp, RH 61.3 %, limit 55 %)"
    )


@pytest.mark.parametrize(
    ("quantity", "bound", "worst", "units", "said"),
    [
        ("temperature_c", 18.0, 8.0, "si", "Plank store too cold: temperature 8.0 °C, limit 18 °C"),
        ("temperature_c", 18.0, 8.0, "us", "Plank store too cold: temperature 46.4 °F, limit 64.4 °F"),
        ("rh_percent", 35.0, 22.0, "si", "Plank store too dry: RH 22.0 %, limit 35 %"),
        ("emc_percent", 9.0, 11.9, "si", "Plank store too damp for the wood: EMC 11.9 %, limit 9 %"),
    ],
)
def test_each_way_out_has_its_words_and_the_readers_units(incident, site, quantity, bound, worst, units, said) -> None:
    """Subject words follow quantity and side; figures are in the recipient's units."""
    excursion = replace(incident, quantity=quantity, bound=bound, worst_value=worst)
    assert mail_of(excursion, site, units=units)["Subject"] == said


@pytest.mark.parametrize("over", [False, True])
def test_text_and_html_say_the_same(incident, site, over: bool) -> None:
    """Word for word, list marks aside, both alternatives carry the same."""
    text, marked = bodies(mail_of(closed(incident) if over else incident, site))
    said = [word for line in text.splitlines() for word in re.sub(r"^- ", "", line).split()]
    shown = words_of_html(marked)
    assert [word.rstrip(":") for word in said] == [word.rstrip(":") for word in shown]


def test_the_body_tells_what_since_when_how_far_what_for_and_what_to_do(incident, site) -> None:
    """All that a person needs before going there, with cautions and the way to the room's page."""
    text, _ = bodies(mail_of(incident, site))
    for needed in (
        'RH at the sensor "north wall" has been above 55 % since Wed 25 Nov 2026, 11:00 CET',
        "Worst RH: 61.3 %, Wed 25 Nov 2026, 11:15 CET",
        "Beyond its limit by: 6.3 points (limit 55 %)",
        "Its window: temperature 18 to 24 °C and RH 35 to 55 %",
        "In this room: oak boards, 20 mm, stickered",
        "takes up moisture and swells",
        "What to check first",
        "a qualified person",
        "follow the maker's instructions and local codes",
        "http://store.example:8430/rooms/store",
    ):
        assert needed in text


def test_one_incident_is_one_thread(incident, site) -> None:
    """All-clear and second alarm refer to the first alarm; each has an id of its own, the same when sent again."""
    alarm, clear = mail_of(incident, site), mail_of(closed(incident), site)
    again, clear_again = mail_of(incident, site, openings=2), mail_of(closed(incident), site, openings=2)
    assert alarm["References"] is None
    assert [m["References"] for m in (clear, again, clear_again)] == [alarm["Message-ID"]] * 3
    assert clear["In-Reply-To"] == alarm["Message-ID"]
    assert len({m["Message-ID"] for m in (alarm, clear, again, clear_again)}) == 4
    assert mail_of(incident, site)["Message-ID"] == alarm["Message-ID"]
    assert alarm["Message-ID"].endswith("@example.org>")


def test_headers_that_a_machine_should_send(incident, site) -> None:
    """Date is when it was committed (RFC 5322), in the site's zone; automatic answers are not asked for (RFC 3834)."""
    mail = mail_of(incident, site)
    assert mail["Auto-Submitted"] == "auto-generated"
    assert parsedate_to_datetime(mail["Date"]).timestamp() * 1000 == T0_MS + 1_800_000
    assert str(mail["Date"]).endswith("+0100")
    assert mail["From"].addresses[0].addr_spec == "store@example.org"


def test_titles_from_outside_inject_neither_headers_nor_markup(incident, site) -> None:
    """A hostile room title becomes one harmless line of text in the subject, the text and the HTML."""
    title = "Store\r\nBcc: all@example.org\u2028<script>alert(1)</script>" + "x" * 500
    hostile = replace(site, rooms=(replace(site.rooms[0], title=title, holds="<img src=x onerror=y>"),))
    mail = mail_of(incident, hostile)
    assert mail["Bcc"] is None
    assert mail["Subject"].startswith("Store Bcc: all@example.org <script>")
    _, marked = bodies(mail)
    assert "<script>" not in marked
    assert "<img" not in marked
    assert len(one_line(title)) == 200


@pytest.mark.parametrize("address", ["nobody", "a@b\nBcc: c@d", ""])
def test_an_address_that_is_none_raises(incident, site, address: str) -> None:
    """What cannot be addressed is an error here, for the channel to refuse."""
    with pytest.raises(ValueError, match="is not a mail address"):
        compose(replace(noticed(incident, site), recipient=address), sender=SENDER)


def test_a_silent_sensor_has_its_own_mail(site) -> None:
    """Silence says who, since when, what it means and what to look at, with no word about the wood."""
    silent = Incident("store.silent.a.x", "store", "a", IncidentKind.OFFLINE, T0_MS, T0_MS + 1_800_000, "")
    mail = mail_of(silent, site)
    text, _ = bodies(mail)
    assert mail["Subject"] == 'Plank store: sensor "north wall" offline'
    assert 'The sensor "north wall" has given no reading since Wed 25 Nov 2026, 11:00 CET.' in text
    assert "Its battery or power." in text
    assert "For the wood" not in text
    assert mail_of(closed(silent), site)["Subject"] == 'Plank store: sensor "north wall" giving readings again'


def test_a_room_that_is_gone_still_makes_a_mail(incident, site) -> None:
    """Facts of a room that was taken from the site since are told by its id."""
    mail = mail_of(incident, replace(site, rooms=(Room("other", "Other"),), sensors=()))
    assert mail["Subject"].startswith("store too damp")


def test_no_address_no_link(incident, site) -> None:
    """Where the page has no address that others can reach, no link is made up."""
    message = compose(noticed(incident, site), sender=SENDER)
    assert "http" not in str(message.get_body(("plain",)).get_content())  # type: ignore[union-attr]


def test_what_is_merely_no_longer_watched_is_no_all_clear(incident, site) -> None:
    """An incident closed because its window or sensor was taken away must not read as a go-ahead."""
    ended = replace(closed(incident), ending=Ending.NO_WINDOW)
    mail = mail_of(ended, replace(site, rooms=(replace(site.rooms[0], window=None),)))
    text, marked = bodies(mail)
    assert "no longer watched (was too damp" in mail["Subject"]
    assert "all clear" not in mail["Subject"].lower()
    assert ENDING_WORDS[Ending.NO_WINDOW] in text
    assert "This is no all-clear." in text
    assert "All clear" not in text + marked
    assert "Its window: none any more" in text


def test_what_did_not_happen_is_taken_back_in_its_thread(incident, site) -> None:
    """A withdrawn incident says so, in the thread of its alarm, and is no all-clear."""
    gone = replace(closed(incident), withdrawn_ms=T0_MS + 5 * 3_600_000)
    mail = mail_of(gone, site)
    text, _ = bodies(mail)
    assert mail["Subject"].strip() == "Plank store: taken back (had been told as too damp, RH 61.3 %, limit 55 %)"
    assert mail["References"] == mail_of(incident, site)["Message-ID"]
    assert "Readings that came late (Wed 25 Nov 2026, 16:00 CET) show that this did not happen" in text
    assert "all clear" not in text.lower()


def test_a_rule_beside_the_window_has_its_own_words(site) -> None:
    """Fast change, condensation and the rest say what it is, how bad, what to look at, and when it is over."""
    change = Incident(
        "store.change.a.x", "store", "a", IncidentKind.CHANGE, T0_MS, T0_MS + 600_000, "", None,
        "rh_change_percent", 10.0, 14.0, T0_MS + 900_000,
    )  # fmt: skip
    mail = mail_of(change, site)
    text, _ = bodies(mail)
    assert mail["Subject"] == (
        "Plank store: the air is changing fast (RH change in an hour 14.0 points, limit 10 points)"
    )
    assert "Doors and windows" in text
    assert "Its window" not in text
    assert mail_of(closed(change), site)["Subject"] == "Plank store: the air has stopped changing fast"
    cold = replace(change, kind=IncidentKind.CONDENSATION, quantity="condensation_margin_c", bound=3.0, worst_value=1.0)
    assert "warmer than the dew point by 1.8 °F, limit 5.4 °F" in mail_of(cold, site, units="us")["Subject"]


@pytest.mark.parametrize("kind", list(IncidentKind))
def test_every_kind_of_incident_makes_a_mail(site, kind: IncidentKind) -> None:
    """Whatever the watch can tell has a subject, an advice and two bodies, open and closed."""
    of_station = KINDS[kind].about is About.STATION
    room, sensor = ("", "hall-serial") if of_station else ("store", "a")
    one = Incident(f"store.{kind.value}.a.x", room, sensor, kind, T0_MS, T0_MS + 600_000, "")
    for incident in (one, closed(one)):
        mail = mail_of(incident, site)
        text, _ = bodies(mail)
        assert mail["Subject"].startswith(site.name if of_station else "Plank store")
        assert "/rooms/" not in text if of_station else "north wall" in text
        assert ('adapter "hall-serial"' in text) == (kind is IncidentKind.ADAPTER)


def test_a_picture_goes_along_and_its_words_stand_in_both_bodies(incident, site, post, store) -> None:
    """multipart/related with one small PNG: named in the HTML with its words as alternative, the same words as text."""
    post(incident)
    notice = store.read.notices()[0]
    shown = StorePictures(store.read)(notice)
    sent = compose(notice, sender=SENDER, beside=Beside(shown=shown))
    mail = message_from_bytes(sent.as_bytes(), policy=policy.default)
    assert isinstance(mail, EmailMessage)
    text, marked = bodies(mail)
    [picture] = [part for part in mail.walk() if part.get_content_type() == "image/png"]
    assert f'src="cid:{picture["Content-ID"].strip("<>")}"' in marked
    assert html.escape(shown[0].picture.alt, quote=True) in marked
    assert shown[0].picture.alt in text
    assert picture.get_content_disposition() == "inline"
    assert len(picture.get_content()) < 60_000
    assert [part.get_content_type() for part in mail.walk()] == [
        "multipart/alternative", "text/plain", "multipart/related", "text/html", "image/png",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "facts", "subject", "said"),
    [
        (
            NoticeKind.WORSE,
            {"was_severity": "serious"},
            "Severe: Plank store too damp",
            "it was serious and is severe now",
        ),
        (NoticeKind.STILL, {}, "Still open: Plank store too damp", "The quiet that was asked for is over"),
        (
            NoticeKind.UNANSWERED,
            {"told_before": ["Ann", "Bo"]},
            "Nobody has answered: Plank store",
            "though Ann and Bo had",
        ),
        (NoticeKind.OPENED, {"held_since_ms": T0_MS, "whys": ["HOURS"]}, "Severe: Plank", "held back over the hours"),
    ],
)
def test_why_it_comes_now_is_said_first(incident, site, kind, facts, subject, said) -> None:
    """Worse, still open, unanswered, held back: subject and first sentence say so; the wood's sentence leads."""
    severe = replace(incident, severity=Severity.SEVERE, wood="the boards have moved 0.2 %, no harm")
    notice = noticed(severe, site)
    written = write(replace(notice, kind=kind, facts={**notice.facts, **facts}))
    assert written.about.startswith(subject)
    assert said in written.letter.lead
    assert written.letter.meaning[0][1].startswith("The boards have moved 0.2 %, no harm. Wood that stays")


def test_every_mail_of_an_incident_has_an_id_of_its_own_in_one_thread(incident, site) -> None:
    """Alarm, worse, still, all-clear: four Message-IDs, three of them referring to the first (RFC 5322, 3.6.4)."""
    closed_one = replace(incident, closed_ms=T0_MS + 9_000_000)
    mails = [
        compose(replace(noticed(one, site, number=number), kind=kind), sender=SENDER)
        for number, (kind, one) in enumerate(
            [(NoticeKind.OPENED, incident), (NoticeKind.WORSE, incident), (NoticeKind.STILL, incident),
             (NoticeKind.CLOSED, closed_one)], 1,
        )
    ]  # fmt: skip
    assert len({mail["Message-ID"] for mail in mails}) == 4
    assert [mail["References"] for mail in mails] == [None, *[mails[0]["Message-ID"]] * 3]


@pytest.mark.parametrize("kind", IncidentKind, ids=lambda kind: kind.value)
def test_every_kind_has_advice_of_its_own(kind, incident, site) -> None:
    """Nothing falls back on general words: what it is, what it means and what to look at differ for every kind."""
    of_station = KINDS[kind].about is About.STATION
    one = replace(incident, kind=kind, room="" if of_station else incident.room)
    others = [advice_for(replace(incident, kind=other)) for other in IncidentKind if other is not kind]
    mine = advice_for(one)
    assert all(mine.short != other.short and mine.meaning != other.meaning for other in others)
    assert mine.check
    told = write(noticed(one, site)).letter
    assert mine.meaning in " ".join(text for _, text in told.meaning)
    has_caution = "Caution" in dict(told.lists)
    assert has_caution or KINDS[kind].about is not About.AIR
    assert told.place.count(site.name) == 1


def test_a_clock_that_nobody_sets_is_not_called_wrong(incident, site) -> None:
    """Without a time server a clock may be right: neither subject nor sentence says that it is wrong."""
    one = replace(
        incident, kind=IncidentKind.CLOCK, room="", sensor="",
        quantity="clock_unsynchronised_hours", bound=24.0, worst_value=31.0,
    )  # fmt: skip
    written = write(noticed(one, site))
    assert "no time server sets the computer's clock" in written.about
    assert "wrong" not in written.about + written.letter.lead


def test_links_or_what_to_type(incident, site) -> None:
    """Where links lead somewhere they are in both bodies; where not, the command is; an end has neither."""
    links = Links(b"k" * 32, "https://wood.example.org")
    for one, address, typed in ((links, True, False), (Links(b"k" * 32), False, True)):
        beside = Writer(links=one, job=Path("/etc/wood/site.toml")).links_beside(noticed(incident, site))
        text, marked = bodies(compose(noticed(incident, site), sender=SENDER, beside=beside))
        for body in (text, marked):
            assert ("https://wood.example.org/action/" in body) is address
            assert (f"lumberroom incidents acknowledge /etc/wood/site.toml {incident.id}" in body) is typed
    over = noticed(closed(incident), site)
    text, _ = bodies(compose(over, sender=SENDER, beside=Writer(links=links).links_beside(over)))
    assert "/action/" not in text


def test_the_record_stands_in_the_footer(incident, site, post, store) -> None:
    """Number and short hash of the newest entry, as the store has them."""
    post(incident)
    number, digest = store.read.record_head()
    text, marked = bodies(compose(store.read.notices()[0], sender=SENDER))
    for body in (text, marked):
        assert f"Log entry {number}, check code {digest[:16]}; keep this mail as proof." in body


def test_a_subject_with_a_minus_comes_through_without_a_gap(incident, site) -> None:
    """Folded at 78 columns, as on its way to a server, a long subject with negative figures reads as it was written."""
    fast = replace(incident, kind=IncidentKind.CHANGE, quantity="rh_change_percent", bound=-10.0, worst_value=-13.5)
    sent = compose(noticed(fast, site), sender=SENDER)
    read = message_from_bytes(sent.as_bytes(policy=policy.SMTP), policy=policy.default)
    assert "-13.5 points" in read["Subject"]
    assert "  " not in read["Subject"]
