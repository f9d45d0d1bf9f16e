"""The C library's heaps are bounded where it lets itself be told."""

import platform
import subprocess
import sys

import pytest

PROGRAM = """
import threading
from ingest.runtime.machine.arenas import bound_arenas
print(bound_arenas())
ready = threading.Barrier(13)
def work():
    kept = [bytearray(1000) for _ in range(2000)]
    ready.wait()
    ready.wait()
for _ in range(12):
    threading.Thread(target=work).start()
ready.wait()
ready.wait()
"""


def test_threads_share_two_heaps_under_glibc() -> None:
    """glibc takes it, another C library has nothing to take; either way nothing breaks, with a dozen threads too."""
    done = subprocess.run([sys.executable, "-c", PROGRAM], capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.split()[0] == str(platform.libc_ver()[0] == "glibc")


HOLES = """
import sys
from ingest.runtime.machine.arenas import bound_arenas
def resident_mb():
    return int(open("/proc/self/statm").read().split()[1]) * 4096 / 1e6
if "bound" in sys.argv:
    bound_arenas()
small, before = [], resident_mb()
for _ in range(3):
    large = []
    for _ in range(60):
        large.append(bytearray(b"x") * 1_000_000)
        small.append(bytearray(1000))
    large.clear()
print(resident_mb() - before)
"""


def grown_mb(*words: str) -> float:
    """Let sixty megabytes come and go three times between small blocks that stay; give what is left of them."""
    done = subprocess.run([sys.executable, "-c", HOLES, *words], capture_output=True, text=True, check=True, timeout=60)
    return float(done.stdout)


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only glibc has these heaps")
def test_large_blocks_leave_no_holes_in_a_heap() -> None:
    """Small blocks that settle between large ones keep none of the large ones' room; without the bound they do."""
    assert grown_mb("bound") < 5.0 < 30.0 < grown_mb()


GIVING_BACK = """
import os
from ingest.runtime.machine.arenas import give_back
def held():
    return int(open("/proc/self/statm").read().split()[1]) * os.sysconf("SC_PAGE_SIZE")
kept = [bytes(5000) for _ in range(20000)]
last = bytes(5000)  # above all others, so that the heap cannot shrink by itself
del kept
before = held()
print(give_back(), before - held() > 50_000_000)
"""


def test_what_is_free_is_given_back_under_glibc() -> None:
    """A hundred megabytes that lie free below what is still in use are the system's again; elsewhere nothing breaks."""
    done = subprocess.run([sys.executable, "-c", GIVING_BACK], capture_output=True, text=True, check=True, timeout=60)
    expected = "True True" if platform.libc_ver()[0] == "glibc" else "False False"
    assert done.stdout.strip() == expected
