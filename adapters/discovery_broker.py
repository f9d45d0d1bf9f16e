"""Looking for sensors at an MQTT broker: packs, topics with plain numbers, JSON documents. It listens only.

We are a client of our own there that keeps no session, so nothing is taken away from a running adapter.
"""

from __future__ import annotations

import asyncio
import itertools
import json
import re
import uuid
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

import aiomqtt

from adapters.contract import WallClock
from adapters.discovery import NAME_IT, UNNAMED, WHICH_ONE, Findings, Found
from adapters.framing.columns import number_of
from adapters.framing.senml import decode_pack
from adapters.framing.senml_records import Form
from adapters.framing.topic_rules import TopicRules
from adapters.mqtt_link import Broker, Message, connected, tls_context

SAME_TOPIC_S: Final = 0.3
"""A topic is looked at no more often: a broker may carry thousands of messages a second."""
MOST_DOCUMENT_BYTES: Final = 20_000
MOST_NUMBERS: Final = 12
"""Of a longer document only the first numbers are shown."""
MOST_STEPS: Final = 6
_LARGEST: Final = 1e15
_NUMBER: Final = re.compile(rb"\s*[+-]?\d{1,9}(\.\d{1,12})?\s*")


async def at_a_broker(
    findings: Findings,
    clock: WallClock,
    broker: Broker,
    topic: str = "#",
    entry: Mapping[str, Any] | None = None,
    wired: Sequence[Mapping[str, Any]] = (),
) -> None:
    """Listen to everything that a broker lets us hear: packs, topics with plain numbers, and JSON documents.

    entry: how an adapter is wired to this broker (its settings without topics); made from `broker` where missing.
    wired: checked settings of adapters at this broker; topics that their rules read are told by the sensors' names.
    """
    rules = [TopicRules(one["numbers"], one["prefix"], one["documents"]) for one in wired]
    ours = replace(broker, client_id=f"lumberroom-discover-{uuid.uuid4().hex[:8]}", keep_s=0)
    known = dict(entry) if entry is not None else _entry(broker)
    looked_s: dict[str, float] = {}
    loop = asyncio.get_running_loop()
    async with connected(ours, [topic], clock.now_ms) as link:
        findings.troubles.pop(str(broker), None)
        async for messages in link.messages():
            for message in messages:
                if loop.time() - looked_s.get(message.topic, -SAME_TOPIC_S) >= SAME_TOPIC_S:
                    if len(looked_s) > 5_000:
                        looked_s.clear()
                    looked_s[message.topic] = loop.time()
                    if not _heard_by_rule(findings, rules, message):
                        _heard_at_broker(findings, known, message)


def _entry(broker: Broker) -> dict[str, Any]:
    """Write down how an adapter is wired to a broker. A login's password must come from elsewhere."""
    entry: dict[str, Any] = {"broker": broker.host, "port": broker.port}
    if broker.tls:
        entry["tls"] = True
    if broker.protocol is not aiomqtt.ProtocolVersion.V5:
        entry["version"] = "3.1.1"
    return entry | ({"login": broker.login} if broker.login else {})


def _heard_by_rule(findings: Findings, rules: Sequence[TopicRules], message: Message) -> bool:
    """Note what an adapter makes of a message already; say whether one does."""
    rule = next((one for one in rules if one.covers(message.topic)), None)
    if rule is None:
        return False
    readings = rule.read(message.topic, message.payload, message.at_ms).readings
    for sensor in dict.fromkeys(reading.sensor for reading in readings):
        found = findings.at(Found("mqtt", message.topic, sensor, "mqtt_topics"))
        if found is not None:
            found.take([reading for reading in readings if reading.sensor == sensor], message.at_ms)
    return True


def _heard_at_broker(findings: Findings, entry: Mapping[str, Any], message: Message) -> None:
    note = "kept by the broker, of unknown age" if message.retained else ""
    if _NUMBER.fullmatch(message.payload):
        settings = {**entry, "numbers": {message.topic: {"sensor": NAME_IT, "quantity": WHICH_ONE}}}
        fresh = Found("mqtt", message.topic, message.topic, "mqtt_topics", settings, note or "a plain number")
        if (found := findings.at(fresh)) is not None:
            found.take([], message.at_ms)
            found.put("number", float(message.payload), message.at_ms)
        return
    if numbers := dict(_numbers_in(message.payload)):
        _heard_document(findings, entry, message, numbers, note)
        return
    settings = {**entry, "topics": [message.topic]}
    readings = decode_pack(message.payload, message.at_ms, form=Form.EITHER, default_sensor=UNNAMED).readings
    for sensor in dict.fromkeys(reading.sensor for reading in readings):
        named = settings | ({"sensor": NAME_IT} if sensor == UNNAMED else {})
        found = findings.at(Found("mqtt", message.topic, sensor, "mqtt_topics", named, note))
        if found is not None:
            found.take([reading for reading in readings if reading.sensor == sensor], message.at_ms)


def _heard_document(
    findings: Findings, entry: Mapping[str, Any], message: Message, numbers: Mapping[str, float], note: str
) -> None:
    table = {"sensor": NAME_IT, "values": dict.fromkeys(numbers, WHICH_ONE)}
    settings = {**entry, "documents": {message.topic: table}}
    found = findings.at(Found("mqtt", message.topic, message.topic, "mqtt_topics", settings, note or "a JSON document"))
    if found is None:
        return
    found.take([], message.at_ms)
    for pointer, value in numbers.items():
        found.put(pointer, value, message.at_ms)


def _numbers_in(payload: bytes) -> Iterator[tuple[str, float]]:
    """Give the numbers of a JSON object, by JSON Pointer; nothing of anything else."""
    if not payload.lstrip().startswith(b"{") or len(payload) > MOST_DOCUMENT_BYTES:
        return
    try:
        document = json.loads(payload)
    except (ValueError, RecursionError):
        return
    yield from itertools.islice(_leaves("", document, MOST_STEPS), MOST_NUMBERS)


def _leaves(pointer: str, value: Any, steps_left: int) -> Iterator[tuple[str, float]]:
    if isinstance(value, Mapping | list) and steps_left:
        pairs = value.items() if isinstance(value, Mapping) else enumerate(value)
        for key, one in pairs:
            step = str(key).replace("~", "~0").replace("/", "~1")
            if step.isprintable():
                yield from _leaves(f"{pointer}/{step}", one, steps_left - 1)
    elif isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < _LARGEST:
        yield pointer, float(value)
    elif isinstance(value, str) and isinstance(number := number_of(value), float):
        yield pointer, number


def broker_of(settings: Mapping[str, Any]) -> Broker:
    """Give the broker that the checked settings of an adapter (kind mqtt_topics) name. Blocks: it reads certificates.

    Raises SettingsError when these cannot be read.
    """
    return Broker(
        host=settings["broker"],
        port=settings["port"] or (8883 if settings["tls"] else 1883),
        client_id="lumberroom-discover",
        protocol=aiomqtt.ProtocolVersion.V311 if settings["version"] == "3.1.1" else aiomqtt.ProtocolVersion.V5,
        keepalive_s=15,
        keep_s=0,
        tls=tls_context(settings) if settings["tls"] else None,
        login=settings["login"],
        password=settings["password"],
    )
