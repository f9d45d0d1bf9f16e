"""`lumberroom incidents`: the list, one with its journal, actions with the daemon stopped and running."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, ClassVar

import pytest
from click.testing import CliRunner, Result

from ingest.cli.main import main
from ingest.site.actor import SETTINGS, WATCH
from ingest.site.incidents import Incident, IncidentKind, Severity
from ingest.site.places import Room, Sensor, Site
from ingest.store.file.opening import FILE_NAME, WriterMark
from ingest.store.sqlite_store import SqliteStore

T0_MS = 1_795_600_800_000
SITE = Site("Invented joinery", "Europe/Berlin", rooms=(Room("oak", "Oak store"),), sensors=(Sensor("a", "oak"),))


def window(number: int, closed_ms: int | None) -> Incident:
    """Make an incident of the oak store."""
    at_ms = T0_MS + number * 3_600_000
    severity = Severity.SEVERE if number == 3 else Severity.SLIGHT
    return Incident(
        f"oak.window.{number}", "oak", "a", IncidentKind.WINDOW, at_ms, at_ms + 1000, "RH was above 50 %.", closed_ms,
        "rh_percent", 50.0, 61.0, at_ms, severity=severity, excess_hours=30.0,
    )  # fmt: skip


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A store with two incidents that are over and one that goes on."""
    with SqliteStore.open(tmp_path / FILE_NAME) as store, store.transaction() as work:
        work.save_site(SITE, at_ms=T0_MS, by=SETTINGS)
        for number in (1, 2, 3):
            work.put_incident(window(number, None if number == 3 else T0_MS + 10**8), at_ms=T0_MS, by=WATCH)
    return tmp_path


def incidents(*arguments: object) -> Result:
    """Run the command in this process."""
    return CliRunner().invoke(main, ["incidents", *map(str, arguments)])


def test_the_list_says_how_bad_and_where_each_stands(data: Path) -> None:
    """Newest first, narrowed by what goes on and by severity; JSON has the fields by their names."""
    listed = incidents("list", data)
    assert listed.exit_code == 0, listed.output
    heads = [line for line in listed.output.splitlines() if line.startswith("oak")]
    assert [head.split()[0] for head in heads] == ["oak.window.3", "oak.window.2", "oak.window.1"]
    assert "(severe, active), since Wed 25 Nov 2026, 14:00 CET" in heads[0]
    assert incidents("list", data, "--open").output.count("oak.window") == 1
    found = json.loads(incidents("list", data, "--severity", "serious", "--json").output)
    assert [(one["id"], one["life"], one["severity"]) for one in found] == [("oak.window.3", "active", "severe")]


def test_actions_go_into_the_record_and_are_shown_with_its_hashes(data: Path) -> None:
    """Named by a part of the id, acknowledged, closed with a reason, opened again: all of it in the journal."""
    for words in (
        ("acknowledge", data, "window", "--by", "Anna", "--note", "on my way"),
        ("mute", data, "window", "--by", "Anna", "--for", "4h"),
        ("close", data, "window", "--by", "Ben", "--reason", "drying on purpose"),
        ("reopen", data, "window", "--by", "Ben"),
        ("note", data, "oak.window.1", "--by", "Ben", "--text", "the door stood open"),
    ):
        done = incidents(*words)
        assert done.exit_code == 0, done.output
    shown = incidents("show", data, "window.3").output
    for said in (
        "Anna acknowledged it",
        "on my way",
        "drying on purpose",
        "Reopened",
        "more than 30",
    ):
        assert said in shown
    with SqliteStore.open(data / FILE_NAME, read_only=True) as store:
        entries = store.read.history("handling", "oak.window.3")
        assert [entry.by for entry in entries] == [f"command {name}" for name in ("Anna", "Anna", "Ben", "Ben")]
        assert all(entry.hash in shown for entry in entries)
        assert store.read.record_head()[1] in shown
    assert "the door stood open" in incidents("show", data, "oak.window.1", "--json").output


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("acknowledge", "nothing", "--by", "Anna"), 4, "there is no such incident"),
        (("acknowledge", "oak.window", "--by", " "), 4, "Give a name"),
        (("mute", "oak.window", "--by", "Anna", "--for", "long"), 2, "Write it like 90m, 4h, 3d or 1w"),
        (("mute", "oak.window.1", "--by", "Anna", "--for", "1h"), 4, "this incident is over"),
        (("reopen", "oak.window", "--by", "Anna"), 4, "nobody has closed this incident by hand"),
        (("unmute", "oak.window", "--by", "Anna"), 4, "nobody muted alerts"),
        (("close", "oak.window", "--by", "Anna", "--reason", " "), 4, "needs a reason"),
    ],
)
def test_what_cannot_be_is_a_sentence_and_changes_nothing(
    data: Path, words: tuple[str, ...], code: int, says: str
) -> None:
    """Each refusal has its sentence and its exit code, and the record stays as it was."""
    refused = incidents(words[0], data, *words[1:])
    assert (refused.exit_code, says in refused.output) == (code, True), refused.output
    with SqliteStore.open(data / FILE_NAME, read_only=True) as store:
        assert store.read.record_head()[0] == 4


class Page(BaseHTTPRequestHandler):
    """A daemon's page that keeps what it was asked."""

    asked: ClassVar[list[tuple[str, dict[str, Any]]]] = []
    answer = 200

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.asked.append((self.path, json.loads(body)))
        said = {"detail": "this incident is over.", "where": "x", "mend": "Leave a note instead."}
        self.send_response(self.answer)
        self.end_headers()
        self.wfile.write(json.dumps(said).encode())

    def log_message(self, *_: object) -> None:
        """Say nothing."""


@pytest.fixture
def page() -> Iterator[str]:
    """A page on a loopback port."""
    server = ThreadingHTTPServer(("127.0.0.1", 0), Page)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    Page.asked, Page.answer = [], 200
    yield f"http://127.0.0.1:{server.server_port}/"
    server.shutdown()
    thread.join()
    server.server_close()


def test_a_running_daemon_is_asked_to_do_it(data: Path, page: str) -> None:
    """While another process writes the store, the action goes to its page; its refusal is ours."""
    mark = WriterMark(data / FILE_NAME)
    try:
        done = incidents("acknowledge", data, "window", "--by", "Anna", "--page", page)
        assert done.exit_code == 0, done.output
        assert Page.asked == [
            (
                "/api/v1/incidents/oak.window.3/actions",
                {"action": "acknowledged", "by": "Anna", "note": "", "until_ms": None},
            )
        ]
        Page.answer = 409
        refused = incidents("close", data, "window", "--by", "Anna", "--reason", "x", "--page", page)
        assert (refused.exit_code, "this incident is over" in refused.output) == (4, True)
        away = incidents("unmute", data, "window", "--by", "Anna", "--page", "http://127.0.0.1:1/")
        assert (away.exit_code, "cannot be reached" in away.output) == (5, True)
    finally:
        mark.release()
