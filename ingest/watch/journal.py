"""An incident's journal: every state that it was in and every action, as the record has them, a line each. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from ingest.present import life_words, words
from ingest.site.actor import Actor
from ingest.site.handling import Action, Handling
from ingest.site.incidents import Incident
from ingest.store.record.plain import from_plain
from ingest.store.record.records import Entry
from ingest.watch.severity import RANK


@dataclass(frozen=True, slots=True)
class Line:
    """One entry of the record, in words.

    number, hash: of the entry in the record, which is one chain over everything.  at_ms: when it was written (our
    clock, UTC).  by: who, in words.  what: what happened.  note: words that somebody left, or empty.  is_news: more
    has happened than that worst value and sum grew.
    """

    number: int
    at_ms: int
    by: str
    what: str
    note: str
    hash: str
    is_news: bool = True


def journal(states: Sequence[Entry], actions: Sequence[Entry], time_zone: str) -> list[Line]:
    """Give an incident's journal, oldest first.

    states, actions: its entries of kind "incident" and "handling".  time_zone: of the site, for instants in the words.
    """
    return sorted([*_states(states), *_actions(actions, time_zone)], key=lambda line: line.number)


def _states(entries: Sequence[Entry]) -> Iterable[Line]:
    was: Incident | None = None
    for entry in entries:
        now = from_plain(Incident, entry.body)
        news = _changed(was, now)
        what = words.sentence("; ".join(news) or "figures brought up to date")
        yield Line(entry.number, entry.at_ms, Actor.of(entry.by).words, what, "", entry.hash, bool(news))
        was = now


def _changed(was: Incident | None, now: Incident) -> list[str]:
    """Say what a state of the incident has that the one before had not; nothing where only figures grew."""
    severity = life_words.SEVERITY_WORDS[now.severity]
    if now.withdrawn_ms is not None:
        return ["taken back: readings that came late show that it did not happen so"]
    if was is None:
        return [f"opened, {severity}" if now.is_open else f"opened and over, {severity}"]
    told = []
    if now.severity is not was.severity:
        told.append(f"{'more' if RANK[now.severity] > RANK[was.severity] else 'less'} severe: {severity}")
    if now.is_open is not was.is_open:
        told.append("going on again" if now.is_open else "over")
    if now.revised_ms != was.revised_ms:
        told.append("revised, because readings came late")
    if now.cause != was.cause:
        told.append("one cause with others" if now.cause else "no longer one cause with others")
    return told


def _actions(entries: Sequence[Entry], time_zone: str) -> Iterable[Line]:
    before = ""
    for entry in entries:
        now = from_plain(Handling, entry.body)
        what = "handled" if now.action is None else life_words.ACTION_WORDS[now.action]
        if now.action is Action.MUTED and now.muted_until_ms is not None:
            what = f"{what} until {words.instant(now.muted_until_ms, time_zone)}"
        left = now.note if now.note != before or now.action in (Action.NOTED, Action.CLOSED) else ""
        yield Line(entry.number, entry.at_ms, Actor.of(entry.by).words, words.sentence(what), left, entry.hash)
        before = now.note
