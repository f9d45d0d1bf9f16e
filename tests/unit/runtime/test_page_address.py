"""The page's socket: a sleeping phone's connection is not held for ever."""

from __future__ import annotations

import socket

from ingest.runtime.page_address import UNTAKEN_MS, bind
from ingest.settings.wiring import PageWiring


def test_what_is_accepted_gives_up_on_who_takes_nothing() -> None:
    """The kernel ends a connection on which nothing that was sent was taken for a minute; accepted ones inherit it."""
    with bind(PageWiring(port=0)) as listener:
        listener.setblocking(True)
        with socket.create_connection(listener.getsockname()):
            accepted, _ = listener.accept()
            with accepted:
                assert accepted.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) == UNTAKEN_MS
