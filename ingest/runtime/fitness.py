"""Whether the daemon can do its job: store what comes, in time, and judge it. What it cannot help is trouble, not this.

Whoever restarts a daemon that answers 503 (a container's health check) must not do so because a sensor is unplugged or
a mail server is away: a restart mends neither, and costs readings. So only what is wrong with the daemon itself, its
disk or its machine is a failing; everything else is a trouble, told and not acted upon.
"""

from __future__ import annotations

from typing import Final

from ingest.present.words import duration
from ingest.runtime.intake import IntakeHealth

WAITED_LIMIT_S: Final = 60.0
"""Readings that wait for longer than this to be written say that the machine or its disk does not keep up."""

ROUND_LIMIT_S: Final = 300.0
"""Without a finished round of looking for silence for this long, silent sensors go unnoticed (a round is due every
half minute, and each is a small commit: a store that nobody writes to otherwise is tried in this way as well)."""


def failings(intake: IntakeHealth, *, waited_s: float, round_age_s: float) -> list[str]:
    """Give what keeps the daemon from doing its job at present, a sentence each; empty while it can.

    waited_s: for how long the oldest reading has been waiting to be written.  round_age_s: since when no round of
    looking for silence has finished.  Both in real seconds.
    """
    found = [f"Readings cannot be stored: {intake.store_error}"] if intake.store_error else []
    if waited_s > WAITED_LIMIT_S:
        found.append(
            f"Readings have been waiting to be stored for {duration(waited_s)}: the disk is too slow, or stuck."
        )
    if intake.judging_error:
        found.append(f"Rooms are not judged: a fault in lumberroom ({intake.judging_error}); the log has the trace.")
    if round_age_s > ROUND_LIMIT_S:
        found.append(f"For {duration(round_age_s)} nobody has looked for silent sensors; the log says why.")
    return found
