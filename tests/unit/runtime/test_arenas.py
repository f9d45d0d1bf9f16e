"""The C library's heaps are bounded where it lets itself be told."""

import platform
import subprocess
import sys

PROGRAM = """
import threading
from ingest.runtime.arenas import bound_arenas
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
