"""Watches a folder for files of recorded readings that somebody drops there: a stick, a share, a logger's upload.

A file is read when it has stopped growing, then, when its readings are stored, put aside into the folder `read`; one
that cannot be understood goes into `refused`, with the reason in a file beside it. A file that was being read when the
power went is read again, which is harmless: its readings have their own instants.
"""

from __future__ import annotations

import asyncio
import contextlib
import stat
from collections.abc import AsyncGenerator, AsyncIterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, ClassVar, Final

from adapters.contract import (
    AdapterError,
    AdapterHealth,
    LostDeviceError,
    Reading,
    RefusedError,
    Rejection,
    Setting,
    TransientError,
    WallClock,
)
from adapters.recorded_files import FILE_SETTINGS, SUFFIXES, Portion, file_form, recorded

READ: Final = "read"
REFUSED: Final = "refused"
_MOST_ASIDE: Final = 200
_PART: Final = (".part", ".tmp", ".filepart", ".crdownload")


class DroppedFiles:
    """One folder."""

    MAY_BE_SILENT: ClassVar[bool] = True
    SUMMARY: ClassVar[str] = "a folder into which files of recorded readings (CSV or SenML lines) are dropped"
    SETTINGS: ClassVar[tuple[Setting, ...]] = (
        Setting("folder", str, "the folder; the daemon must be allowed to write in it", required=True, is_path=True),
        Setting("interval_s", float, "seconds from one look to the next", default=3.0, minimum=0.05),
        *FILE_SETTINGS,
    )

    def __init__(self, settings: Mapping[str, Any], clock: WallClock) -> None:
        """Take checked settings; raises SettingsError where they do not go together."""
        self.health = AdapterHealth()
        self._clock = clock
        self._folder = Path(settings["folder"])
        self._interval_s: float = settings["interval_s"]
        self._takes_any = settings["format"] != "auto"
        self._form = file_form(settings)
        self._sizes: dict[str, tuple[int, int]] = {}  # of the files seen at the last look
        # Put aside lately, with the size up to which they were read and the name that they came under. A copy that
        # stalls (a slow stick, a share, a phone's upload) looks like one that is done: whoever still writes goes on
        # writing into the file where it is now, and nothing else tells that there is more of it.
        self._aside: dict[Path, tuple[int, str]] = {}

    def describe(self) -> str:
        """Say what this watches."""
        return f"folder {self._folder}"

    async def readings(self) -> AsyncIterator[Sequence[Reading]]:
        """Give the readings of each file that comes, and put it aside when they were handed over.

        Raises LostDeviceError when the folder is not there, RefusedError when a file cannot be put aside,
        TransientError when the disk fails.
        """
        thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="folder")
        loop = asyncio.get_running_loop()
        try:
            while True:
                for path in await loop.run_in_executor(thread, self._settled):
                    async with contextlib.aclosing(self._read(path, thread)) as batches:
                        async for batch in batches:
                            yield batch
                await self._clock.sleep(self._interval_s)
        except OSError as error:
            raise TransientError(
                f"it cannot be read ({error})", where=str(self._folder), mend="See whether the disk is still there"
            ) from error
        finally:
            thread.shutdown(wait=False)

    def stored(self) -> None:
        """Nothing to do: a file is put aside when more is asked for, and that is asked when its readings are stored."""

    async def _read(self, path: Path, thread: ThreadPoolExecutor) -> AsyncGenerator[list[Reading], None]:
        loop = asyncio.get_running_loop()
        portions = recorded(path, self._form)
        why, any_read, refused = "", False, None
        try:
            while (portion := await loop.run_in_executor(thread, next, portions, None)) is not None:
                refused = refused or next((item for item in portion if isinstance(item, Rejection)), None)
                if batch := self._counted(portion):
                    any_read = True
                    yield batch
            if refused is not None and not any_read:
                why = f"not one reading in it could be used; the first of it: {refused.reason}: {refused.detail}"
        except AdapterError as error:
            why = str(error)
        finally:
            thread.submit(portions.close)
        await loop.run_in_executor(thread, self._put_aside, path, why)

    def _counted(self, portion: Portion) -> list[Reading]:
        for item in portion:
            if isinstance(item, Rejection):
                self.health.reject(item)
        return [item for item in portion if isinstance(item, Reading)]

    def _settled(self) -> list[Path]:
        """Give the files that did not change since the last look, oldest first; blocks briefly."""
        self._take_back()
        try:
            found = {path: path.lstat() for path in self._folder.iterdir() if self._is_wanted(path)}
        except (FileNotFoundError, NotADirectoryError) as error:
            mend = "Make it, or plug in what it is on; it is looked for again by itself"
            raise LostDeviceError("there is no such folder", where=str(self._folder), mend=mend) from error
        # Regular files only: a link could lead anywhere, and a pipe would be waited for.
        files = {path: seen for path, seen in found.items() if stat.S_ISREG(seen.st_mode)}
        sizes = {path.name: (seen.st_size, seen.st_mtime_ns) for path, seen in files.items()}
        settled = [path for path in files if self._sizes.get(path.name) == sizes[path.name]]
        self._sizes = sizes
        return sorted(settled, key=lambda path: (files[path].st_mtime_ns, path.name))

    def _take_back(self) -> None:
        """Bring back files that have grown since they were put aside: what was read of them is not stored twice."""
        for aside, (size, name) in list(self._aside.items()):
            with contextlib.suppress(OSError):  # whatever became of it there is its owner's business
                if aside.lstat().st_size == size:
                    continue
                if not (self._folder / name).exists():
                    aside.rename(self._folder / name)
            if not aside.exists():
                del self._aside[aside]

    def _is_wanted(self, path: Path) -> bool:
        suffix = path.suffix.lower()
        return not path.name.startswith(".") and suffix not in _PART and (self._takes_any or suffix in SUFFIXES)

    def _put_aside(self, path: Path, why: str) -> None:
        """Move a file out of the way, never over another; with the reason beside it where it was refused."""
        aside = self._folder / (REFUSED if why else READ)
        try:
            aside.mkdir(exist_ok=True)
            name, number = path.name, 1
            while (aside / name).exists():
                number += 1
                name = f"{path.stem}-{number}{path.suffix}"
            size = self._sizes.get(path.name, (0, 0))[0]
            path.rename(aside / name)
            self._aside[aside / name] = (size, path.name)
            if len(self._aside) > _MOST_ASIDE:
                del self._aside[next(iter(self._aside))]
            if why:
                (aside / f"{name}.why.txt").write_text(why + "\n", encoding="utf-8")
        except PermissionError as error:
            raise RefusedError(
                f"{path.name[:80]!r} cannot be put aside ({error.strerror})",
                where=str(self._folder),
                mend="Let the account that runs lumberroom write in this folder",
            ) from error
