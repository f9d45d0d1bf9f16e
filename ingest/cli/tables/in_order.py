"""Work on several items side by side and give the results in order, holding only a few at a time."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Final, TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")

WORKERS: Final = 2
"""NumPy and Arrow let go of the interpreter for most of their work; a third thread gains little."""


def in_order(work: Callable[[Item], Result], items: Iterable[Item | None], workers: int = WORKERS) -> Iterator[Result]:
    """Give work(item) for each item, in their order, computed by `workers` threads.

    A None among the items means that the next one may take its time: all results so far are given before it is asked
    for. At most one item more than there are workers is held. What `work` raises is raised here, in its turn.
    """
    pending: deque[Future[Result]] = deque()
    with ThreadPoolExecutor(workers) as pool:
        for item in items:
            if item is not None:
                pending.append(pool.submit(work, item))
            while pending and (item is None or len(pending) > workers):
                yield pending.popleft().result()
        while pending:
            yield pending.popleft().result()
