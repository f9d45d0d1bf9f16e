"""Subscribes to topics of an MQTT broker: SenML packs (JSON or CBOR); plain numbers and JSON documents by rule.

The protocol is in `PROTOCOL.md`. A retained message is of unknown age: it counts where it says when it was measured,
and is passed over where it does not.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import platform
import ssl
from collections.abc import AsyncIterator, Mapping, Sequence
from typing import Any, ClassVar, Final

import aiomqtt

from adapters.contract import (
    AdapterHealth,
    Reading,
    Setting,
    SettingsError,
    Stamp,
    WallClock,
    Why,
    rejection,
)
from adapters.framing.senml_records import Form
from adapters.framing.topic_rules import TopicRules
from adapters.mqtt_link import Broker, Link, Message, connected, tls_context
from adapters.packs import PACK_SETTINGS, PackReader

_VERSIONS: Final = {"5": aiomqtt.ProtocolVersion.V5, "3.1.1": aiomqtt.ProtocolVersion.V311}
_SHARED: Final = "$share"


class MqttTopics:
    """One broker and the topics that are read there."""

    SUMMARY: ClassVar[str] = "topics of an MQTT broker (SenML packs; plain numbers and JSON documents by rule)"
    SETTINGS: ClassVar[tuple[Setting, ...]] = (
        Setting("broker", str, "the broker's host name or address", required=True),
        Setting("port", int, "its port; 0 = 8883 with TLS, 1883 without", 0, minimum=0, maximum=65_535),
        Setting("topics", list, 'topics with SenML packs, as ["climate/#"]; shared: "$share/group/climate/#"', ()),
        Setting("numbers", dict, 'topics with plain numbers: { "house/{sensor}/t" = "temperature_c" }', {}),
        Setting(
            "documents",
            dict,
            'topics with JSON documents: { "house/{sensor}/state" = { values = { "/t" = "temperature_c" } } }',
            {},
        ),
        Setting("tls", bool, "whether the connection is encrypted and the broker's certificate checked", default=False),
        Setting(
            "ca_file", str, "the certificate of the authority that signed the broker's, if it is your own", is_path=True
        ),
        Setting("cert_file", str, "our own certificate, where the broker asks for one", is_path=True),
        Setting("key_file", str, "the key of our own certificate", is_path=True),
        Setting("login", str, "the login name"),
        Setting("password", str, "the password of the login", secret=True),
        Setting("version", str, "the version of MQTT", default="5", choices=tuple(_VERSIONS)),
        Setting("client_id", str, "what we call ourselves; empty = made from this computer and the topics", default=""),
        Setting("keepalive_s", int, "a broker that is silent for twice this is gone", 15, minimum=2, maximum=3600),
        Setting("keep_s", int, "how long the broker keeps messages while we are away", 86_400, minimum=0),
        *PACK_SETTINGS,
    )

    def __init__(self, settings: Mapping[str, Any], clock: WallClock) -> None:
        """Take checked settings; raises SettingsError where they do not go together."""
        self.health = AdapterHealth()
        self._clock = clock
        self._settings = dict(settings)
        self._packs = PackReader(settings, self.health)
        self._rules = TopicRules(settings["numbers"], settings["prefix"], settings["documents"])
        self._topic_filters = _checked_filters(settings["topics"]) + self._rules.topic_filters
        if not self._topic_filters:
            raise SettingsError("no topic is named", where="topics", mend="Name some under topics, numbers, documents")
        self._port: int = settings["port"] or (8883 if settings["tls"] else 1883)
        self._link: Link | None = None

    def describe(self) -> str:
        """Say what this is connected to."""
        return f"MQTT broker {self._settings['broker']}:{self._port}"

    async def readings(self) -> AsyncIterator[Sequence[Reading]]:
        """Connect, subscribe, and give what each message says.

        Raises LostDeviceError, RefusedError, TransientError and ProtocolError as `connected` and `Link.messages`,
        SettingsError when a certificate cannot be read.
        """
        tls = await asyncio.to_thread(tls_context, self._settings) if self._settings["tls"] else None
        async with connected(self._broker(tls), self._topic_filters, self._clock.now_ms) as link:
            overrun = 0
            self._link = link
            async with contextlib.aclosing(link.messages()) as coming:
                async for messages in coming:
                    batch = [reading for message in messages for reading in self._take(message)]
                    overrun = self._count_overrun(link, overrun)
                    if batch:
                        yield batch

    def stored(self) -> None:
        """Acknowledge what was given last to the broker, which keeps it until then."""
        if self._link is not None:
            self._link.acknowledge()

    def _broker(self, tls: ssl.SSLContext | None) -> Broker:
        settings = self._settings
        return Broker(
            host=settings["broker"],
            port=self._port,
            client_id=settings["client_id"] or self._made_client_id(),
            protocol=_VERSIONS[settings["version"]],
            keepalive_s=settings["keepalive_s"],
            keep_s=settings["keep_s"],
            tls=tls,
            login=settings["login"],
            password=settings["password"],
        )

    def _made_client_id(self) -> str:
        # The same after a restart, so that the broker's session is ours; another for another computer or adapter.
        told = "\n".join((platform.node(), self._settings["prefix"], *sorted(self._topic_filters)))
        return f"lumberroom-{hashlib.sha256(told.encode()).hexdigest()[:12]}"

    def _take(self, message: Message) -> Sequence[Reading]:
        if self._rules.covers(message.topic):
            decoded = self._rules.read(message.topic, message.payload, message.at_ms)
            for rejected in decoded.rejections:
                self.health.reject(rejected)
            readings: Sequence[Reading] = decoded.readings
        else:
            readings = self._packs.read(message.payload, message.at_ms, Form.EITHER).readings
        return self._not_of_unknown_age(readings) if message.retained else readings

    def _not_of_unknown_age(self, readings: Sequence[Reading]) -> list[Reading]:
        for reading in readings:
            if reading.stamp is Stamp.ARRIVAL:
                self.health.reject(rejection(Why.RETAINED, f"{reading.quantity} {reading.value:g}", reading.sensor))
        return [reading for reading in readings if reading.stamp is Stamp.SENSOR]

    def _count_overrun(self, link: Link, before: int) -> int:
        for _ in range(link.inbox.overrun - before):
            self.health.reject(rejection(Why.OVERRUN, self.describe()))
        return link.inbox.overrun


def _checked_filters(topics: Sequence[Any]) -> tuple[str, ...]:
    for topic in topics:
        if not isinstance(topic, str) or not _is_filter(topic):
            raise SettingsError(
                f"{topic!r} is no topic filter",
                where="topics",
                mend='Write levels between slashes; + stands for one level, # at the end for all below: "climate/#"',
            )
    return tuple(topics)


def _is_filter(topic: str) -> bool:
    """Hold a topic filter against the rules of MQTT (OASIS standard, version 5.0, section 4.7)."""
    levels = topic.split("/")
    if levels[0] == _SHARED:
        levels = levels[2:] if len(levels) > 2 and levels[1] and not set(levels[1]) & {"+", "#"} else []
    wild = any("#" in level or ("+" in level and level != "+") for level in levels[:-1])
    last = levels[-1] if levels else "#x"
    return not wild and (last in ("#", "+") or not set(last) & {"#", "+"}) and topic.isprintable() and topic != ""
