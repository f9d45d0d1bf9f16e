"""A sign of life: an address asked for at an interval, so that somebody elsewhere notices when it stops coming.

Warnings come from this machine; a machine without power, network or a working watch sends none. What judges the
silence is at the other end. Nothing is told in the request but that it was made, and it is made only while the watch
itself goes round.
"""

from __future__ import annotations

from collections.abc import Callable
from urllib.parse import urlsplit

import structlog

from ingest.clock import Clock
from ingest.notices.channels.web import NoAnswerError, answer

TIMEOUT_S = 15.0

_log = structlog.get_logger("lumberroom.alive")


class SignOfLife:
    """Asks for one address, time and again.  address: http or https.  is_well: whether the watch goes round."""

    def __init__(self, address: str, clock: Clock, is_well: Callable[[], bool]) -> None:
        self._address, self._clock, self._is_well = address, clock, is_well
        self._last_ms: int | None = None
        self._trouble = ""

    async def give(self) -> None:
        """Ask once."""
        if not self._is_well():
            self._trouble = "No sign of life is given: the watch does not go round."
            return
        try:
            status, _ = await answer("GET", self._address, timeout_s=TIMEOUT_S)
        except NoAnswerError as error:
            self._fail(f"The sign of life does not reach {self._host} ({error}).")
            return
        if status >= 400:
            self._fail(f"The sign of life is rejected by {self._host} with {status}. Check its address.")
            return
        self._last_ms, self._trouble = self._clock.now_ms(), ""

    def _fail(self, trouble: str) -> None:
        if trouble != self._trouble:
            _log.warning("no sign of life could be given", reason=trouble)
        self._trouble = trouble

    @property
    def _host(self) -> str:
        # The path of such an address is often its secret.
        return urlsplit(self._address).hostname or ""

    def as_figures(self) -> dict[str, object]:
        """Give JSON-able figures for the health."""
        return {"last_ms": self._last_ms, "trouble": self._trouble}
