"""How a forwarder goes about its work, as numbers with their reasons."""

from __future__ import annotations

from dataclasses import dataclass

from ingest.central.progress import USUAL, Backlog


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
