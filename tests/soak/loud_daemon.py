"""`lumberroom run` with a ruler beside it: the daemon of a settings file, and how old each reading was at its commit.

Argument: the settings file. It is put together as `ingest/cli/commands/run.py` does it; only the ruler is added, and
the ruler does not grow: ages fall into bins of a millisecond, up to a minute. On "new" on standard input the ruler
begins anew; on SIGTERM the daemon stops in order, and one line of JSON on standard output says what was measured.
"""

from __future__ import annotations

import asyncio
import json
import sys
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np

from dashboards.services import News
from ingest.cli.commands.run import application, push_application
from ingest.runtime.daemon import Daemon
from ingest.runtime.machine import logs
from ingest.runtime.machine.arenas import bound_arenas
from ingest.runtime.machine.signals import run_until_signal
from ingest.settings.reading import load
from ingest.site.incidents import Incident
from ingest.site.places import Site
from ingest.site.series import ReadingBatch
from ingest.store.api import UnitOfWork

BINS = 60_000


class MeasuredDaemon(Daemon):
    """The daemon; judging notes which instants are about to be committed, publishing that they are."""

    ages = np.zeros(BINS, dtype=np.int64)  # readings by their age at commit (ms); the last bin: that old or older
    _under_way: tuple[np.ndarray[Any, Any], ...] = ()

    def begin_anew(self) -> None:
        """Forget the ages so far."""
        self.ages = np.zeros(BINS, dtype=np.int64)

    def _judge(self, work: UnitOfWork, site: Site, batch: ReadingBatch, now_ms: int) -> list[Incident]:
        self._under_way += (batch.at_ms.copy(),)
        return super()._judge(work, site, batch, now_ms)

    def _publish(self, news: News) -> None:
        under_way, self._under_way = self._under_way, ()
        now_ms = time.time_ns() // 1_000_000
        for at_ms in under_way:
            self.ages += np.bincount(np.clip(now_ms - at_ms, 0, BINS - 1), minlength=BINS)
        super()._publish(news)


def quantile_s(ages: np.ndarray[Any, Any], share: float) -> float:
    """Give the age below which that share of the readings was (s), to a millisecond."""
    return float(np.searchsorted(np.cumsum(ages), share * ages.sum())) / 1000


def listen(daemon: MeasuredDaemon) -> None:
    """Begin anew whenever told to."""
    for line in sys.stdin:
        if line.strip() == "new":
            daemon.begin_anew()


def main(path: Path) -> None:
    """Run until a signal; then say what was measured."""
    wiring = load(path)
    logs.configure("json", secrets=wiring.secrets())
    bound_arenas()
    daemon = MeasuredDaemon(wiring, app_factory=application, push_factory=push_application)
    threading.Thread(target=listen, args=(daemon,), daemon=True).start()
    asyncio.run(run_until_signal(daemon, lambda address: print(address, flush=True)))
    ages = daemon.ages
    lags = {"p50": quantile_s(ages, 0.5), "p99": quantile_s(ages, 0.99), "worst": quantile_s(ages, 1.0)}
    print(json.dumps({"measured": int(ages.sum()), "lag_s": lags}), flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
