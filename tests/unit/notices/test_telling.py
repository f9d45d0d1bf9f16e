"""Who is told what, and when: severity, rooms, hours, limits, one cause, escalation, quiet that was asked for."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field, replace

import pytest

from ingest.notices.hours import read_hours
from ingest.notices.letters.compose import write
from ingest.notices.outbox import enqueue
from ingest.notices.recipients import Recipient
from ingest.notices.rounds import look_round
from ingest.site.actor import WATCH, Actor, Where
from ingest.site.incidents import Incident, Notice, NoticeKind, NoticeState, Severity
from ingest.site.places import Room, Site
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.handling import acknowledge, mute

MINUTE = 60_000
HOUR = 60 * MINUTE
NOON_MS = round(dt.datetime.fromisoformat("2026-11-25T12:00+01:00").timestamp() * 1000)
NIGHT_MS = round(dt.datetime.fromisoformat("2026-11-25T23:00+01:00").timestamp() * 1000)
FLOOR = Recipient("floor@example.org", name="Floor layer")
QUIET = replace(FLOOR, quiet=(read_hours("22:00-06:00"),))


@dataclass
class Bench:
    """A site with its outbox; what the watch says is put in, what people are told is looked at."""

    store: SqliteStore
    site: Site
    incident: Incident
    recipients: tuple[Recipient, ...] = (FLOOR,)
    seen: int = field(default=0)

    def say(self, incident: Incident, now_ms: int) -> None:
        """Let the watch write an incident."""
        with self.store.transaction() as work:
            work.put_incident(incident, at_ms=now_ms, by=WATCH)
            enqueue(work, [incident], self.site, self.recipients, now_ms=now_ms)

    def look(self, now_ms: int) -> None:
        """Let a round of telling go by."""
        with self.store.transaction() as work:
            look_round(work, self.site, self.recipients, now_ms=now_ms)

    def new(self) -> list[Notice]:
        """Give what is to go out that was not there when last asked."""
        going = [
            one for one in self.store.read.notices() if one.state is NoticeState.WAITING and one.number > self.seen
        ]
        self.seen = max([self.seen, *(one.number for one in going)])
        return going

    def kinds(self) -> list[tuple[str, str]]:
        """Give recipient and kind of what is new."""
        return [(one.recipient.partition("@")[0], one.kind.value) for one in self.new()]


@pytest.fixture
def bench(store: SqliteStore, site: Site, incident: Incident) -> Bench:
    """A bench with the plank store and a hall."""
    site = replace(site, rooms=(*site.rooms, Room("hall", "Hall"), Room("loft", "Loft")))
    return Bench(store, site, incident)


def numbered(incident: Incident, number: int, **more: object) -> Incident:
    return replace(incident, id=f"{incident.id}.{number}", **more)  # type: ignore[arg-type]


def ended(incident: Incident) -> Incident:
    return replace(incident, closed_ms=incident.opened_ms + HOUR)


def test_nothing_is_told_twice(bench: Bench) -> None:
    """The same state given again, by whatever way, tells nothing again; the end is told once."""
    for _ in range(3):
        bench.say(bench.incident, NOON_MS)
    assert bench.kinds() == [("floor", "opened")]
    for _ in range(3):
        bench.say(ended(bench.incident), NOON_MS + HOUR)
    assert bench.kinds() == [("floor", "closed")]


def test_rooms_and_severity_choose_who_is_told(bench: Bench) -> None:
    """Other rooms' recipients and those who want only worse are left out, until it turns worse; they get its end."""
    bench.recipients = (
        replace(FLOOR, address="hall@example.org", rooms=frozenset({"hall"})),
        replace(FLOOR, address="worse@example.org", severity_from=Severity.SEVERE),
        replace(FLOOR, address="all@example.org"),
    )
    bench.say(bench.incident, NOON_MS)
    assert bench.kinds() == [("all", "opened")]
    severe = replace(bench.incident, severity=Severity.SEVERE)
    bench.say(severe, NOON_MS + MINUTE)
    assert bench.kinds() == [("worse", "opened"), ("all", "worse")]
    bench.say(ended(replace(severe, severity=Severity.SLIGHT)), NOON_MS + HOUR)
    assert bench.kinds() == [("worse", "closed"), ("all", "closed")]


def test_turning_better_is_not_told(bench: Bench) -> None:
    """Severity that falls tells nothing; that it is over does."""
    bench.say(replace(bench.incident, severity=Severity.SEVERE), NOON_MS)
    bench.say(bench.incident, NOON_MS + MINUTE)
    assert bench.kinds() == [("floor", "opened")]


def test_at_night_it_waits_and_is_told_in_the_morning(bench: Bench) -> None:
    """What is not severe waits for the end of the quiet hours, and goes out then as it stands."""
    bench.recipients = (QUIET,)
    bench.say(bench.incident, NIGHT_MS)
    bench.look(NIGHT_MS + 6 * HOUR)
    assert bench.new() == []
    worst = replace(bench.incident, worst_value=66.6)
    with bench.store.transaction() as work:
        work.put_incident(worst, at_ms=NIGHT_MS + HOUR, by=WATCH)
    bench.look(NIGHT_MS + 7 * HOUR)
    [told] = bench.new()
    assert (told.kind, told.incident) == (NoticeKind.OPENED, bench.incident.id)
    assert told.facts["incident"]["worst_value"] == 66.6
    assert (told.facts["held_since_ms"], told.facts["whys"]) == (NIGHT_MS, ["HOURS"])
    bench.look(NIGHT_MS + 8 * HOUR)
    assert bench.new() == []


def test_what_was_over_by_morning_is_told_once_as_over(bench: Bench) -> None:
    """Opened and closed in the quiet hours: one notice, that it was and is over."""
    bench.recipients = (QUIET,)
    bench.say(bench.incident, NIGHT_MS)
    bench.say(ended(bench.incident), NIGHT_MS + HOUR)
    bench.look(NIGHT_MS + 7 * HOUR)
    assert bench.kinds() == [("floor", "closed")]


def test_several_of_a_night_are_told_in_one(bench: Bench) -> None:
    """What a night held back comes as one notice that lists all of it, those over among them."""
    bench.recipients = (QUIET,)
    for number in range(3):
        bench.say(numbered(bench.incident, number), NIGHT_MS + number)
    bench.say(ended(numbered(bench.incident, 1)), NIGHT_MS + HOUR)
    bench.look(NIGHT_MS + 7 * HOUR)
    [told] = bench.new()
    assert told.kind is NoticeKind.COLLECTED
    assert [item["incident"]["closed_ms"] is None for item in told.facts["items"]] == [True, False, True]


def test_quiet_hours_never_silence_the_severe(bench: Bench) -> None:
    """Severe from the start or turned severe at 3 in the night: told at once, and so is its end; nothing is doubled."""
    bench.recipients = (QUIET,)
    bench.say(replace(bench.incident, severity=Severity.SEVERE), NIGHT_MS)
    assert bench.kinds() == [("floor", "opened")]
    other = numbered(bench.incident, 1)
    bench.say(other, NIGHT_MS)
    assert bench.kinds() == []
    severe = replace(other, severity=Severity.SEVERE)
    bench.say(severe, NIGHT_MS + HOUR)
    assert bench.kinds() == [("floor", "worse")]
    bench.say(ended(severe), NIGHT_MS + 2 * HOUR)
    assert bench.kinds() == [("floor", "closed")]
    bench.look(NIGHT_MS + 8 * HOUR)
    assert bench.kinds() == []


def test_what_never_was_is_not_told_in_the_morning(bench: Bench) -> None:
    """Held back, and taken back by late readings before anybody was told: nobody is."""
    bench.recipients = (QUIET,)
    bench.say(bench.incident, NIGHT_MS)
    gone = replace(ended(bench.incident), withdrawn_ms=NIGHT_MS + HOUR)
    bench.say(gone, NIGHT_MS + HOUR)
    bench.look(NIGHT_MS + 8 * HOUR)
    assert bench.kinds() == []
    assert {one.state for one in bench.store.read.notices()} == {NoticeState.FOLDED}


def test_severe_goes_to_who_is_on_duty_and_to_all_where_nobody_is(bench: Bench) -> None:
    """With somebody on duty the others are spared until their hours; with nobody on duty everyone is told."""
    day = replace(FLOOR, address="day@example.org", hours=(read_hours("mon-fri 07:00-17:00"),))
    night = replace(FLOOR, address="night@example.org", hours=(read_hours("mon-sun 17:00-24:00"),))
    severe = replace(bench.incident, severity=Severity.SEVERE)
    bench.recipients = (day, night)
    bench.say(severe, NIGHT_MS)
    assert bench.kinds() == [("night", "opened")]
    bench.recipients = (day,)
    bench.say(numbered(severe, 1), NIGHT_MS)
    assert bench.kinds() == [("day", "opened")]


def test_more_than_the_limit_of_an_hour_is_collected(bench: Bench) -> None:
    """Three an hour: the fourth and all after it wait, and come as one that says how many; then it begins anew."""
    bench.recipients = (replace(FLOOR, most_per_hour=3),)
    for number in range(17):
        bench.say(numbered(bench.incident, number), NOON_MS + number * MINUTE)
    assert [one.kind for one in bench.new()] == [NoticeKind.OPENED] * 3
    bench.look(NOON_MS + 59 * MINUTE)
    assert bench.new() == []
    bench.look(NOON_MS + 60 * MINUTE)
    [told] = bench.new()
    assert told.kind is NoticeKind.COLLECTED
    assert len(told.facts["items"]) == 14
    assert len(bench.store.read.incidents()) == 17
    bench.say(numbered(bench.incident, 20), NOON_MS + 62 * MINUTE)
    assert len(bench.new()) == 1


def test_the_severe_has_a_wider_limit(bench: Bench) -> None:
    """Severe ones go on at once past the limit of an hour, up to five times as many."""
    bench.recipients = (replace(FLOOR, most_per_hour=2),)
    for number in range(12):
        bench.say(numbered(bench.incident, number, severity=Severity.SEVERE), NOON_MS + number * MINUTE)
    assert len(bench.new()) == 10


def test_one_cause_is_told_at_once_and_its_others_together(bench: Bench) -> None:
    """Heating off: the first room at once, the others in one notice in its thread within the minute."""
    causes = [
        replace(numbered(bench.incident, n), room=room, cause="heating")
        for n, room in enumerate(("store", "hall", "loft"))
    ]
    for step, one in enumerate(causes):
        bench.say(one, NOON_MS + step * 1000)
    [first] = bench.new()
    assert first.incident == causes[0].id
    bench.look(NOON_MS + MINUTE)
    [joined] = bench.new()
    assert (joined.kind, joined.facts["incidents"]) == (NoticeKind.COLLECTED, [causes[1].id, causes[2].id])
    assert joined.facts["thread"] == causes[0].id
    bench.say(ended(causes[1]), NOON_MS + 2 * HOUR)
    bench.look(NOON_MS + 2 * HOUR + MINUTE)
    [over] = bench.new()
    assert (over.kind, over.facts["thread"]) == (NoticeKind.CLOSED, causes[0].id)


def test_nothing_is_said_as_well_once_the_first_is_over(bench: Bench) -> None:
    """The first room's all-clear goes out in the half minute in which the second waits: "as well" as what?"""
    first, second, third = (
        replace(numbered(bench.incident, n), room=room, cause="heating")
        for n, room in enumerate(("store", "hall", "loft"))
    )
    bench.say(first, NOON_MS)
    bench.say(second, NOON_MS + 1000)
    bench.look(NOON_MS + MINUTE)
    bench.say(third, NOON_MS + 2 * MINUTE)
    bench.say(ended(first), NOON_MS + 2 * MINUTE)
    bench.say(ended(second), NOON_MS + 2 * MINUTE)
    bench.look(NOON_MS + 3 * MINUTE)
    opened = [one for one in bench.new() if one.kind in (NoticeKind.OPENED, NoticeKind.COLLECTED)]
    assert [" as well" in write(one).about for one in opened] == [False, True, False]


def test_a_cause_that_shows_with_the_second_room_still_joins_the_first(bench: Bench) -> None:
    """The first is told before any cause is known: the second, once they share one, is in its thread all the same."""
    first, second = numbered(bench.incident, 0), replace(numbered(bench.incident, 1), room="hall", cause="heating")
    bench.say(first, NOON_MS)
    with bench.store.transaction() as work:
        work.put_incident(replace(first, cause="heating"), at_ms=NOON_MS, by=WATCH)
    bench.say(second, NOON_MS + 14 * MINUTE)
    bench.new()
    bench.look(NOON_MS + 15 * MINUTE)
    [told] = bench.new()
    assert (told.incident, told.kind, told.facts["thread"]) == (second.id, NoticeKind.OPENED, first.id)


def test_what_was_held_back_is_told_as_what_it_is(bench: Bench) -> None:
    """Told in the evening, worse in the night: in the morning it is told as worse than what was known."""
    bench.recipients = (QUIET,)
    slight = replace(bench.incident, severity=Severity.SLIGHT)
    bench.say(slight, NIGHT_MS - 4 * HOUR)
    bench.new()
    bench.say(replace(slight, severity=Severity.SERIOUS), NIGHT_MS)
    assert bench.kinds() == []
    bench.look(NIGHT_MS + 9 * HOUR)
    [told] = bench.new()
    assert (told.kind, told.facts["was_severity"]) == (NoticeKind.WORSE, "slight")


def test_whose_cause_is_held_back_waits_with_it(bench: Bench) -> None:
    """Nobody is told of "the cause of what you were told first" while that first one is itself held back."""
    bench.recipients = (replace(FLOOR, most_per_hour=1),)
    bench.say(numbered(bench.incident, 9), NOON_MS)
    causes = [
        replace(numbered(bench.incident, n), room=room, cause="heating") for n, room in enumerate(("store", "hall"))
    ]
    for step, one in enumerate(causes, 1):
        bench.say(one, NOON_MS + step * 1000)
    assert len(bench.new()) == 1
    bench.look(NOON_MS + 5 * MINUTE)
    assert bench.new() == []
    bench.look(NOON_MS + 60 * MINUTE)
    [told] = bench.new()
    assert (told.kind, told.facts["whys"]) == (NoticeKind.COLLECTED, ["RATE"])
    assert told.facts["incidents"] == [one.id for one in causes]


ESCALATION = (
    FLOOR,
    replace(FLOOR, address="office@example.org", name="Office", after_s=1800.0),
    replace(FLOOR, address="owner@example.org", name="Owner", after_s=3600.0),
)


def test_nobody_answers_and_the_next_is_told_in_order(bench: Bench) -> None:
    """After 30 minutes the office, after 60 the owner, each once; all of them get the end."""
    bench.recipients = ESCALATION
    bench.say(bench.incident, NOON_MS)
    assert bench.kinds() == [("floor", "opened")]
    bench.look(NOON_MS + 29 * MINUTE)
    assert bench.kinds() == []
    bench.look(NOON_MS + 30 * MINUTE)
    [told] = bench.new()
    assert (told.recipient, told.kind, told.facts["told_before"]) == (
        "office@example.org", NoticeKind.UNANSWERED, ["Floor layer"],
    )  # fmt: skip
    bench.look(NOON_MS + 61 * MINUTE)
    assert bench.kinds() == [("owner", "unanswered")]
    bench.look(NOON_MS + 9 * HOUR)
    bench.say(ended(bench.incident), NOON_MS + 9 * HOUR)
    assert bench.kinds() == [("floor", "closed"), ("office", "closed"), ("owner", "closed")]


@pytest.mark.parametrize("answer", ["acknowledged", "over", "quiet"])
def test_an_answer_or_the_end_stops_the_escalation(bench: Bench, answer: str) -> None:
    """Acknowledged, muted or over: nobody further is told."""
    bench.recipients = ESCALATION
    bench.say(bench.incident, NOON_MS)
    with bench.store.transaction() as work:
        if answer == "acknowledged":
            acknowledge(work, bench.incident.id, by=Actor(Where.PAGE, "Floor layer"), now_ms=NOON_MS)
        if answer == "quiet":
            mute(
                work,
                bench.incident.id,
                until_ms=NOON_MS + 9 * HOUR,
                by=Actor(Where.PAGE, "Floor layer"),
                now_ms=NOON_MS,
            )
    if answer == "over":
        bench.say(ended(bench.incident), NOON_MS + MINUTE)
    bench.new()
    bench.look(NOON_MS + 2 * HOUR)
    assert bench.kinds() == []
    assert not bench.store.read.telling_due(NOON_MS + 100 * HOUR)


def test_an_escalation_survives_the_store_being_closed(bench: Bench, tmp_path) -> None:
    """What is to be told later is committed with the incident: opened anew, the store still knows it."""
    bench.recipients = ESCALATION
    bench.say(bench.incident, NOON_MS)
    path = bench.store.path
    bench.store.close()
    with SqliteStore.open(path) as again:
        bench.store, bench.seen = again, 1
        bench.look(NOON_MS + HOUR)
        assert bench.kinds() == [("office", "unanswered"), ("owner", "unanswered")]


def test_escalation_counts_from_when_somebody_could_have_answered(bench: Bench) -> None:
    """Held back over the night, the first is told at six: the office half an hour after that, not in the night."""
    bench.recipients = (QUIET, ESCALATION[1])
    bench.say(bench.incident, NIGHT_MS)
    bench.look(NIGHT_MS + 7 * HOUR)
    assert bench.kinds() == [("floor", "opened")]
    bench.look(NIGHT_MS + 7 * HOUR + 31 * MINUTE)
    assert bench.kinds() == [("office", "unanswered")]


def test_asked_for_quiet_means_quiet_but_for_the_severe_and_the_end(bench: Bench) -> None:
    """Muted: turning serious waits; turning severe does not; when the quiet is over and it is not, that is told."""
    slight = replace(bench.incident, severity=Severity.SLIGHT)
    bench.say(slight, NOON_MS)
    with bench.store.transaction() as work:
        mute(work, slight.id, until_ms=NOON_MS + 4 * HOUR, by=Actor(Where.PAGE, "Floor layer"), now_ms=NOON_MS)
    bench.new()
    bench.say(bench.incident, NOON_MS + HOUR)
    bench.look(NOON_MS + 2 * HOUR)
    assert bench.kinds() == []
    bench.say(replace(bench.incident, severity=Severity.SEVERE), NOON_MS + 3 * HOUR)
    assert bench.kinds() == [("floor", "worse")]
    bench.look(NOON_MS + 4 * HOUR)
    assert bench.kinds() == [("floor", "still")]
    bench.look(NOON_MS + 5 * HOUR)
    assert bench.kinds() == []
    bench.say(ended(bench.incident), NOON_MS + 6 * HOUR)
    assert bench.kinds() == [("floor", "closed")]


def test_the_record_is_pinned_in_every_notice(bench: Bench) -> None:
    """Each notice quotes the newest entry of the record as it stood when it was committed."""
    bench.say(bench.incident, NOON_MS)
    [told] = bench.new()
    assert told.facts["record"] == list(bench.store.read.record_head())


def test_reopened_is_told_again(bench: Bench) -> None:
    """Open, over, open again under the same id: three notices."""
    bench.say(bench.incident, NOON_MS)
    bench.say(ended(bench.incident), NOON_MS + HOUR)
    bench.say(bench.incident, NOON_MS + 2 * HOUR)
    assert [kind for _, kind in bench.kinds()] == ["opened", "closed", "opened"]
