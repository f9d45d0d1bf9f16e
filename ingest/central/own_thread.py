"""One thread of its own for work that may hang on a network: it holds up no other thread's work, nor the daemon's end.

`asyncio.to_thread` shares its threads with everyone, and the interpreter waits for them when it ends; an HTTP request
to a dead server would keep both waiting.
"""

from __future__ import annotations

import asyncio
import contextlib
import queue
import threading
from collections.abc import Callable
from typing import Any, TypeVar

T = TypeVar("T")


class OwnThread:
    """Runs one piece of work after another. Use it from one event loop; `close` when done."""

    def __init__(self, name: str) -> None:
        self._work: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        threading.Thread(target=self._run, name=name, daemon=True).start()

    async def run(self, work: Callable[[], T]) -> T:
        """Run `work` in the thread and give what it gives, or raise what it raises.

        Cancelled, it returns at once; the work goes on in the thread and what it gives is dropped.
        """
        loop = asyncio.get_running_loop()
        done: asyncio.Future[T] = loop.create_future()

        def tell(set_it: Callable[[Any], None], what: Any) -> None:
            if not done.cancelled():
                set_it(what)

        def job() -> None:
            try:
                given = work()
            except BaseException as error:  # noqa: BLE001 -- handed over to whoever awaits
                answer: tuple[Any, Any] = (done.set_exception, error)
            else:
                answer = (done.set_result, given)
            with contextlib.suppress(RuntimeError):  # the loop has ended, nobody waits any more
                loop.call_soon_threadsafe(tell, *answer)

        self._work.put(job)
        return await done

    def close(self) -> None:
        """Let the thread end after what it is doing."""
        self._work.put(None)

    def _run(self) -> None:
        while (job := self._work.get()) is not None:
            job()
