"""What goes next: nothing is left out, nothing waits for ever, whatever fails in between."""

from __future__ import annotations

import random

from hypothesis import given
from hypothesis import strategies as st

from ingest.central.progress import BEHIND, TAIL, Progress, after_sending, next_stretch


def test_in_quiet_times_there_is_one_stretch_after_the_other() -> None:
    """A few outstanding changes go out in their order, and then there is nothing."""
    progress = Progress(10)
    stretch = next_stretch(progress, 14, tails_turn=True)
    assert stretch == (10, False)
    progress = after_sending(progress, stretch, 14)
    assert progress == Progress(14)
    assert next_stretch(progress, 14, tails_turn=True) is None


def test_with_a_long_backlog_the_tail_takes_every_other_turn() -> None:
    """The newest go first, then the oldest; when both meet they are one again."""
    newest = BEHIND + 5000
    first = next_stretch(Progress(), newest, tails_turn=True)
    assert first == (newest - TAIL, True)
    progress = after_sending(Progress(), first, newest)
    assert progress.outstanding(newest) == newest - TAIL
    assert next_stretch(progress, newest + 3, tails_turn=True) == (newest, True)
    assert next_stretch(progress, newest + 3, tails_turn=False) == (0, False)
    assert next_stretch(progress, newest, tails_turn=True) == (0, False), "nothing new: the backlog takes both turns"
    oldest = next_stretch(progress, newest, tails_turn=False)
    assert oldest is not None
    met = after_sending(progress, oldest, newest - TAIL)
    assert met == Progress(newest)


@given(st.integers(0, 2**32))
def test_every_change_goes_out_whatever_happens(seed: int) -> None:
    """Batches of any size, failures, restarts from the last saved progress, new changes meanwhile: all goes out."""
    chance = random.Random(seed)
    newest, out = chance.randint(0, 3 * BEHIND), set[tuple[int, int]]()
    progress = saved = Progress()
    for turn in range(400):
        newest += chance.randint(0, 300) if turn < 200 else 0
        stretch = next_stretch(progress, newest, tails_turn=bool(turn % 2))
        if stretch is None:
            if turn >= 200:
                break
            continue
        what = chance.random()
        if what < 0.1:
            continue  # it could not be sent
        if what < 0.15:
            progress = saved  # we were killed
            continue
        reached = min(newest, stretch.after + chance.randint(200, 5000))
        out.add((stretch.after, reached))
        progress = after_sending(progress, stretch, reached)
        if what < 0.6:
            saved = progress
    assert progress == Progress(newest)
    covered = 0
    for after, reached in sorted(out):
        assert after <= covered
        covered = max(covered, reached)
    assert covered == newest


def test_progress_survives_as_json() -> None:
    """What is saved is what is read."""
    for progress in (Progress(), Progress(5), Progress(5, 100, 200)):
        assert Progress.of(progress.as_json()) == progress
