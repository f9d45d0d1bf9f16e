"""A serial port, read without blocking the event loop: pyserial in a thread of its own, behind one function.

Whoever wants another way to read a port changes `open_port` and nothing else.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import termios
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import serial
from serial.tools import list_ports

from adapters.cancelling import in_time
from adapters.contract import AdapterError, LostDeviceError, RefusedError, SettingsError, TransientError

BY_ID: Final = Path("/dev/serial/by-id")
"""Where Linux keeps names of serial ports that stay the same whatever they are plugged into, and in which order."""
CLOSE_LIMIT_S: Final = 2.0
_READ_WAIT_S: Final = 1.0
_WRITE_WAIT_S: Final = 2.0
_CHUNK_BYTES: Final = 65_536


class SerialPort:
    """An open port. Its reads run one after the other in one thread, so that nothing else waits for it."""

    def __init__(self, path: str, port: serial.Serial, thread: ThreadPoolExecutor) -> None:
        self._path = path
        self._port = port
        self._thread = thread

    async def read(self) -> bytes:
        """Wait for bytes and give what is there; may be empty after a while of silence.

        Raises LostDeviceError when the device is gone.
        """
        try:
            return await asyncio.get_running_loop().run_in_executor(self._thread, self._read_waiting)
        except (OSError, termios.error) as error:
            raise LostDeviceError(
                f"the device went away while we listened ({error})",
                where=self._path,
                mend="Plug it in again; it is taken up by itself once it is back",
            ) from error

    def _read_waiting(self) -> bytes:
        data: bytes = self._port.read(1)
        waiting = self._port.in_waiting if data else 0
        return data + self._port.read(min(waiting, _CHUNK_BYTES)) if waiting else data

    def waiting(self) -> bool:
        """Say whether bytes lie there that nobody has read; False when that cannot be known."""
        with contextlib.suppress(OSError):
            return self._port.in_waiting > 0
        return False

    async def write(self, data: bytes) -> None:
        """Send bytes; returns when the system has taken them.

        Raises LostDeviceError when the device is gone, TransientError when it takes nothing.
        """
        try:
            await asyncio.get_running_loop().run_in_executor(self._thread, self._port.write, data)
        except serial.SerialTimeoutException as error:
            raise TransientError(
                "it takes nothing that we send", where=self._path, mend="Check the cable and the flow control"
            ) from error
        except (OSError, termios.error) as error:
            raise LostDeviceError(
                f"the device went away while we asked ({error})",
                where=self._path,
                mend="Plug it in again; it is taken up by itself once it is back",
            ) from error

    async def close(self) -> None:
        """Let go of the port: the lock is free and the file closed when this returns, within two seconds."""
        with contextlib.suppress(OSError):
            self._port.cancel_read()
        # A device that was pulled out may answer the closing with any of these; it is gone all the same.
        with contextlib.suppress(OSError, termios.error, TimeoutError):
            await in_time(CLOSE_LIMIT_S, asyncio.get_running_loop().run_in_executor(self._thread, self._port.close))
        self._thread.shutdown(wait=False)


@dataclass(frozen=True, slots=True)
class Frame:
    """How characters stand on the line, and how long a read waits for the first of them (s).  parity: a letter."""

    data_bits: int = 8
    parity: str = "N"
    stop_bits: int = 1
    read_wait_s: float = _READ_WAIT_S


USUAL_FRAME: Final = Frame()


async def open_port(path: str, baud: int, frame: Frame = USUAL_FRAME) -> SerialPort:
    """Open a serial port for ourselves alone (an advisory lock keeps out every other program that asks for one).

    Raises LostDeviceError when there is no such port, RefusedError when we may not have it or another has it,
    SettingsError when it is no serial port or cannot be set to `baud`.
    """
    thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="serial")
    opening = asyncio.get_running_loop().run_in_executor(thread, _open, path, baud, frame)
    try:
        return SerialPort(path, await asyncio.shield(opening), thread)
    except BaseException:
        # Cancelled while it opened: it must not stay open behind our back.
        opening.add_done_callback(_close_late)
        thread.shutdown(wait=False)
        raise


def _close_late(opening: asyncio.Future[serial.Serial]) -> None:
    if not opening.cancelled() and opening.exception() is None:
        opening.result().close()


def _open(path: str, baud: int, frame: Frame) -> serial.Serial:
    try:
        return serial.Serial(
            path,
            baud,
            bytesize=frame.data_bits,
            parity=frame.parity,
            stopbits=frame.stop_bits,
            timeout=frame.read_wait_s,
            write_timeout=_WRITE_WAIT_S,
            exclusive=True,
        )
    except (OSError, ValueError, termios.error) as error:
        raise _explained(path, baud, error) from error


def _explained(path: str, baud: int, error: Exception) -> AdapterError:
    """Turn what the operating system says about opening a port into what a person can do about it."""
    number = _error_number(error)
    if number in (errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.EIO):
        return LostDeviceError("there is no such serial port", where=path, mend=_ports_sentence(ports_there()))
    if number in (errno.EACCES, errno.EPERM):
        return RefusedError(
            "we are not allowed to open it",
            where=path,
            mend="Put the account that runs lumberroom into the group that owns the port "
            "(on Debian: adduser ACCOUNT dialout) and start it again",
        )
    if number in (errno.EBUSY, errno.EAGAIN):
        return RefusedError(
            f"another program has it open: {held_by(path) or 'one that we may not see'}",
            where=path,
            mend="End that program first",
        )
    if isinstance(error, ValueError):
        return SettingsError(
            f"it cannot be set to {baud} baud", where=path, mend="Set the baud rate that the device has"
        )
    return SettingsError(f"it is no serial port ({error})", where=path, mend=_ports_sentence(ports_there()))


def _error_number(error: BaseException) -> int | None:
    """Give the errno, which pyserial sometimes leaves in the error that it wrapped."""
    for candidate in (error, error.__context__):
        if isinstance(candidate, termios.error):
            return int(candidate.args[0])
        if isinstance(candidate, OSError) and candidate.errno:
            return candidate.errno
    return None


def ports_there(by_id: Path = BY_ID) -> list[str]:
    """Give the serial ports that exist now, each by its name that stays the same where it has one. Blocks briefly."""
    stable = {link.resolve(): str(link) for link in by_id.glob("*")}
    devices = {Path(port.device).resolve(): port.device for port in list_ports.comports()}
    return sorted({stable.get(real, device) for real, device in devices.items()} | set(stable.values()))


def _ports_sentence(ports: list[str]) -> str:
    if not ports:
        return "No serial port is there now: plug the device in, and look with: ls /dev/serial/by-id"
    return f"Ports that are there now: {', '.join(ports)}"


def held_by(path: str) -> str:
    """Name the processes that have a device open, as far as we may see them; empty where none has. Blocks briefly."""
    real = os.path.realpath(path)
    found = set()
    for link in Path("/proc").glob("[0-9]*/fd/*"):
        with contextlib.suppress(OSError):
            # The same name may be another device: of a process that has its own root, as in a container.
            if str(link.readlink()) == real and os.path.samestat(link.stat(), Path(real).stat()):
                found.add(int(link.parts[2]))
    return ", ".join(_process_name(pid) for pid in sorted(found))


def _process_name(pid: int) -> str:
    if pid == os.getpid():
        return "this lumberroom itself, by another adapter on the same port"
    with contextlib.suppress(OSError):
        return f"{Path(f'/proc/{pid}/comm').read_text().strip()} (process {pid})"
    return f"process {pid}"
