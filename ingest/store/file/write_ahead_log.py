"""What of a write-ahead log SQLite will pass over in silence, seen before the file is opened.

Every frame of the log carries a checksum over all frames before it. Where one does not fit, SQLite takes the log to end
there (https://www.sqlite.org/fileformat2.html, sections 4.1 to 4.4): right after a power cut, when what follows was
never acknowledged, but a bit that turned in the middle takes every commit behind it along, in silence. The two can be
told apart: a log begins anew with new salts, and a commit is waited for before the next one begins. So frames behind
the break that carry the log's own salts were written into this log, and where there are several commits among them, all
but the last were acknowledged.

Read only while nobody has the file open: see `checkpoints` on why.
"""

from __future__ import annotations

import struct
from collections import Counter
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ingest.store.file.opening import PAGE_BYTES

_HEADER: Final = struct.Struct(">IIIIIIII")  # magic, format, page size, sequence, two salts, two sums
_FRAME: Final = struct.Struct(">IIIIII")  # page, size of the file after a commit or 0, two salts, two sums
_LITTLE, _BIG = 0x377F0682, 0x377F0683


class Loss(NamedTuple):
    """What lies behind the break of a log.  pages, commits: of its own, that SQLite does not read."""

    pages: int
    commits: int

    def __str__(self) -> str:
        if self.commits > 1:
            return (
                f"log: it is damaged, and at least {self.commits - 1} commits that were acknowledged cannot be read; "
                "bring back a backup, or what sensors and files can send again"
            )
        return (
            "log: it ends in a commit that is not whole. After a power cut nothing acknowledged is lost; without one "
            "the newest commit is damaged"
        )


def loss(path: Path) -> Loss | None:
    """Say what the log beside a store's file holds and SQLite will not read; None where it reads all, or there is none.

    path: the store's file, which nobody has open.
    """
    try:
        log = path.with_name(path.name + "-wal").read_bytes()
    except OSError:
        return None
    if len(log) < _HEADER.size:
        return None
    magic, _, page_size, _, *salts_and_sums = _HEADER.unpack_from(log)
    salts, sums = tuple(salts_and_sums[:2]), tuple(salts_and_sums[2:])
    order = "<u4" if magic == _LITTLE else ">u4"
    state = _summed((0, 0), np.frombuffer(log[:24], order).astype(np.uint32))
    if magic not in (_LITTLE, _BIG) or page_size not in _PAGE_SIZES or state != sums:
        return _behind(log, 0, None, _FRAME.size + (page_size if page_size in _PAGE_SIZES else PAGE_BYTES))
    step = _FRAME.size + page_size
    for number in range((len(log) - _HEADER.size) // step):
        at = _HEADER.size + number * step
        frame = _FRAME.unpack_from(log, at)
        covered = log[at : at + 8] + log[at + _FRAME.size : at + step]
        state = _summed(state, np.frombuffer(covered, order).astype(np.uint32))
        if frame[2:4] != salts or frame[4:] != state:
            return _behind(log, number, salts, step)
    return None


_PAGE_SIZES: Final = {1 << n for n in range(9, 17)}


def _behind(log: bytes, first: int, salts: tuple[int, ...] | None, step: int) -> Loss | None:
    """Count frames of this log from one on.  salts: its own; None where its header cannot be trusted: the commonest."""
    frames = [_FRAME.unpack_from(log, at) for at in range(_HEADER.size + first * step, len(log) - step + 1, step)]
    if salts is None:
        salts = Counter(frame[2:4] for frame in frames).most_common(1)[0][0] if frames else (0, 0)
    own = [frame for frame in frames if frame[2:4] == salts]
    return Loss(len(own), sum(1 for frame in own if frame[1])) if own else None


def _summed(state: tuple[int, int], words: NDArray[np.uint32]) -> tuple[int, int]:
    """Give the log's sums carried on over some words (an even number of them).

    SQLite adds word by word: s0 += x0 + s1, s1 += x1 + s0. All of it is linear, so that the sums over a page are what
    each word is multiplied by on its way to the end, Fibonacci's numbers, added up; uint32 wraps as SQLite's does.
    """
    ways = _ways(len(words) // 2)
    start = np.array(state, np.uint32)
    s0 = int(np.dot(ways.words0, words)) + int(np.dot(ways.start0, start))
    s1 = int(np.dot(ways.words1, words)) + int(np.dot(ways.start1, start))
    return s0 & 0xFFFFFFFF, s1 & 0xFFFFFFFF


class _Ways(NamedTuple):
    words0: NDArray[np.uint32]
    words1: NDArray[np.uint32]
    start0: NDArray[np.uint32]
    start1: NDArray[np.uint32]


_KNOWN: Final[dict[int, _Ways]] = {}


def _ways(pairs: int) -> _Ways:
    """Give by what each word, and the two sums before, are multiplied on their way through so many pairs."""
    if pairs not in _KNOWN:
        words0, words1 = [], []
        # One pair turns (s0, s1) into (s0 + s1 + x0, s0 + 2 s1 + x0 + x1); (a, b, c, d) is that, again and again.
        a, b, c, d = 1, 0, 0, 1
        for _ in range(pairs):
            words0 += [b, a + b]  # backwards: x1 and then x0 of the pair
            words1 += [d, c + d]
            a, b, c, d = (n & 0xFFFFFFFF for n in (a + b, a + 2 * b, c + d, c + 2 * d))
        of_words = [np.array([n & 0xFFFFFFFF for n in ways[::-1]], np.uint32) for ways in (words0, words1)]
        _KNOWN[pairs] = _Ways(of_words[0], of_words[1], np.array([a, b], np.uint32), np.array([c, d], np.uint32))
    return _KNOWN[pairs]
