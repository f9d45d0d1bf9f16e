"""Asks a web address for a JSON document at an interval: values by a map of JSON Pointers, or a SenML pack.

Only what is asked for is followed: no redirects, no cookies, no proxy of the environment. Where every reading has its
own instant, an unchanged answer is asked for by its entity tag (RFC 9110, section 13.1.2) and comes without a body.
"""

from __future__ import annotations

import asyncio
import base64
import http.cookiejar
import re
import ssl
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import AbstractAsyncContextManager
from typing import Any, ClassVar, Final, NamedTuple

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
    Stamp,
    TransientError,
    WallClock,
)
from adapters.framing.json_maps import MAP_KEYS, MAX_DOCUMENT_BYTES, map_of
from adapters.framing.senml_records import Form
from adapters.packs import PACK_SETTINGS, PackReader

UNREADABLE: Final = 3
"""After so many documents in a row in which nothing could be read somebody must be told."""


_TAG: Final = re.compile(r'(W/)?"[\x21\x23-\x7e]{0,200}"')
"""An entity tag (RFC 9110, section 8.8.3) of a length that we send back."""
_HEADER: Final = re.compile(r"[A-Za-z0-9!#$%&'*+.^_`|~-]{1,100}")
_VISIBLE: Final = re.compile(r"[\x21-\x7e]+")


class _Answer(NamedTuple):
    """An answer with a body.  kind: its declared type.  tag: its entity tag, or empty."""

    body: bytes
    kind: str
    tag: str


class HttpPoll:
    """One address."""

    SUMMARY: ClassVar[str] = "a web address that answers with JSON (by a map) or SenML"
    SETTINGS: ClassVar[tuple[Setting, ...]] = (
        Setting("url", str, 'the address, as "http://192.0.2.7/status.json"', required=True),
        Setting("interval_s", float, "seconds from one question to the next", default=60.0, minimum=0.1),
        Setting("timeout_s", float, "how long an answer may take", default=10.0, minimum=0.1, maximum=120.0),
        Setting("values", dict, 'what is what: { "/air/t" = "temperature_c" }; none = the answer is SenML', default={}),
        Setting("time", str, 'where the document has the instant of its values, as "/at"; none = it is the arrival'),
        Setting("time_format", str, 'of such times that are not ISO 8601: "%d.%m.%Y %H:%M", "unix" or "unix_ms"'),
        Setting("zone", str, 'of such times without an offset: "Europe/Helsinki" or "+02:00"'),
        Setting("token", str, "a token to send along", secret=True),
        Setting(
            "token_header",
            str,
            'the header for the token; in "Authorization" it goes as a bearer token, in any other alone',
            default="Authorization",
        ),
        Setting("login", str, "the login name, where the server wants one with a password (HTTP Basic)"),
        Setting("password", str, "the password of the login", secret=True),
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
        self._map = map_of({key: settings[key] for key in MAP_KEYS}) if settings["values"] else None
        self._headers = _secret_headers(settings)
        self._tag = ""  # of the last answer, where an unchanged one would hold nothing new

    def describe(self) -> str:
        """Say what this asks."""
        return f"web address {self._url.scheme}://{self._url.netloc.decode()}{self._url.path}"

    async def readings(self) -> AsyncIterator[Sequence[Reading]]:
        """Ask again and again, and give what each answer says.

        Raises LostDeviceError when the server cannot be reached, RefusedError when it wants another token or its
        certificate is not to be trusted, TransientError when it is in trouble, ProtocolError when its answers cannot
        be read, SettingsError when a certificate file cannot be read.
        """
        unread, self._tag = 0, ""
        async with await asyncio.to_thread(self._client) as client:
            while True:
                answer = await self._ask(client)
                if answer is not None:
                    batch = self._read(answer)
                    unread = 0 if batch else unread + 1
                    if batch:
                        yield batch
                    elif unread >= UNREADABLE:
                        raise self._unreadable()
                await self._clock.sleep(self._settings["interval_s"])

    def _client(self) -> httpx2.AsyncClient:
        """Make the client; blocks while certificates are read."""
        accept = "application/json" if self._map else f"{Form.JSON.value}, {Form.CBOR.value}"
        headers = {"Accept": accept, "Accept-Encoding": "identity", "User-Agent": "lumberroom"} | self._headers
        try:
            context = ssl.create_default_context(cafile=self._settings["ca_file"])
        except OSError as error:
            raise SettingsError(
                f"the certificate cannot be read ({error})",
                where=str(self._settings["ca_file"]),
                mend="Name a file in PEM form that the daemon may read",
            ) from error
        limit_s = self._settings["timeout_s"]
        no_cookies = http.cookiejar.CookieJar(http.cookiejar.DefaultCookiePolicy(allowed_domains=[]))
        return httpx2.AsyncClient(
            headers=headers,
            verify=context,
            timeout=limit_s,
            trust_env=False,
            follow_redirects=False,
            cookies=no_cookies,
        )

    async def _ask(self, client: httpx2.AsyncClient) -> _Answer | None:
        """Ask once; None when the answer is that nothing has changed."""
        condition = {"If-None-Match": self._tag} if self._tag else {}
        try:
            # Of our own, over all of it: the library's limits are per step, and a server that dribbles passes them.
            async with asyncio.timeout(self._settings["timeout_s"]), _get(client, self._url, condition) as answer:
                if answer.status_code == 304 and self._tag:
                    return None
                if answer.status_code != 200:
                    raise self._status_error(answer.status_code)
                body = bytearray()
                async for chunk in answer.aiter_raw():
                    body += chunk
                    if len(body) > MAX_DOCUMENT_BYTES:
                        raise self._too_large()
                headers = answer.headers
                return _Answer(bytes(body), headers.get("content-type", ""), headers.get("etag", ""))
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

    def _read(self, answer: _Answer) -> list[Reading]:
        now_ms = self._clock.now_ms()
        if self._map is None:
            form = Form.CBOR if answer.kind.partition(";")[0].strip().lower() == Form.CBOR.value else Form.JSON
            readings = self._packs.read(answer.body, now_ms, form).readings
        else:
            decoded = self._map.read(answer.body, now_ms, prefix=self._settings["prefix"])
            for rejected in decoded.rejections:
                self.health.reject(rejected)
            readings = decoded.readings
        # Without instants of its own an unchanged document is a new measurement all the same.
        timed = bool(readings) and all(reading.stamp is Stamp.SENSOR for reading in readings)
        self._tag = answer.tag if timed and _TAG.fullmatch(answer.tag) else ""
        return readings

    def _status_error(self, status: int) -> AdapterError:
        where = self.describe()
        if status in (401, 403):
            return RefusedError(
                f"it answers {status}: not allowed", where=where, mend="Check the secrets given by _env and _file"
            )
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


def _get(
    client: httpx2.AsyncClient, url: httpx2.URL, headers: Mapping[str, str]
) -> AbstractAsyncContextManager[httpx2.Response]:
    return client.stream("GET", url, headers=dict(headers))


def _secret_headers(settings: Mapping[str, Any]) -> dict[str, str]:
    """Give the headers that hold secrets.  Raises SettingsError where they cannot be sent."""
    token, header, login = settings["token"], settings["token_header"], settings["login"]
    if not _HEADER.fullmatch(header):
        raise SettingsError(f"{header!r} is no header", where="token_header", mend='Write as "X-Api-Key"')
    bearer = header.lower() == "authorization"
    if token and login and bearer:
        raise SettingsError("both a token and a login are given", where="login", mend="Keep the one that is asked for")
    if bool(login) != bool(settings["password"]):
        mend = "Give login together with password_env or password_file"
        raise SettingsError("login and password belong together", where="login", mend=mend)
    if token and not _VISIBLE.fullmatch(token):
        raise SettingsError("the token has characters that no header can hold", where="token", mend="Check its file")
    headers = {header: f"Bearer {token}" if bearer else token} if token else {}
    if login:
        pair = f"{login}:{settings['password']}".encode()
        headers["Authorization"] = f"Basic {base64.b64encode(pair).decode()}"
    return headers


def _checked_url(text: str) -> httpx2.URL:
    mend = 'Write it whole: "http://192.0.2.7/status.json"'
    try:
        url = httpx2.URL(text)
    except (httpx2.InvalidURL, ValueError) as error:
        raise SettingsError(f"{text[:80]!r} is no address ({error})", where="url", mend=mend) from error
    if url.scheme not in ("http", "https") or not url.host:
        raise SettingsError(f"{text[:80]!r} is no web address", where="url", mend=mend)
    if url.userinfo:
        raise SettingsError(
            "secrets do not belong in the settings file", where="url", mend="Use login and password_env"
        )
    return url
