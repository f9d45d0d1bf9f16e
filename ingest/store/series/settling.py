"""What follows in the background, as a sequence of bounded steps: sealing, rollups, deleting what is sealed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from ingest.store.series import derived_state, following, sealing, stale
from ingest.store.series.view import View

SEAL_AT: Final = 200_000
"""So many staged readings are sealed in one round; until then they stay as they came."""
SEALED_AT_ONCE: Final = 4_000  # readings in one step


class Settling:
    """The order of the steps. Holds nothing that the file does not say: after a restart it begins a new round."""

    def __init__(self) -> None:
        self._round: list[str] = []  # sensors that this round has still to seal
        self._through = 0
        self._followed = ""

    def step(self, view: View, pressure: Callable[[], float], *, patience: float = 0.0) -> bool:
        """Do one step inside the open transaction; say whether there is more to do at once."""
        note = derived_state.note_for(pressure())
        if derived_state.noted(view.connection) != note:
            derived_state.renew(view.connection, note)
            return True
        if self._round or self._through or self._begin_round(view, patience):
            self._seal_some(view)
            return True
        if sealing.delete_sealed(view.connection):
            return True
        return self._follow_one(view, pressure)

    def _begin_round(self, view: View, patience: float) -> bool:
        waiting = sealing.staged_sensors(view)
        if sum(waiting.values()) <= patience * SEAL_AT:
            return False
        self._round, self._through = sorted(waiting, reverse=True), view.heads.state.top
        return True

    def _seal_some(self, view: View) -> None:
        with sealing.touching_chunks(view):
            count = 0
            while self._round and count < SEALED_AT_ONCE:
                count += max(100, sealing.seal_sensor(view, self._round.pop()))
            if not self._round:
                sealing.note_sealed(view, self._through)
                self._through = 0

    def _follow_one(self, view: View, pressure: Callable[[], float]) -> bool:
        found = stale.next_one(view.connection, self._followed)
        if found is None:
            return False
        self._followed = found[0]
        following.follow(view, *found, pressure)
        return stale.next_one(view.connection, "") is not None
