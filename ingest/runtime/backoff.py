"""How long to wait before trying again: doubling with jitter, forgotten after a healthy while."""

from __future__ import annotations

import random
from typing import Final

FIRST_S: Final = 1.0
LONGEST_S: Final = 60.0
HEALTHY_S: Final = 60.0
"""A run that was healthy for this long starts from the first wait again."""


class BackOff:
    """Waits of 1, 2, 4 ... 60 s, each spread over its upper half, so that many that failed together do not return
    together."""

    def __init__(self, chance: random.Random | None = None, *, longest_s: float = LONGEST_S) -> None:
        self._chance = chance or random.Random()  # noqa: S311 -- spreading, not secrecy
        self._longest_s = longest_s
        self._step_s = FIRST_S

    def next_s(self, longest_s: float | None = None) -> float:
        """Give the next wait in seconds, between half of its step and all of it, never below 1 s.

        longest_s: the longest step after this failure, where it differs from the usual. A failure whose waits are
        longer, after many whose waits are short, goes on from the short ones.
        """
        longest_s = self._longest_s if longest_s is None else longest_s
        step_s = min(longest_s, self._step_s)
        self._step_s = min(longest_s, step_s * 2.0)
        return max(FIRST_S, step_s * self._chance.uniform(0.5, 1.0))

    def went_well(self) -> None:
        """Start from the first wait again."""
        self._step_s = FIRST_S
