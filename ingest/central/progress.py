"""Which changes have gone out and which go next: oldest first, and the live tail beside them. Pure.

Changes have rising numbers. Everything up to `oldest` is out. After days offline there is a backlog: then a second
stretch runs ahead, from close to the newest change onwards, so that the office sees the present while the past is
still on its way; the two take turns. When the first meets the second, they are one again.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, NamedTuple

BEHIND: Final = 20_000
"""With more changes than this outstanding, the live tail runs ahead of the backlog."""

TAIL: Final = 2_000
"""How many of the newest changes are the live tail when it begins to run ahead."""


@dataclass(frozen=True, slots=True)
class Progress:
    """What is out: changes 1 to `oldest`, and those with ahead_from < number <= ahead_to where they are set."""

    oldest: int = 0
    ahead_from: int | None = None
    ahead_to: int | None = None

    def as_json(self) -> dict[str, Any]:
        """Give its JSON form."""
        return {"oldest": self.oldest, "ahead_from": self.ahead_from, "ahead_to": self.ahead_to}

    @staticmethod
    def of(facts: dict[str, Any] | None) -> Progress:
        """Make it of its JSON form; None is the beginning."""
        return Progress() if facts is None else Progress(facts["oldest"], facts["ahead_from"], facts["ahead_to"])

    def outstanding(self, newest: int) -> int:
        """Give how many changes are not out yet, of `newest` in all."""
        if self.ahead_to is None or self.ahead_from is None:
            return max(0, newest - self.oldest)
        return max(0, self.ahead_from - self.oldest) + max(0, newest - self.ahead_to)


class Stretch(NamedTuple):
    """What goes next: changes after this number.  ahead: of the live tail that runs ahead."""

    after: int
    ahead: bool


def next_stretch(progress: Progress, newest: int, *, tails_turn: bool) -> Stretch | None:
    """Give what goes next, or None where everything is out.

    newest: number of the newest change.  tails_turn: whether the live tail may go first this time.
    """
    if progress.ahead_to is not None:
        tail_waits = newest > progress.ahead_to
        return Stretch(progress.ahead_to, True) if tail_waits and tails_turn else Stretch(progress.oldest, False)
    if newest <= progress.oldest:
        return None
    if tails_turn and newest - progress.oldest > BEHIND:
        return Stretch(newest - TAIL, True)
    return Stretch(progress.oldest, False)


def after_sending(progress: Progress, stretch: Stretch, reached: int) -> Progress:
    """Give the progress once the stretch is out as far as and with change number `reached`."""
    if stretch.ahead:
        begun = stretch.after if progress.ahead_from is None else progress.ahead_from
        return Progress(progress.oldest, begun, max(reached, progress.ahead_to or 0))
    oldest = max(progress.oldest, reached)
    if progress.ahead_from is None or progress.ahead_to is None or oldest < progress.ahead_from:
        return Progress(oldest, progress.ahead_from, progress.ahead_to)
    return Progress(max(oldest, progress.ahead_to))
