"""What one snapshot of the file sees of the series: its heads, what is staged, and the memory of unpacked chunks."""

from __future__ import annotations

import sqlite3
import threading
from collections import OrderedDict, deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from ingest.store.series import heads as heads_of
from ingest.store.series import staging
from ingest.store.series.heads import Heads
from ingest.store.series.staging import Staged
from ingest.store.series.tail import Tail

REMEMBERED_BYTES: Final = 24 * 1024 * 1024
MOST_DAMAGE: Final = 1000
"""So many sentences about damage are kept for the pages: on a failing disk every chunk may bring one."""


class Unpacked:
    """The chunks and rollups that were unpacked last. A row of theirs never changes: a new one takes its place."""

    def __init__(self, limit_bytes: int = REMEMBERED_BYTES) -> None:
        self._limit = limit_bytes
        self._held: OrderedDict[tuple[object, ...], tuple[Any, int]] = OrderedDict()
        self._size = 0
        self._lock = threading.Lock()

    def __len__(self) -> int:
        return len(self._held)

    def get(self, name: tuple[object, ...]) -> Any:
        """Give what is held under a name, or None."""
        with self._lock:
            found = self._held.get(name)
            if found is None:
                return None
            self._held.move_to_end(name)
            return found[0]

    def put(self, name: tuple[object, ...], value: Any, size: int) -> None:
        """Hold something, and let go of what was not asked for longest."""
        with self._lock:
            if name in self._held or size > self._limit // 4:
                return
            self._held[name] = (value, size)
            self._size += size
            while self._size > self._limit:
                _, (_, gone) = self._held.popitem(last=False)
                self._size -= gone


def _go_on() -> None:
    """Wait for nobody."""


@dataclass(slots=True)
class View:
    """One snapshot.

    own: what the unit of work that is open here has staged itself.  unpacked: None where chunks may be seen that are
    not committed.  on_damage: told of each chunk or rollup that is damaged, as a sentence.  pending: blocks of rollups
    that were worked out here and are not written yet, by series id, quantity and begin.  give_way: called between small
    pieces of work; waits where this work comes second.  rewrote: by sensor, from which instant on the unit of work that
    is open here wrote into the past.
    """

    connection: sqlite3.Connection
    heads: Heads
    tail: Tail
    unpacked: Unpacked | None
    on_damage: Callable[[str], None]
    own: list[Staged] = field(default_factory=list)
    pending: dict[tuple[int, str, int], Any] = field(default_factory=dict)
    give_way: Callable[[], None] = _go_on
    rewrote: dict[str, int] = field(default_factory=dict)

    def staged(self, series_id: int) -> Staged:
        """Give what is staged of a series and not sealed, by instant and number; of one instant the last counts."""
        self.give_way()
        after, state = int(self.heads.sealed_through[series_id]), self.heads.state
        found = self.tail.of_series(series_id, after, state.top)
        if self.tail.low > state.sealed:
            # Sealed meanwhile and forgotten, but not for this snapshot: it unpacks for itself.
            self.tail = Tail(state.sealed)
            self.tail.catch_up(self.connection, state.top)
            found = self.tail.of_series(series_id, after, state.top)
        own = [staging.chosen(batch, batch.series == series_id) for batch in self.own]
        return staging.joined([found, *own])

    def has_staged(self, series_id: int) -> bool:
        """Say whether something may be staged of a series."""
        return bool(self.own) or self.heads.state.top > max(
            self.heads.state.sealed, int(self.heads.sealed_through[series_id])
        )

    def key_name(self, series_id: int) -> str:
        """Name a series in a sentence."""
        key = self.heads.keys[series_id]
        return f"series {series_id}" if key is None else f"{key.quantity} of {key.sensor}"


MOST_NOTED: Final = 10_000


class Rewritings:
    """Which sensors' past was written into: what was computed from readings may be kept until it no longer holds.

    Nearly all readings are newer than what their series has, and leave the past as it is. Those that are not (late
    ones, corrections) are noted here, in the memory of the one process that writes; a reader's process knows nothing of
    them. Safe from any thread.
    """

    def __init__(self, most: int = MOST_NOTED) -> None:
        self._most = most
        self._lock = threading.Lock()
        self._notes: deque[tuple[str, int]] = deque()
        self._forgotten = 0  # how many notes were let go of

    def note(self, earliest_ms: Mapping[str, int]) -> None:
        """Note what a committed unit of work wrote into the past: by sensor, from which instant on."""
        with self._lock:
            self._notes.extend(earliest_ms.items())
            while len(self._notes) > self._most:
                self._notes.popleft()
                self._forgotten += 1

    def since(self, mark: int) -> tuple[int, dict[str, int] | None]:
        """Give the mark to ask with next, and from which instant on each sensor's past was written into since a mark.

        mark: 0 at first.  None where that is no longer known: anything may have been.
        """
        with self._lock:
            through = self._forgotten + len(self._notes)
            if mark < self._forgotten:
                return through, None
            earliest: dict[str, int] = {}
            for number in range(mark - self._forgotten, len(self._notes)):
                sensor, at_ms = self._notes[number]
                earliest[sensor] = min(at_ms, earliest.get(sensor, at_ms))
            return through, earliest


class Memory:
    """What all snapshots of one store in one process share."""

    def __init__(self) -> None:
        self.unpacked = Unpacked()
        self.rewritings = Rewritings()
        self.damage: dict[str, None] = {}
        self._lock = threading.Lock()
        self._heads: Heads | None = None
        self._tail: Tail | None = None

    def view(self, connection: sqlite3.Connection) -> View:
        """Give what this snapshot sees; nothing in it may be uncommitted."""
        state = heads_of.state_of(connection)
        with self._lock:
            tail = self._tail_for(connection, state)
            heads = self._heads
            if heads is None or heads.state != state:
                heads = self._heads_for(connection, state, tail)
                if self._heads is None or state.generation >= self._heads.state.generation:
                    self._heads = heads
        return View(connection, heads, tail, self.unpacked, self.note_damage)

    def publish(self, view: View) -> None:
        """Take over what a unit of work has just committed, so that nobody need unpack it."""
        self.rewritings.note(view.rewrote)
        with self._lock:
            if self._tail is None:
                return
            for batch in view.own:
                self._tail.add(batch, int(batch.number[0]))
            newest = self._heads is None or view.heads.state >= self._heads.state
            if newest and self._tail.high == view.heads.state.top:
                self._heads = view.heads

    def staged(self) -> int:
        """Give how many staged readings are held."""
        with self._lock:
            return 0 if self._tail is None else self._tail.count()

    def generation(self) -> int:
        """Give the newest generation of sealed data that was seen; 0 before anybody looked."""
        with self._lock:
            return 0 if self._heads is None else self._heads.state.generation

    def note_damage(self, sentence: str) -> None:
        """Remember that something is damaged; of very much only the first: `doctor` finds all of it."""
        if len(self.damage) < MOST_DAMAGE:
            self.damage[sentence] = None

    def _tail_for(self, connection: sqlite3.Connection, state: heads_of.State) -> Tail:
        if self._tail is None:
            self._tail = Tail(state.sealed)
        if state.sealed < self._tail.low:
            # A snapshot from before batches were sealed that are forgotten here: it unpacks for itself.
            old = Tail(state.sealed)
            old.catch_up(connection, state.top)
            return old
        self._tail.catch_up(connection, state.top)
        self._tail.forget(state.sealed)
        return self._tail

    def _heads_for(self, connection: sqlite3.Connection, state: heads_of.State, tail: Tail) -> Heads:
        known = self._heads
        if known is not None and known.state[:2] == state[:2] and known.state.top < state.top:
            return heads_of.advanced(known, tail.all(known.state.top, state.top), state.top)
        fresh = heads_of.load(connection, state)
        return heads_of.advanced(fresh, tail.all(state.sealed, state.top), state.top)
