"""Asks a web address for a JSON document at an interval: values by a map of JSON Pointers, or a SenML pack.

Only what is asked for is followed: no redirects, no cookies, no proxy of the environment.
"""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import AsyncIterator, Mapping, Sequence
from typing import Any, ClassVar, Final

import httpx2

from adapters.contract import (
    AdapterError,
    AdapterHealth,
    LostDeviceError,
    ProtocolError,
    Reading,
    RefusedError,
    Setting,
    SettingsError,
    TransientError,
    WallClock,
)
from adapters.framing.json_maps import MAX_DOCUMENT_BYTES, JsonMap
from adapters.framing.senml_records import Form
from adapters.packs import PACK_SETTINGS, PackReader

UNREADABLE: Final = 3
"""After so many documents in a row in which nothing could be read somebody must be told."""


class HttpPoll:
    """One address."""

    SUMMARY: ClassVar[str] = "a web address that answers with JSON (by a map) or SenML"
    SETTINGS: ClassVar[tuple[Setting, ...]] = (
        Setting("url", str, 'the address, as "http://192.0.2.7/status.json"', required=True),
        Setting("interval_s", float, "seconds from one question to the next", default=60.0, minimum=0.1),
        Setting("timeout_s", float, "how long an answer may take", default=10.0, minimum=0.1, maximum=120.0),
        Setting("values", dict, 'what is what: { "/air/t" = "temperature_c" }; none = the answer is SenML', default={}),
        Setting("token", str, "a bearer token to send along", secret=True),
        Setting(
            "ca_file", str, "the certificate of the authority that signed the server's, if it is your own", is_path=True
        ),
        *PACK_SETTINGS,
    )

    def __init__(self, settings: Mapping[str, Any], clock: WallClock) -> None:
        """Take checked settings; raises SettingsError for an address or a map that cannot be."""
        self.health = AdapterHealth()
        self._clock = clock
        self._url = _checked_url(settings["url"])
        self._settings = dict(settings)
        self._packs = PackReader(settings, self.health)
        self._map = JsonMap(settings["values"], settings["sensor"]) if settings["values"] else None

    def describe(self) -> str:
        """Say what this asks."""
        return f"web address {self._url.scheme}://{self._url.netloc.decode()}{self._url.path}"

    async def readings(self) -> AsyncIterator[Sequence[Reading]]:
        """Ask again and again, and give what each answer says.

        Raises LostDeviceError when the server cannot be reached, RefusedError when it wants another token or its
        certificate is not to be trusted, TransientError when it is in trouble, ProtocolError when its answers cannot
        be read, SettingsError when a certificate file cannot be read.
        """
        unread = 0
        async with await asyncio.to_thread(self._client) as client:
            while True:
                data, kind = await self._ask(client)
                batch = self._read(data, kind)
                unread = 0 if batch else unread + 1
                if batch:
                    yield batch
                elif unread >= UNREADABLE:
                    raise self._unreadable()
                await self._clock.sleep(self._settings["interval_s"])

    def _client(self) -> httpx2.AsyncClient:
        """Make the client; blocks while certificates are read."""
        accept = "application/json" if self._map else f"{Form.JSON.value}, {Form.CBOR.value}"
        headers = {"Accept": accept, "Accept-Encoding": "identity", "User-Agent": "lumberroom"}
        if self._settings["token"]:
            headers["Authorization"] = f"Bearer {self._settings['token']}"
        try:
            context = ssl.create_default_context(cafile=self._settings["ca_file"])
        except OSError as error:
            raise SettingsError(
                f"the certificate cannot be read ({error})",
                where=str(self._settings["ca_file"]),
                mend="Name a file in PEM form that the daemon may read",
            ) from error
        limit_s = self._settings["timeout_s"]
        return httpx2.AsyncClient(headers=headers, verify=context, timeout=limit_s, trust_env=False)

    async def _ask(self, client: httpx2.AsyncClient) -> tuple[bytes, str]:
        """Ask once; give the body and its declared type."""
        try:
            # Of our own, over all of it: the library's limits are per step, and a server that dribbles passes them.
            async with asyncio.timeout(self._settings["timeout_s"]), client.stream("GET", self._url) as answer:
                if answer.status_code != 200:
                    raise self._status_error(answer.status_code)
                body = bytearray()
                async for chunk in answer.aiter_raw():
                    body += chunk
                    if len(body) > MAX_DOCUMENT_BYTES:
                        raise self._too_large()
                return bytes(body), str(answer.headers.get("content-type", ""))
        except TimeoutError:
            raise self._lost(f"no answer within {self._settings['timeout_s']:g} s") from None
        except httpx2.TransportError as error:
            if "CERTIFICATE" in str(error) or "certificate" in str(error):
                raise RefusedError(
                    f"its certificate is not to be trusted ({error})",
                    where=self.describe(),
                    mend="Name the certificate of its authority with ca_file",
                ) from error
            raise self._lost(f"{type(error).__name__} {error}".strip()) from error

    def _read(self, data: bytes, kind: str) -> list[Reading]:
        now_ms = self._clock.now_ms()
        if self._map is None:
            form = Form.CBOR if kind.partition(";")[0].strip().lower() == Form.CBOR.value else Form.JSON
            return self._packs.read(data, now_ms, form).readings
        decoded = self._map.read(data, now_ms)
        for rejected in decoded.rejections:
            self.health.reject(rejected)
        return decoded.readings

    def _status_error(self, status: int) -> AdapterError:
        where = self.describe()
        if status in (401, 403):
            return RefusedError(f"it answers {status}: not allowed", where=where, mend="Check token_env or token_file")
        if 300 <= status < 400:
            mend = "Name the address to which it leads; nothing is followed by itself"
            return SettingsError(f"it answers {status} and sends us elsewhere", where=where, mend=mend)
        if status in (404, 410):
            return ProtocolError(f"it answers {status}: there is nothing there", where=where, mend="Check the address")
        return TransientError(f"it answers {status}", where=where, mend="It is asked again by itself")

    def _too_large(self) -> AdapterError:
        mend = "Ask for a smaller document"
        return ProtocolError(f"its answer is larger than {MAX_DOCUMENT_BYTES} bytes", where=self.describe(), mend=mend)

    def _lost(self, what: str) -> AdapterError:
        mend = "See that it is on and that the address is right; it is asked again by itself"
        return LostDeviceError(f"it cannot be reached ({what})", where=self.describe(), mend=mend)

    def _unreadable(self) -> AdapterError:
        last = self.health.last_rejection
        seen = f"{last.reason}: {last.detail[:80]}" if last else "nothing but gaps"
        return ProtocolError(
            f"nothing could be read in {UNREADABLE} answers",
            where=self.describe(),
            mend=f"Check the map under values against what it answers; the last of it: {seen}",
        )


def _checked_url(text: str) -> httpx2.URL:
    mend = 'Write it whole: "http://192.0.2.7/status.json"'
    try:
        url = httpx2.URL(text)
    except (httpx2.InvalidURL, ValueError) as error:
        raise SettingsError(f"{text[:80]!r} is no address ({error})", where="url", mend=mend) from error
    if url.scheme not in ("http", "https") or not url.host:
        raise SettingsError(f"{text[:80]!r} is no web address", where="url", mend=mend)
    if url.userinfo:
        raise SettingsError("secrets do not belong in the wiring file", where="url", mend="Use token_env or token_file")
    return url
