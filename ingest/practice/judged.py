"""When a room's air was within its bounds, outside them, or not known: the room as bad as its worst sensor. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from ingest.practice.held import ABOVE, BELOW, INSIDE, UNKNOWN, Codes, Flags, judged_steps
from ingest.practice.room_air import RoomAir
from ingest.site.places import AcclimationWindow, Bounds
from ingest.site.series import Floats, Int64s, Span
from ingest.watch.window.plan import Plan

SIDES: Final = {"below": BELOW, "above": ABOVE}
"""The two ways past a bound, by the word that is said."""

WITHOUT_WINDOW: Final = ("temperature_c", "rh_percent")
"""What must be told for a stretch to count as known where no window says what is judged."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """A stretch cut where anything changes: piece i spans edges_ms[i] <= t < edges_ms[i + 1].

    edges_ms: int64 (n + 1,).  codes: per quantity, int8 (s, n), a row for each sensor.
    within, outside: bool (n,), of the room; where neither is true, it is not known.
    """

    edges_ms: Int64s
    codes: Mapping[str, Codes]
    within: Flags
    outside: Flags

    def lasting_ms(self, flags: Flags, part: Span) -> int:
        """Give for how long the flags (bool (n,)) are true in a part that begins and ends at an edge."""
        pieces = self._pieces(part)
        return int(np.diff(self.edges_ms)[pieces][flags[pieces]].sum())

    def longest(self, flags: Flags, part: Span) -> Span | None:
        """Give the longest stretch without a break for which the flags are true in a part, the first of several."""
        pieces = self._pieces(part)
        padded = np.concatenate(([False], flags[pieces], [False]))
        begins = np.flatnonzero(padded[1:] & ~padded[:-1]) + pieces.start
        ends = np.flatnonzero(~padded[1:] & padded[:-1]) + pieces.start
        if not len(begins):
            return None
        which = int(np.argmax(self.edges_ms[ends] - self.edges_ms[begins]))
        return Span(int(self.edges_ms[begins[which]]), int(self.edges_ms[ends[which]]))

    def at(self, flags: Flags, at_ms: int) -> bool:
        """Say whether the flags (bool (n,)) are true at an instant of the stretch."""
        return bool(flags[np.searchsorted(self.edges_ms, at_ms, side="right") - 1])

    def shares(self, flags: Flags, parts_ms: Int64s) -> Floats:
        """Give the share of each part for which the flags (bool (n,)) are true, 0 to 1.

        parts_ms: int64 (m + 1,), each at an edge, strictly rising.  Returns float64 (m,).
        """
        lengths_ms = np.where(flags, np.diff(self.edges_ms), 0)
        share: Floats = np.add.reduceat(lengths_ms, np.searchsorted(self.edges_ms, parts_ms[:-1])) / np.diff(parts_ms)
        return share

    def told(self, quantity: str) -> Flags:
        """Say where any sensor tells a quantity (bool (n,))."""
        flags: Flags = (self.codes[quantity] != UNKNOWN).any(axis=0)
        return flags

    def beyond(self, quantity: str, side: str) -> Flags:
        """Say where any sensor is beyond the bound on one side (bool (n,))."""
        flags: Flags = (self.codes[quantity] == SIDES[side]).any(axis=0)
        return flags

    def _pieces(self, part: Span) -> slice:
        first, last = np.searchsorted(self.edges_ms, part)
        return slice(int(first), int(last))


def stretches(plan: Plan, part: Span) -> list[tuple[AcclimationWindow | None, Span]]:
    """Give the windows of a plan that hold in a part, in order, each with its stretch of it."""
    begins = [*(held.from_ms for held in plan[1:]), part.to_ms]
    cut = [
        (held.window, Span(max(held.from_ms, part.from_ms), min(max(end, part.from_ms), part.to_ms)))
        for held, end in zip(plan, begins, strict=True)
    ]
    return [(window, span) for window, span in cut if span.from_ms < span.to_ms]


def judge(air: RoomAir, plan: Plan, cuts_ms: Int64s) -> Judgement:
    """Judge a room's air, each instant by the window that a plan has for it.

    plan: a window that is None bounds nothing, so that known air is within.  cuts_ms: int64, instants in the stretch at
    which it is cut as well, so that parts can be asked about; it is cut where the window changes, too.
    """
    held = stretches(plan, Span(air.from_ms, air.to_ms))
    cuts_ms = np.concatenate([cuts_ms, np.array([span.from_ms for _, span in held], dtype=np.int64)])
    judged = [_judge(air, window, cuts_ms) for window, _ in held]
    if len(judged) == 1:
        return judged[0]
    # Where a value leaves one window it need not leave another: once more, all cut alike, to be put side by side.
    edges_ms = np.unique(np.concatenate([one.edges_ms for one in judged]))
    judged = [_judge(air, window, edges_ms) for window, _ in held]
    which = np.searchsorted([span.from_ms for _, span in held], edges_ms[:-1], side="right") - 1
    return Judgement(
        edges_ms,
        {name: np.choose(which, [one.codes[name] for one in judged]).astype(np.int8) for name in judged[0].codes},
        np.choose(which, [one.within for one in judged]),
        np.choose(which, [one.outside for one in judged]),
    )


def _judge(air: RoomAir, window: AcclimationWindow | None, cuts_ms: Int64s) -> Judgement:
    bounds: Mapping[str, Bounds] = {} if window is None else window.bounds()
    steps = {
        name: [judged_steps(one, bounds.get(name), air.from_ms) for one in series]
        for name, series in air.series.items()
    }
    changes = [one.at_ms for rows in steps.values() for one in rows]
    edges_ms = np.unique(np.concatenate([np.array([air.from_ms, air.to_ms], dtype=np.int64), cuts_ms, *changes]))
    edges_ms = edges_ms[(edges_ms >= air.from_ms) & (edges_ms <= air.to_ms)]
    shape = (-1, len(edges_ms) - 1)
    codes = {
        name: np.array([one.at(edges_ms[:-1]) for one in rows], dtype=np.int8).reshape(shape)
        for name, rows in steps.items()
    }
    outside_by = np.any([(code == BELOW) | (code == ABOVE) for code in codes.values()], axis=0)
    inside_by = np.all([codes[name] == INSIDE for name in bounds or WITHOUT_WINDOW], axis=0)
    outside = outside_by.any(axis=0)
    return Judgement(edges_ms, codes, inside_by.any(axis=0) & ~outside, outside)
