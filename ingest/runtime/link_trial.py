"""Opening a signed link as somebody who gets one does: over the public address, through whatever stands in between."""

from __future__ import annotations

import time

from ingest.notices.channels.web import NoAnswerError, answer
from ingest.notices.links import LinkKind, Links

TIMEOUT_S = 15.0


async def try_link(links: Links | None) -> str:
    """Open a link that does nothing; give a sentence on what is wrong, or nothing where all is well."""
    if links is None:
        return "the key for links cannot be read; run this as the user that runs the daemon."
    [action] = links.actions("trial", "the one who tries", round(time.time() * 1000), (LinkKind.TRIAL,))
    try:
        status, said = await answer(
            "GET", action.address, timeout_s=TIMEOUT_S, headers={"Accept": "text/html"}, most_bytes=100_000
        )
    except NoAnswerError as error:
        return f"not reached ({error}). Check the name, the proxy and whether the daemon runs."
    if status == 200 and "made to try whether links arrive" in said:
        return ""
    if status == 403:
        return "the page does not know our signature: is it the daemon of another data directory that answers?"
    if status == 421:
        return "the daemon does not know this name: restart it after setting public_address."
    return f"answered {status}, which is not our page. Check where the proxy passes /action/ and /static/ on to."
