"""A connection to a web address, for one request. Blocks: for worker threads."""

from __future__ import annotations

import contextlib
import http.client
import ssl
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit


@contextlib.contextmanager
def connected(
    address: str, timeout_s: float, ca_file: Path | None = None
) -> Iterator[tuple[http.client.HTTPConnection, str]]:
    """Give a connection to the server of an address, and what to ask it for (path and query); closed on leaving.

    address: http or https.  timeout_s: for each step.  ca_file: certificates to trust instead of the system's.
    Raises OSError and HTTPException.
    """
    parts = urlsplit(address)
    host = parts.hostname or ""
    connection: http.client.HTTPConnection
    if parts.scheme == "https":
        context = ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))
        connection = http.client.HTTPSConnection(host, parts.port, timeout=timeout_s, context=context)
    else:
        connection = http.client.HTTPConnection(host, parts.port, timeout=timeout_s)
    try:
        yield connection, f"{parts.path or '/'}?{parts.query}" if parts.query else parts.path or "/"
    finally:
        connection.close()
