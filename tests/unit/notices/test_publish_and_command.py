"""Publishing to a real broker and running real programs; the one JSON form of all ways held to its schema."""

from __future__ import annotations

import asyncio
import importlib.util
import json
import os
import stat
import time
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest

import ingest.notices
from ingest.notices.channels.channel import Later, Refused, Sent
from ingest.notices.channels.publish import BrokerSettings, PublishChannel, topic_of
from ingest.notices.channels.run_command import CommandChannel, CommandSettings
from ingest.notices.letters.compose import Beside
from ingest.notices.letters.writing import Writer
from ingest.notices.links import Links
from ingest.notices.notice_json import body_of
from ingest.notices.outbox import enqueue, trial_notice
from ingest.notices.recipients import Recipient
from ingest.notices.rounds import collect
from ingest.site.actor import WATCH
from ingest.site.incidents import Notice, NoticeKind

T0_MS = 1_795_600_800_000
HELPER = Path(__file__).parents[1] / "adapters" / "mosquitto_broker.py"
SCHEMA = json.loads((Path(ingest.notices.__file__).parent / "notice.schema.json").read_text("utf-8"))


@pytest.fixture
async def broker(tmp_path: Path) -> AsyncIterator[Any]:
    """A running mosquitto with TLS and login."""
    spec = importlib.util.spec_from_file_location("mosquitto_broker", HELPER)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    folder = tmp_path / "broker"
    folder.mkdir()
    running = module.Mosquitto(folder)
    await running.start()
    yield running
    running.end()


@pytest.fixture
def notice(store, post, incident) -> Notice:
    """A notice of the open incident."""
    post(incident)
    return store.read.notices()[0]


def to_broker(broker: Any, **more: Any) -> PublishChannel:
    settings = BrokerSettings(
        "yard", "127.0.0.1", broker.port, topic="climate/notices", tls=True, login=broker.settings["login"],
        password=broker.settings["password"], ca_file=Path(broker.settings["ca_file"]), timeout_s=3.0,
    )  # fmt: skip
    return PublishChannel({"yard": replace(settings, **more)}, Writer("http://store.example/"))


async def test_a_published_notice_arrives_under_its_room_and_kind(broker, notice) -> None:
    """A subscriber gets the JSON with QoS 1 under topic/room/kind; retained, also one who comes later."""
    notice = replace(notice, recipient="yard")
    async with asyncio.timeout(20), broker.publisher() as reader:
        await reader.subscribe("climate/#", qos=1)
        assert await to_broker(broker).send(notice) == Sent()
        message = await anext(aiter(reader.messages))
        assert (str(message.topic), message.qos, message.retain) == ("climate/notices/store/opened", 1, False)
        said = json.loads(message.payload)
        assert said["subject"] == "Plank store too damp: RH 61.3 %, limit 55 %"
        assert await to_broker(broker, retain=True).send(notice) == Sent()
    async with asyncio.timeout(20), broker.publisher() as later:
        await later.subscribe("climate/#", qos=1)
        message = await anext(aiter(later.messages))
        assert message.retain
        assert json.loads(message.payload) == said


async def test_a_broker_that_does_not_take_it_is_told_with_its_mend(broker, notice) -> None:
    """Wrong login, untrusted certificate, nobody there, no such broker: put off, each with its own sentence."""
    notice = replace(notice, recipient="yard")

    async def reason(channel: PublishChannel) -> str:
        outcome = await channel.send(notice)
        assert isinstance(outcome, Later)
        assert broker.settings["password"] not in outcome.reason
        return outcome.reason

    assert "Check address and login" in await reason(to_broker(broker, password="wrong"))
    assert "is not trusted" in await reason(to_broker(broker, ca_file=None))
    assert "did not take it" in await reason(to_broker(broker, port=1))
    assert "No broker called" in await reason(PublishChannel({}, Writer()))
    assert await reason(to_broker(broker, trouble="No password.")) == "No password."


def test_no_room_changes_the_shape_of_a_topic(notice) -> None:
    """An odd room id adds no levels or wildcards; notices about several rooms have a level of their own."""
    odd = replace(notice, facts={**notice.facts, "room": "a/+#b"})
    assert topic_of("x/", odd) == "x/a---b/opened"
    assert topic_of("x", replace(notice, kind=NoticeKind.DIGEST, facts={})) == "x/site/digest"


def program(tmp_path: Path, text: str) -> tuple[str, ...]:
    path = tmp_path / "program.sh"
    path.write_text(f"#!/bin/sh\n{text}\n", encoding="utf-8")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return (str(path), "one argument; $(touch never)")


def running(run: tuple[str, ...], timeout_s: float = 5.0) -> CommandChannel:
    return CommandChannel({"bell": CommandSettings("bell", run, timeout_s)}, Writer())


async def test_a_command_gets_the_notice_and_nothing_else(tmp_path, notice, monkeypatch) -> None:
    """JSON on standard input, arguments as they stand and no shell, an environment without our secrets."""
    monkeypatch.setenv("LUMBERROOM_MAIL_PASSWORD", "oak")
    run = program(tmp_path, f'cat > {tmp_path}/in; env > {tmp_path}/env; printf "%s" "$1" > {tmp_path}/arg')
    assert await running(run).send(replace(notice, recipient="bell")) == Sent()
    assert json.loads((tmp_path / "in").read_text())["notice"] == notice.number
    names = {line.partition("=")[0] for line in (tmp_path / "env").read_text().splitlines()}
    assert names - {"PWD", "_", "SHLVL", "OLDPWD"} == {"PATH", "LANG", "LUMBERROOM_NOTICE"}
    assert (tmp_path / "arg").read_text() == run[1]


@pytest.mark.parametrize(
    ("text", "kind", "word"),
    [
        ("echo no paper >&2; exit 3", Later, "ended with 3: no paper"),
        ("echo never >&2; exit 100", Refused, "refuses this notice for good: never"),
        ("kill -9 $$", Later, "was ended by signal 9"),
        ("exit 0", Sent, ""),
        ("exec 0<&-; exit 0", Sent, ""),  # one that does not read what it is given
    ],
)
async def test_the_exit_code_is_the_outcome(tmp_path, notice, text, kind, word) -> None:
    """0 is taken, 100 is refused for good, all else is tried again, with what the program said."""
    outcome = await running(program(tmp_path, text)).send(replace(notice, recipient="bell"))
    assert isinstance(outcome, kind)
    assert word in getattr(outcome, "reason", "")


async def test_a_command_that_hangs_is_ended_with_all_it_started(tmp_path, notice) -> None:
    """After its time-out nothing of it runs any more, its child neither."""
    run = program(tmp_path, f"sleep 600 & echo $! > {tmp_path}/child; wait")
    begun_s = time.monotonic()
    outcome = await running(run, 0.5).send(replace(notice, recipient="bell"))
    assert isinstance(outcome, Later)
    assert "did not end within 0.5 s" in outcome.reason
    assert time.monotonic() - begun_s < 3.0
    child = int((tmp_path / "child").read_text())
    for _ in range(100):
        if not Path(f"/proc/{child}").exists() or "\nState:\tZ" in Path(f"/proc/{child}/status").read_text():
            break
        await asyncio.sleep(0.02)
    else:
        os.kill(child, 9)
        pytest.fail("the child of an ended command went on running")


async def test_a_command_that_is_not_there_is_told(notice) -> None:
    """A path that is no program is put off with its reason."""
    outcome = await running(("/no/such/program",)).send(replace(notice, recipient="bell"))
    assert isinstance(outcome, Later)
    assert "cannot be started" in outcome.reason


def test_every_kind_of_notice_keeps_to_the_schema(store, site, incident) -> None:
    """Opened, closed, collected and test: each validates against notice.schema.json (JSON Schema 2020-12)."""
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    recipient = Recipient("floor@example.org", most_per_hour=1)
    other = replace(incident, id="other")
    with store.transaction() as work:
        for one in (incident, other, replace(other, id="third")):
            work.put_incident(one, at_ms=T0_MS, by=WATCH)
            enqueue(work, [one], site, [recipient], now_ms=T0_MS)
        collect(work, recipient, now_ms=T0_MS + 3_600_000)
        enqueue(work, [replace(incident, closed_ms=T0_MS + 9_000_000)], site, [recipient], now_ms=T0_MS + 9_000_000)
    notices = [*store.read.notices(), trial_notice(site, recipient, now_ms=T0_MS)]
    links = Links(b"k" * 32, "https://wood.example.org")
    for notice in notices:
        said = body_of(notice, Beside("http://store.example/", actions=links.actions("i", "who", T0_MS)))
        jsonschema.validate(said, SCHEMA, cls=jsonschema.Draft202012Validator)
    assert {"opened", "closed", "collected"} <= {notice.kind.value for notice in notices}


def test_the_schema_refuses_what_is_not_a_notice(notice) -> None:
    """The schema is no formality: a body with a field missing or of another kind does not pass."""
    said = body_of(notice)
    for broken in (
        {**said, "notice": "1"},
        {**said, "kind": "rumour"},
        {k: v for k, v in said.items() if k != "subject"},
    ):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(broken, SCHEMA, cls=jsonschema.Draft202012Validator)
