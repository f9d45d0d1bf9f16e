"""Devices that answer on a pty when they are asked, as quick, late, twice, or not at all as a test wants."""

from __future__ import annotations

import contextlib
import os
import pty
import random
import select
import threading
import time
import tty
from collections.abc import Callable, Sequence

Answers = Callable[[bytes], Sequence[tuple[float, bytes]]]
"""What a question brings: so many seconds later these bytes, maybe several times."""


class AskedDevices:
    """The far end of a line; `path` is where a daemon opens it."""

    def __init__(self, answers: Answers, ends: bytes = b"\r") -> None:
        self.asked: list[bytes] = []
        self._answers, self._ends = answers, ends
        self._ours, self._theirs = pty.openpty()
        for end in (self._ours, self._theirs):
            tty.setraw(end)
        self.path = os.ttyname(self._theirs)
        self._stop = threading.Event()
        self._due: list[tuple[float, bytes]] = []
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def say(self, data: bytes, after_s: float = 0.0) -> None:
        """Say something unasked."""
        self._due.append((time.monotonic() + after_s, data))

    def _run(self) -> None:
        heard = b""
        with contextlib.suppress(OSError):
            while not self._stop.is_set():
                if select.select([self._ours], [], [], 0.005)[0]:
                    heard += os.read(self._ours, 1024)
                *questions, heard = heard.split(self._ends)
                for question in questions:
                    self.asked.append(question)
                    for after_s, data in self._answers(question):
                        self.say(data, after_s)
                now_s = time.monotonic()
                for one in sorted(one for one in self._due if one[0] <= now_s):
                    self._due.remove(one)
                    os.write(self._ours, one[1])

    def end(self) -> None:
        """Pull the plug."""
        if not self._stop.is_set():
            self._stop.set()
            self._thread.join()
            os.close(self._ours)
            os.close(self._theirs)


def unsteady(seed: int, timeout_s: float) -> Answers:
    """Three devices without addresses in their answers, each as often late, silent or double as in time."""
    chance = random.Random(seed)

    def answers(question: bytes) -> Sequence[tuple[float, bytes]]:
        text = b"%d.%d\r\n" % (20 + int(question[-1:]), chance.randrange(10))
        late = chance.choice([0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.3, 0.5, 0.9, 1.1, 1.6, 2.0, None])
        if late is None:
            return []
        return [(late * timeout_s, text)] * chance.choice([1, 1, 1, 1, 1, 1, 2])

    return answers
