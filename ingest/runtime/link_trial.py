"""Opening a signed link as somebody who gets one does: over the public address, through whatever stands in between."""

from __future__ import annotations

import http.client
import time

from ingest.notices.channels.web_address import connected
from ingest.notices.letters.story import one_line
from ingest.notices.links import DeedKind, Links

TIMEOUT_S = 15.0


def try_link(links: Links | None) -> str:
    """Open a link that does nothing; give a sentence on what is wrong, or nothing where all is well. Blocks."""
    if links is None:
        return "the key for links cannot be read; run this as the user that runs the daemon."
    [action] = links.actions("trial", "the one who tries", round(time.time() * 1000), (DeedKind.TRIAL,))
    try:
        status, said = _get(action.address)
    except (OSError, http.client.HTTPException) as error:
        why = one_line(str(error)) or type(error).__name__
        return f"not reached ({why}). Check the name, the proxy and whether the daemon runs."
    if status == 200 and "made to try whether links arrive" in said:
        return ""
    if status == 403:
        return "the page does not know our signature: is it the daemon of another data directory that answers?"
    if status == 421:
        return "the daemon does not know this name: restart it after setting public_address."
    return f"answered {status}, which is not our page. Check where the proxy passes /deed/ and /static/ on to."


def _get(address: str) -> tuple[int, str]:
    with connected(address, TIMEOUT_S) as (connection, target):
        connection.request("GET", target, headers={"User-Agent": "lumberroom", "Accept": "text/html"})
        answer = connection.getresponse()
        return answer.status, answer.read(100_000).decode("utf-8", "replace")
