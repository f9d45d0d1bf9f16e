"""Fold marks: the judging of a room as it stood now and then, so that a late reading is not judged from the beginning.

Judging is a fold: what a room is, is what its readings make of it one after the other. A reading that comes late stands
in the middle of that, so all after it must be folded anew, and that needs the state of just before it. A room that is
in range needs no memory for this (`ingest.watch.window.rejudging` takes it up wherever it was calm), but one that has
been out for three months has been nothing else since. So while an incident is open, the state is put aside every
`EVERY_MS` of event time: a mark. A late reading costs what lies between the mark before it and now.

A mark holds for each sensor how far that one had been judged (its own `last_ms`; sensors do not send in step), and the
room's incident as it was then. It is true as long as nothing comes of any sensor at or before that sensor's place in
it: `standing` lets those fall of which that is no longer so. One thing more can make it untrue, and only judging shows
it: a sensor that lagged behind when the mark was made turns, afterwards, before what the mark's incident had followed
already. Then the judging takes the mark before.

Marks grow sparser with their age, each about as far from the next as that one is old: a dozen reach over years, and
what came late by so much costs at most about twice as much to judge again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

from ingest.watch.window.excursions import incident_id
from ingest.watch.window.judge import SensorState
from ingest.watch.window.memory import RoomMemory, from_json, to_json

EVERY_MS: Final = 6 * 3_600_000
"""How far apart the newest marks are (6 hours of event time; our choice: some ten milliseconds to judge again)."""

_MOST: Final = 16  # which reach over 6 h x 2^14: eleven years


def through_ms(memory: RoomMemory, default: int = 0) -> int:
    """Give the newest instant that was judged of any sensor, `default` where none was."""
    return max((state.last_ms for state in memory.sensors.values() if state.last_ms is not None), default=default)


def marked(memory: RoomMemory) -> RoomMemory:
    """Give a memory with a mark of itself, where its incident is open and the newest mark is long enough ago."""
    if memory.incident is None or not memory.incident.is_open or not _can_be_marked(memory):
        return memory
    if memory.marks and through_ms(memory) - through_ms(memory.marks[-1]) < EVERY_MS:
        return memory
    return replace(memory, marks=sparser([*memory.marks, mark_of(memory)]))


def mark_of(memory: RoomMemory) -> RoomMemory:
    """Give the mark of a memory: only what judging goes on from."""
    incident = memory.incident
    if incident is not None:
        # Under the name of its own instant, as judging makes it: one that moved keeps, in the store, the name it had.
        incident = replace(incident, id=incident_id(incident.room, incident.kind, incident.opened_ms))
    return RoomMemory(
        # The state before the last instant is for completing that instant, which makes the mark fall.
        sensors={name: replace(state, before=None) for name, state in memory.sensors.items()},
        followed=memory.followed,
        incident=incident,
        worst=memory.worst,
        written_step=memory.written_step,
        openings=memory.openings,
        spent=memory.spent,
    )


def _can_be_marked(memory: RoomMemory) -> bool:
    # Without a window for a time, the end of an excursion has the instant of a plan's change and not of a reading.
    whole = all(held.window is not None for held in memory.plan)
    return whole and all(state.last_ms is not None for state in memory.sensors.values())


def standing(memory: RoomMemory, upsets: Callable[[str, SensorState], bool]) -> RoomMemory:
    """Give a memory with those marks that what has come leaves true.

    upsets: tells, of a sensor of which something came, whether it changes what that sensor's state in a mark was made
    of; of any other sensor it is asked as well.
    """
    marks = memory.marks
    while marks and any(upsets(name, state) for name, state in marks[-1].sensors.items()):
        marks = marks[:-1]
    return memory if marks is memory.marks else replace(memory, marks=marks)


def stops(memory: RoomMemory, from_ms: int, to_ms: int) -> list[int]:
    """Give the instants, rising, at which judging again from one instant to another leaves marks."""
    if any(held.window is None for held in memory.plan):
        return []
    found: list[int] = []
    back_ms = EVERY_MS
    while to_ms - back_ms > from_ms:
        found.insert(0, to_ms - back_ms)
        back_ms *= 2
    return found


def sparser(marks: Sequence[RoomMemory]) -> tuple[RoomMemory, ...]:
    """Leave out marks, oldest first, between which there would still be no more time than the younger is old."""
    instants = [through_ms(mark) for mark in marks]
    kept = [len(marks) - 1]
    for number in range(len(marks) - 2, -1, -1):
        next_ms = instants[kept[-1]]
        gap_ms = next_ms - instants[number - 1]
        if number == 0 or gap_ms > max(EVERY_MS, instants[-1] - next_ms):
            kept.append(number)
    return tuple(marks[number] for number in reversed(kept[:_MOST]))


def marks_to_json(marks: Sequence[RoomMemory]) -> dict[str, Any]:
    """Give the JSON form of marks, which stand beside the memory in the store: they are written a few times a day."""
    return {"marks": [to_json(mark) for mark in marks]}


def marks_from_json(facts: Mapping[str, Any] | None) -> tuple[RoomMemory, ...]:
    """Give the marks of such a form; none where it is of another version."""
    marks = tuple(from_json(one) for one in ({} if facts is None else facts).get("marks", ()))
    return marks if all(mark.sensors for mark in marks) else ()
