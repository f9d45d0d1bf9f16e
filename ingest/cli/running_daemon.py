"""Asking a daemon that is running on this computer, over its page: it is the one that may write its store."""

from __future__ import annotations

import getpass
import os
import re
from pathlib import Path
from typing import Any, Final

from ingest.errors import InputError, RefusedError, StorageError, TransientError

PAGE: Final = "http://127.0.0.1:8430/"
WAIT_S: Final = 30.0


def user_name() -> str:
    """Give the name under which somebody has logged in; `sudo` does not change it, where there is a terminal."""
    for ask in (os.getlogin, getpass.getuser):
        try:
            return ask()
        except (KeyError, OSError):
            continue
    raise InputError("this user has no name", where="--by", mend="Give a name: --by NAME")


def is_running(store: Path) -> bool:
    """Tell whether a daemon, or another program, has a store open for writing."""
    from ingest.store.file.opening import WriterMark

    if not store.exists():
        return False
    try:
        WriterMark(store).release()
    except StorageError:
        return True
    return False


def ask(page: str, method: str, path: str, **sent: Any) -> dict[str, Any]:
    """Ask the daemon whose page is at `page` and give its answer.  sent: `json`, `params`, `headers` of the request.

    Raises InputError for an address that is none, RefusedError as the daemon refuses, TransientError where its page is
    not reached.
    """
    import httpx2

    if not re.match(r"https?://", page):
        raise InputError(f"{page!r} is no address of a page", where="--page", mend=f"Write it like {PAGE}")
    try:
        with httpx2.Client(timeout=WAIT_S, trust_env=False) as client:
            answer = client.request(method, page.rstrip("/") + path, **sent)
    except httpx2.HTTPError as error:
        raise TransientError(
            "the store is being written by a daemon whose page cannot be reached",
            where=page,
            mend="Give its address with --page, or stop the daemon first.",
        ) from error
    try:
        said: dict[str, Any] = answer.json()
    except ValueError:
        said = {}
    if answer.is_success:
        return said
    if isinstance(said, dict) and "detail" in said:
        raise RefusedError(
            str(said["detail"]).rstrip("."), where=str(said.get("where", "")), mend=str(said.get("mend", ""))
        )
    raise RefusedError(f"the daemon answered {answer.status_code}", where=page)
