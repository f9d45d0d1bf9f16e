"""What goes next: nothing is left out, nothing waits for ever, whatever fails in between."""

from __future__ import annotations

import random
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from ingest.central.progress import USUAL, Lane, Progress, Stretch, after_sending, next_of_newest, next_stretch

BEHIND, TAIL = USUAL


def test_in_quiet_times_there_is_one_stretch_after_the_other() -> None:
    """A few outstanding changes go out in their order, and then there is nothing, whoever's turn it is."""
    for turn in range(3):
        stretch = next_stretch(Progress(10), 14, turn=turn)
        assert stretch == Stretch(Lane.OLDEST, 10)
        assert after_sending(Progress(10), stretch, 14) == Progress(14)
        assert next_stretch(Progress(14), 14, turn=turn) is None


def test_with_a_long_backlog_the_tail_the_oldest_and_the_past_take_turns() -> None:
    """Each lane that has something comes within three turns; when tail and oldest meet they are one again."""
    newest = BEHIND + 5000
    progress = Progress(past_from_ms=100, past_until_ms=900)
    first = next_stretch(progress, newest, turn=0)
    assert first == Stretch(Lane.AHEAD, newest - TAIL)
    progress = after_sending(progress, first, newest)
    assert progress.outstanding(newest) == newest - TAIL
    lanes = [stretch.lane for turn in range(1, 4) if (stretch := next_stretch(progress, newest + 3, turn=turn))]
    assert lanes == [Lane.OLDEST, Lane.PAST, Lane.AHEAD]
    assert next_stretch(progress, newest, turn=3) == Stretch(Lane.OLDEST, 0), "nothing new: its turn goes to the next"
    met = after_sending(progress, Stretch(Lane.OLDEST, 0), newest - TAIL)
    assert met == Progress(newest, past_from_ms=100, past_until_ms=900)
    assert after_sending(met, Stretch(Lane.PAST, 100), 900) == Progress(newest)


def test_without_room_only_the_newest_changes_go_on() -> None:
    """Few outstanding changes go in their order, of many the tail; nothing of the past, nor of the backlog."""
    assert next_of_newest(Progress(10, past_from_ms=0, past_until_ms=9), 14) == Stretch(Lane.OLDEST, 10)
    many = Progress(10, past_from_ms=0, past_until_ms=9)
    tail = next_of_newest(many, 5000)
    assert tail == Stretch(Lane.AHEAD, 5000 - TAIL)
    many = after_sending(many, tail, 5000)
    assert next_of_newest(many, 5000) is None
    assert next_of_newest(many, 5007) == Stretch(Lane.AHEAD, 5000)


@given(st.integers(0, 2**32))
def test_every_change_goes_out_whatever_happens(seed: int) -> None:
    """Batches of any size, failures, restarts from the last saved progress, new changes meanwhile: all goes out."""
    chance = random.Random(seed)
    newest, out = chance.randint(0, 3 * BEHIND), set[tuple[Stretch, int]]()
    progress = saved = Progress(past_from_ms=0, past_until_ms=chance.randint(1, 10**6))
    until_ms = progress.past_until_ms
    for turn in range(900):
        newest += chance.randint(0, 300) if turn < 200 else 0
        is_full = turn < 600 and chance.random() < 0.3  # there is room for the newest only
        stretch = next_of_newest(progress, newest) if is_full else next_stretch(progress, newest, turn=turn)
        what = chance.random()
        if stretch is None or what < 0.1:
            continue  # nothing to do, or it could not be sent
        if what < 0.15:
            progress = saved  # we were killed
            continue
        reached = stretch.after + chance.randint(200, 5000) * (10 if stretch.lane is Lane.PAST else 1)
        reached = reached if stretch.lane is Lane.PAST else min(newest, reached)
        out.add((stretch, reached))
        progress = after_sending(progress, stretch, reached)
        if what < 0.6:
            saved = progress
    assert progress == Progress(newest)
    assert _covered([(s.after, to) for s, to in out if s.lane is not Lane.PAST]) == newest
    assert _covered([(s.after, to) for s, to in out if s.lane is Lane.PAST]) >= (until_ms or 0)


def _covered(stretches: list[tuple[int, int]]) -> int:
    """Give how far from 0 these stretches reach without a hole."""
    covered = 0
    for after, reached in sorted(stretches):
        assert after <= covered
        covered = max(covered, reached)
    return covered


def test_progress_survives_as_json() -> None:
    """What is saved is what is read, whatever else stands beside it."""
    for progress in (Progress(), Progress(5, 100, 200), Progress(5, past_from_ms=1, past_until_ms=2)):
        assert Progress.of({**progress.as_json(), "caught_up_ms": 7}) == replace(progress)
