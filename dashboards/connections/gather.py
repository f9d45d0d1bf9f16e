"""What comes in, what is rejected and why, who is not known, and what does not get out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final

from dashboards.connections.context import AdapterRow, ConnectionsPage, NoticeRow, UnassignedRow
from dashboards.services import AdapterStatus, ForwardingStatus
from dashboards.visit import Visit
from ingest.present import words
from ingest.site.incidents import Notice, NoticeKind, NoticeState

MOST_NOTICES: Final = 100
SHORT_LAG_S: Final = 120.0
"""Readings are on their way for about a minute in ordinary running: no lag worth a word."""

_EACH: Final = ((1.0, "an hour"), (60.0, "a minute"), (3600.0, "a second"))

NOTICE_WORDS: Final = {
    NoticeKind.OPENED: "an incident opened",
    NoticeKind.CLOSED: "an incident is over",
    NoticeKind.WORSE: "an incident turned worse",
    NoticeKind.STILL: "an incident is still open",
    NoticeKind.UNANSWERED: "nobody has answered",
    NoticeKind.COLLECTED: "several incidents",
    NoticeKind.DIGEST: "a digest",
    NoticeKind.MONTH: "a month's summary",
}
"""What a notice tells."""

STATE_WORDS: Final = {
    NoticeState.WAITING: "waiting",
    NoticeState.SENT: "sent",
    NoticeState.REFUSED: "refused",
    NoticeState.HELD: "held back",
    NoticeState.FOLDED: "told together with others",
}
"""How far it has come."""


def connections_page(visit: Visit) -> ConnectionsPage:
    """Gather what comes in and what does not get out."""
    read = visit.services.read
    pending = [*read.notices(state=NoticeState.REFUSED, limit=MOST_NOTICES)]
    pending += read.notices(state=NoticeState.WAITING, limit=MOST_NOTICES)
    pending += read.notices(state=NoticeState.HELD, limit=MOST_NOTICES)
    unassigned = sorted(visit.services.unassigned_sensors().items(), key=lambda item: -item[1])
    return ConnectionsPage(
        shell=visit.shell("Connections", "/connections"),
        adapters=tuple(_adapter(visit, one) for one in visit.services.adapters()),
        unassigned=tuple(UnassignedRow(sensor, visit.ago(at_ms)) for sensor, at_ms in unassigned),
        notices=tuple(_notice(visit, one) for one in pending),
        sent=_sent(read.sent_lately(MOST_NOTICES)),
        forwarding=_forwarding(status := visit.services.forwarding()),
        forwarding_error=status.error if status else "",
    )


def _forwarding(status: ForwardingStatus | None) -> str:
    if status is None:
        return ""
    said = f"To {status.engine}: "
    if status.behind and status.lag_s > SHORT_LAG_S:
        said += f"{status.behind} changes are waiting, the oldest for {words.duration(status.lag_s)}."
    else:
        said += "up to date."
    if status.past_left_s:
        said += f" Of the time before, {words.duration(status.past_left_s)} are still to go out."
    if status.set_aside:
        noun = "reading is" if status.set_aside == 1 else "readings are"
        said += f" {status.set_aside} {noun} set aside because the engine refuses them; they are safe here."
        said += f" Refused last: {status.refused}." if status.refused else ""
    return said


def _sent(times_ms: Sequence[tuple[int, int]]) -> str:
    """Say how many went out and how late.  times_ms: when each was committed and sent."""
    count = len(times_ms)
    if not count:
        return "No alert has gone out yet."
    late_s = sorted(max(sent_ms - created_ms, 0) / 1000 for created_ms, sent_ms in times_ms)
    how_late = f"half of them within {_late(late_s[(count - 1) // 2])}, the latest after {_late(late_s[-1])}"
    said = (
        f"{count} or more alerts have" if count == MOST_NOTICES else f"{count} alert{'s have' if count > 1 else ' has'}"
    )
    return f"{said} gone out; {how_late}." if count > 1 else f"{said} gone out, within {_late(late_s[0])}."


def _late(seconds: float) -> str:
    return "a second" if seconds <= 1 else words.duration(seconds)


def _adapter(visit: Visit, status: AdapterStatus) -> AdapterRow:
    times = {0: "", 1: "restarted once"}.get(status.restarts, f"restarted {status.restarts} times")
    rejected = Counter(dict(status.rejected)).most_common()
    return AdapterRow(
        name=status.name,
        describes=status.describes,
        state=status.state,
        readings=f"{status.readings:,} readings".replace(",", "\u202f"),
        heard=visit.ago(status.last_heard_ms),
        pace=_pace(status.per_hour),
        restarts=times,
        failures={0: "", 1: "failed once"}.get(status.errors, f"failed {status.errors} times"),
        rejected=tuple(f"{reason}: {count}" for reason, count in rejected),
        last_rejected=status.last_rejected,
        error=status.error,
        stated=status.stated,
    )


def _pace(per_hour: float | None) -> str:
    """Say how fast readings come, in the unit that keeps the number short."""
    if not per_hour:
        return "" if per_hour is None else "none in the last hour"
    each, name = next((pair for pair in _EACH if per_hour / pair[0] < 100), _EACH[-1])
    pace = per_hour / each
    return f"about {pace:.0f} {name}" if pace >= 10 else f"about {pace:.2g} {name}"


def _notice(visit: Visit, notice: Notice) -> NoticeRow:
    tried = {0: "not tried yet", 1: "tried once"}.get(notice.attempts, f"tried {notice.attempts} times")
    if notice.state is NoticeState.HELD:
        tried = f"goes out {visit.instant(notice.due_ms)}"
    return NoticeRow(
        number=notice.number,
        what=f"{notice.channel} to {notice.recipient}: {NOTICE_WORDS[notice.kind]}",
        state=STATE_WORDS[notice.state],
        since=visit.instant(notice.created_ms),
        attempts=tried,
        error=notice.last_error,
        is_refused=notice.state is NoticeState.REFUSED,
    )
