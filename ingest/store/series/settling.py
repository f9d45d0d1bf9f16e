"""What follows in the background, as a sequence of bounded steps: sealing, rollups, deleting what is sealed.

A step is worked out on a snapshot, beside whoever stores and reads, and written in a short transaction: if sealed data
changed between the two (`state.generation`), nothing is written and the step is taken again.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, NamedTuple

from ingest.store.series import following, sealing, stale
from ingest.store.series.following import Following
from ingest.store.series.sealing import Sealing
from ingest.store.series.view import View

SEAL_AT: Final = 200_000
"""So many staged readings are sealed in one round; until then they stay as they came."""
TOO_MANY: Final = 1_000_000
"""With more staged than this the keeper waits for nobody: what is staged is held in memory too."""
SEALED_AT_ONCE: Final = 1_000  # readings in one step


class Planned(NamedTuple):
    """A step that was worked out: of which generation, and what it seals or rolls up."""

    generation: int
    renewed: str
    sealings: list[Sealing]
    sealed_through: int
    following: Following | None


class Settling:
    """The order of the steps. Holds nothing that the file does not say: after a restart it begins a new round."""

    def __init__(self) -> None:
        self._round: list[str] = []  # sensors that this round has still to seal
        self._through = 0  # the batch up to which it seals, 0 between rounds
        self._followed = ""
        self._few_at = 0  # so many were held when it was last found that too few of them wait

    def plan(self, view: View, pressure: Callable[[], float], *, patience: float = 0.0) -> Planned:
        """Work out the next step. Only reads."""
        nothing = Planned(view.heads.state.generation, "", [], 0, None)
        note = stale.derived_as_now(pressure())
        if stale.derived_as(view.connection) != note:
            return nothing._replace(renewed=note)
        if self._round or self._through or self._begin_round(view, patience):
            return self._plan_sealing(view, nothing)
        found = stale.next_one(view.connection, self._followed)
        if found is None:
            return nothing
        self._followed = found[0]
        return nothing._replace(following=following.plan(view, *found, pressure))

    def write(self, view: View, planned: Planned) -> bool:
        """Write a step inside the open transaction; say whether there is more to do at once."""
        if view.heads.state.generation != planned.generation:
            self.begin_anew()
            return True
        if planned.renewed:
            stale.begin_derived_anew(view.connection, planned.renewed)
            return True
        if planned.sealings or planned.sealed_through:
            sealing.write_all(view, planned.sealings)
            if planned.sealed_through:
                sealing.note_sealed(view, planned.sealed_through)
            return True
        more = sealing.delete_sealed(view.connection)
        if planned.following is not None:
            following.write(view, planned.following)
        return more or stale.next_one(view.connection, "") is not None

    def begin_anew(self) -> None:
        """Forget the round that is under way: a step of it was worked out and could not be written."""
        self._round, self._through = [], 0

    def _begin_round(self, view: View, patience: float) -> bool:
        held = view.tail.count()
        if held <= patience * SEAL_AT:
            return False
        # Of what is held some may be sealed already. To find out is to go through all of it: not at every step.
        if 0 <= held - self._few_at < patience * SEAL_AT / 20:
            return False
        waiting = sealing.staged_sensors(view)
        if sum(waiting.values()) <= patience * SEAL_AT:
            self._few_at = held
            return False
        self._few_at = 0
        self._round, self._through = sorted(waiting, reverse=True), view.heads.state.top
        return True

    def _plan_sealing(self, view: View, nothing: Planned) -> Planned:
        sealings: list[Sealing] = []
        while self._round and sum(max(100, one.readings) for one in sealings) < SEALED_AT_ONCE:
            sealings.append(sealing.plan(view, self._round.pop()))
        through = 0
        if not self._round:
            through, self._through = self._through, 0
        return nothing._replace(sealings=sealings, sealed_through=through)
