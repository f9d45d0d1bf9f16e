"""The errors a person can meet, as a tree: class, who raises it, who catches it, what the person reads.

::

    LumberroomError            what, where, mend; the command line prints them and exits with `exit_code`
      SettingsError            a settings file, option or argument that cannot work   (cli: exit 2)
      InputError               data that cannot be read: a CSV row, a SenML pack     (cli: exit 2; HTTP: 400)
      StorageError             the store's file: damaged, read-only, full, in use    (cli: exit 3)
        DiskFullError          no room left; the daemon waits for it                 (cli: exit 3)
      RefusedError             not allowed, or not known here                        (cli: exit 4; HTTP: 401, 403, 404)
        ConflictError            somebody else changed it meanwhile                    (cli: exit 4; HTTP: 412)
      TransientError           may work when tried again                             (supervisor, outbox: tried again)

Adapters raise `adapters.contract.AdapterError` instead (they must not import this package); the supervisor catches
those. Anything else that escapes is a bug, and is logged with its traceback.
"""

from __future__ import annotations

from typing import ClassVar


class LumberroomError(Exception):
    """Something a person can mend.  what: what is wrong.  where: in which place.  mend: what to do."""

    kind: ClassVar[str] = "bug"
    exit_code: ClassVar[int] = 1

    def __init__(self, what: str, *, where: str = "", mend: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.mend = mend

    def __str__(self) -> str:
        sentence = f"{self.where}: {self.what}" if self.where else self.what
        return f"{sentence}. {self.mend}" if self.mend else sentence


class SettingsError(LumberroomError):
    """A settings file, an option or an argument cannot work as it stands."""

    kind = "settings"
    exit_code = 2


class InputError(LumberroomError):
    """Data handed in cannot be read."""

    kind = "input"
    exit_code = 2


class StorageError(LumberroomError):
    """The store's file cannot be used as it should."""

    kind = "storage"
    exit_code = 3


class DiskFullError(StorageError):
    """There is no room left: what is stored is safe, and storing goes on when there is room again."""


class RefusedError(LumberroomError):
    """Not allowed, or not known here."""

    kind = "refused"
    exit_code = 4


class ConflictError(RefusedError):
    """What was to be changed was changed by somebody else meanwhile; nothing was overwritten."""


class TransientError(LumberroomError):
    """It may work when tried again."""

    kind = "transient"
    exit_code = 5
