"""A device at the far end of a serial line, as a program of its own: it does what it is told on standard input.

plug LINK           make a new pty pair and let LINK point to the end that a daemon opens
send HEX            write bytes, waiting for the reader
shout HEX           write bytes and lose what nobody takes, as a real line does
dribble SECONDS HEX write bytes one by one
unplug              close our end, as when a plug is pulled; LINK goes too
Each order is answered by a line "done".
"""

import contextlib
import os
import pty
import sys
import time
import tty
from pathlib import Path


def main() -> None:
    """Obey orders until standard input ends."""
    ours, link = -1, Path()
    for order in sys.stdin:
        word, *rest = order.split()
        if word == "plug":
            ours, theirs = pty.openpty()
            tty.setraw(ours)
            link = Path(rest[0])
            link.symlink_to(os.ttyname(theirs))
            os.close(theirs)
        elif word == "send":
            data = bytes.fromhex(rest[0])
            while data:
                data = data[os.write(ours, data) :]
        elif word == "shout":
            os.set_blocking(ours, False)
            with contextlib.suppress(BlockingIOError):
                os.write(ours, bytes.fromhex(rest[0]))
            os.set_blocking(ours, True)
        elif word == "dribble":
            for byte in bytes.fromhex(rest[1]):
                os.write(ours, bytes([byte]))
                time.sleep(float(rest[0]))
        elif word == "unplug":
            link.unlink()
            os.close(ours)
        print("done", flush=True)


if __name__ == "__main__":
    main()
