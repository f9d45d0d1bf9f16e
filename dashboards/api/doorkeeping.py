"""Who may hand readings in, and how often: settled before anything of the body is received."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Final

from fastapi import Request

from dashboards.api.rates import Buckets, Limits, network_of, retry_after
from dashboards.services import DeviceRight, Services
from dashboards.shell.access import bearer_token, is_loopback
from dashboards.shell.problems import AnswerError

WIRED: Final = DeviceRight("push token", ("*",))
"""The one token of the settings file may write every sensor, as often as its program likes: it is the site's own."""


class Doorkeeper:
    """Knows who may, and who asks too often.

    wired: whether the one token of the settings file is taken too; devices' keys always are.  Its memory is bounded.
    """

    def __init__(
        self, services: Services, *, wired: bool, limits: Limits | None = None, now_s: Callable[[], float] | None = None
    ) -> None:
        limits, now_s = limits or Limits(), now_s or services.clock.monotonic_s
        self._services = services
        self._wired = wired
        self._addresses = Buckets(limits.address, now_s)
        self._unknown = Buckets(limits.unknown, now_s)
        self._keys = Buckets(limits.key, now_s)
        self._readings = Buckets(limits.readings, now_s)

    async def admit(self, request: Request) -> DeviceRight:
        """Give what the sender may do. Raises AnswerError: 401 (nobody we know), 429 (too often)."""
        address = network_of(request.client.host) if request.client else "unknown"
        if not is_loopback(address):  # on this computer one program may stand for very many sensors
            self._hold_back(self._addresses, address, "requests from this address")
            self._addresses.charge(address)
        token = bearer_token(request.headers.get("authorization"))
        right = await self._right(token) if token is not None else None
        if right is None:
            # Only who shows no key that holds is held back: another program behind the same address is not to suffer.
            self._hold_back(self._unknown, address, "requests without a known key from this address")
            self._unknown.charge(address)
            raise _unknown(token is not None, wired=self._wired)
        if right is not WIRED:
            self._hold_back(self._keys, right.name, "requests by this key")
            self._hold_back(self._readings, right.name, "readings by this key")
            self._keys.charge(right.name)
        return right

    def charge(self, right: DeviceRight, readings: int) -> None:
        """Count what somebody handed in."""
        if right is not WIRED:
            self._readings.charge(right.name, readings)

    async def _right(self, token: str) -> DeviceRight | None:
        if self._wired and self._services.push_token_matches(token):
            return WIRED
        return await asyncio.to_thread(self._services.device_right, token)

    def _hold_back(self, buckets: Buckets, asker: str, what: str) -> None:
        wait_s = buckets.wait_s(asker)
        if wait_s > 0:
            after = retry_after(wait_s)
            raise AnswerError(
                429,
                f"Too many {what}.",
                mend=f"Send again after {after} s; several readings fit into one pack.",
                headers={"Retry-After": after},
            )


def _unknown(given: bool, *, wired: bool) -> AnswerError:
    also = ", or with the push token of this site's settings file" if wired else ""
    return AnswerError(
        401,
        "This key is not known here." if given else "Handing readings in needs a key.",
        where="Authorization",
        mend=f"Send `Authorization: Bearer KEY` with a key from `lumberroom device-key add`{also}.",
        headers={"WWW-Authenticate": 'Bearer realm="lumberroom"'},
    )
