"""How far forwarding has come: what is out and what goes next, how far the engine is behind; and its settings. Pure.

Three lanes take turns, as far as each has something. *Oldest*: the store's changes in the order of commit, everything
up to number `oldest` is out. *Ahead*: with many changes outstanding, after days offline, a second stretch begins close
to the newest one, so that the office sees the present while the rest is still on its way; when the two meet they are
one again. *Past*: what was stored before the store noted changes at all, by its instants.
"""

from __future__ import annotations

import enum
from collections import deque
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, Final, NamedTuple


class Backlog(NamedTuple):
    """When there is a backlog.

    behind: with more changes than this outstanding, the live tail runs ahead of the others.
    tail: how many of the newest changes are the live tail when it begins to.
    """

    behind: int = 10_000
    tail: int = 1_000


USUAL: Final = Backlog()


@dataclass(frozen=True, slots=True)
class ForwarderSettings:
    """How the forwarder goes about it.

    site_id: the site tag.  batch: readings per request.  look_s: how often new readings are looked for.
    settle_s: how long after sending it is read back: longer than the engine keeps acknowledged points in memory only.
    lost_s: what cannot be read back by then is sent again (new series take up to 10 s to become visible).
    tries: what was taken so often and never stored is set aside.  aside_s: how often what is set aside is tried again.
    most_unsettled: points that may be out and not read back; as many again of the newest changes.
    blind_s: after so long an engine that takes what is sent, and cannot be read, is taken at its word.
    backlog: when the newest go first.
    derived: whether derived fields go out beside the measured ones.
    announce_s: how often the site says that it is there.  job_s: how often it says what it is and how its rooms stand,
    though nothing changed.  glance_s: how often it looks whether something has.
    spread: by what share a wait is shortened or lengthened by chance, so that sites that failed together do not return
    together; 0 for none.
    """

    site_id: str
    batch: int = 5000
    look_s: float = 5.0
    settle_s: float = 15.0
    lost_s: float = 60.0
    tries: int = 5
    aside_s: float = 86_400.0
    most_unsettled: int = 100_000
    blind_s: float = 600.0
    backlog: Backlog = USUAL
    derived: bool = True
    announce_s: float = 60.0
    glance_s: float = 15.0
    job_s: float = 900.0
    spread: float = 0.5


class Lane(enum.IntEnum):
    """Where a stretch belongs, in the order of their turns."""

    AHEAD = 0
    OLDEST = 1
    PAST = 2


class Stretch(NamedTuple):
    """What goes next: changes after this number, or, of the past, readings from this instant on (UTC ms)."""

    lane: Lane
    after: int


@dataclass(frozen=True, slots=True)
class Progress:
    """What is out: changes 1 to `oldest`, those with ahead_from < number <= ahead_to where they are set, and of the
    past what is older than `past_from_ms`; the past ends before `past_until_ms`. None where there is no such lane."""

    oldest: int = 0
    ahead_from: int | None = None
    ahead_to: int | None = None
    past_from_ms: int | None = None
    past_until_ms: int | None = None

    def as_json(self) -> dict[str, Any]:
        """Give its JSON form."""
        return asdict(self)

    @staticmethod
    def of(facts: Mapping[str, Any]) -> Progress:
        """Make it of its JSON form; what else stands there is passed over."""
        return Progress(**{name: facts[name] for name in Progress.__slots__})

    def outstanding(self, newest: int) -> int:
        """Give how many changes are not out yet, of `newest` in all; the past does not count."""
        if self.ahead_to is None or self.ahead_from is None:
            return max(0, newest - self.oldest)
        return max(0, self.ahead_from - self.oldest) + max(0, newest - self.ahead_to)


def next_stretch(progress: Progress, newest: int, *, turn: int, backlog: Backlog = USUAL) -> Stretch | None:
    """Give what goes next, or None where everything is out.

    newest: number of the newest change.  turn: counts up, so that no lane waits for another to end.
    """
    lanes = (_ahead(progress, newest, backlog), _oldest(progress, newest), _past(progress))
    begin = turn % len(lanes)
    return next((stretch for stretch in lanes[begin:] + lanes[:begin] if stretch is not None), None)


def next_of_newest(progress: Progress, newest: int, *, backlog: Backlog = USUAL) -> Stretch | None:
    """Give what goes next of the newest changes alone, where there is no room for more of the others."""
    if progress.ahead_to is None and newest - progress.oldest <= backlog.tail:
        return _oldest(progress, newest)
    return _ahead(progress, newest, backlog._replace(behind=backlog.tail))


def _ahead(progress: Progress, newest: int, backlog: Backlog) -> Stretch | None:
    if progress.ahead_to is not None:
        return Stretch(Lane.AHEAD, progress.ahead_to) if newest > progress.ahead_to else None
    return Stretch(Lane.AHEAD, newest - backlog.tail) if newest - progress.oldest > backlog.behind else None


def _oldest(progress: Progress, newest: int) -> Stretch | None:
    return Stretch(Lane.OLDEST, progress.oldest) if newest > progress.oldest else None


def _past(progress: Progress) -> Stretch | None:
    return None if progress.past_from_ms is None else Stretch(Lane.PAST, progress.past_from_ms)


def after_sending(progress: Progress, stretch: Stretch, reached: int) -> Progress:
    """Give the progress once a stretch is out.

    reached: as far as and with this change; of the past, as far as and without this instant.
    """
    if stretch.lane is Lane.PAST:
        is_over = progress.past_until_ms is None or reached >= progress.past_until_ms
        ends = (None, None) if is_over else (reached, progress.past_until_ms)
        return replace(progress, past_from_ms=ends[0], past_until_ms=ends[1])
    if stretch.lane is Lane.AHEAD:
        begun = stretch.after if progress.ahead_from is None else progress.ahead_from
        return replace(progress, ahead_from=begun, ahead_to=max(reached, progress.ahead_to or 0))
    oldest = max(progress.oldest, reached)
    if progress.ahead_from is None or progress.ahead_to is None or oldest < progress.ahead_from:
        return replace(progress, oldest=oldest)
    return replace(progress, oldest=max(oldest, progress.ahead_to), ahead_from=None, ahead_to=None)


MOST_MARKS: Final = 1000


class _Mark(NamedTuple):
    newest: int
    seen_ms: int


class Lag(NamedTuple):
    """How far the engine is behind.

    behind: changes not yet delivered.  lag_s: how old the oldest of them is (s).  set_aside: readings that the engine
    refuses.  past_left_s: how much time of the past, from before the engine was wired, is still to go out (s).
    """

    behind: int
    lag_s: float
    set_aside: int
    past_left_s: float = 0.0


class Lagging:
    """Remembers when each newest change was seen, so that what has arrived tells up to when everything has."""

    def __init__(self) -> None:
        self.newest = 0  # number of the newest change, as last seen
        self.caught_up_ms: int | None = None  # everything that was stored before this instant (ours, UTC) has arrived
        self._marks: deque[_Mark] = deque(maxlen=MOST_MARKS)

    def see(self, newest: int, now_ms: int) -> None:
        """Note the number of the newest change."""
        self.newest = newest
        if not self._marks or self._marks[-1].newest < newest:
            self._marks.append(_Mark(newest, now_ms))

    def arrived(self, settled: Progress) -> None:
        """Note what has arrived."""
        while self._marks and self._marks[0].newest <= settled.oldest:
            self.caught_up_ms = self._marks.popleft().seen_ms

    def idle(self, settled: Progress, now_ms: int) -> None:
        """Note that there was nothing to send just now."""
        if not settled.outstanding(self.newest):
            self.caught_up_ms = now_ms

    def lag(self, settled: Progress, set_aside: int, now_ms: int) -> Lag:
        """Say how far the engine is behind."""
        behind, seen_ms = settled.outstanding(self.newest), self.caught_up_ms
        lag_s = max(0.0, (now_ms - seen_ms) / 1000) if behind and seen_ms is not None else 0.0
        left_ms = (settled.past_until_ms or 0) - (settled.past_from_ms or 0)
        return Lag(behind, round(lag_s, 1), set_aside, round(left_ms / 1000, 1))
