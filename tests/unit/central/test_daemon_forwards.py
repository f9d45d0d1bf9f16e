"""The daemon with a central engine: readings arrive there, and nothing of the site's own ever waits for it."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from dashboards.services import ForwardingStatus
from ingest.errors import SettingsError
from ingest.runtime.daemon import STOP_LIMIT_S
from ingest.settings.reading import parse
from ingest.site.series import SeriesKey
from ingest.store.file.opening import FILE_NAME
from ingest.store.sqlite_store import SqliteStore

WIRING = """
[site]
name = "Lakeside"
time_zone = "Europe/Berlin"
[page]
port = 0
[central]
site = "{site}"
address = "{address}"
[[adapter]]
name = "simulated"
type = "simulated_room"
sensor = "hall-1"
interval_s = 1
[[room]]
id = "hall"
[[room.sensor]]
id = "hall-1"
"""


class Running:
    """A daemon's process."""

    def __init__(self, folder: Path, address: str, site: str) -> None:
        self.folder = folder
        file, log = folder / "lumberroom.toml", folder / "log"
        file.write_text(WIRING.format(address=address, site=site), encoding="utf-8")
        with log.open("wb") as out:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "ingest.cli.main", "run", str(file), "--log", "json"], stderr=out
            )
        self.page = until(lambda: _page(log.read_text()), 20)

    def get(self, path: str) -> Any:
        """Ask the page."""
        try:
            with urllib.request.urlopen(self.page + path, timeout=5) as answer:
                return answer.read().decode()
        except urllib.error.HTTPError as error:
            return error.read().decode()

    def stop(self) -> float:
        """Ask it to end and give how long that took (s)."""
        begun_s = time.monotonic()
        self.process.send_signal(signal.SIGTERM)
        assert self.process.wait(STOP_LIMIT_S + 5) == 0
        return time.monotonic() - begun_s


def _page(log: str) -> str:
    return log.partition("Page: ")[2].partition("  (")[0]


def until(look: Any, seconds: float) -> Any:
    """Look again and again until there is something."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if found := look():
            return found
        time.sleep(0.1)
    raise AssertionError("it did not come about in time")


def test_a_sites_readings_arrive_and_page_and_health_tell_how_far(tmp_path: Path, metrics: Any) -> None:
    """From a settings file to a real engine: measured and derived fields there, lag and address on page and health."""
    running = Running(tmp_path, metrics.url, "lakeside-walk")
    try:
        until(lambda: metrics.count("lumberroom_emc_percent", "lakeside-walk"), 20)
        until(lambda: metrics.count("lumberroom_site_alive", "lakeside-walk") == 1, 20)
        health = json.loads(running.get("health"))
        assert health["status"] == "well"
        assert health["central"]["engine"] == metrics.url
        assert health["central"]["trouble"] == ""
        assert health["central"]["accepted"] > 0
        assert f"To {metrics.url}: up to date." in running.get("connections")
    finally:
        assert running.stop() < STOP_LIMIT_S


def test_an_engine_that_never_answers_holds_up_nothing(tmp_path: Path) -> None:
    """A server that takes connections and says nothing: readings are stored each second, the page answers, the daemon
    stops in time."""
    with socket.create_server(("127.0.0.1", 0)) as deaf:
        running = Running(tmp_path, f"http://127.0.0.1:{deaf.getsockname()[1]}", "lakeside-deaf")
        key = SeriesKey("hall-1", "temperature_c")
        with SqliteStore.open(tmp_path / "lumberroom-data" / FILE_NAME, read_only=True) as store:

            def stored() -> int:
                return len(store.read.read(key, 0, 2**52))

            until(lambda: stored() >= 2, 10)
            begun, begun_s = stored(), time.monotonic()
            until(lambda: stored() >= begun + 3, 10)
            assert time.monotonic() - begun_s < 6
        assert json.loads(running.get("health"))["central"]["wired"] is True
        assert running.stop() < STOP_LIMIT_S


def test_the_page_says_what_keeps_readings_from_arriving(tmp_path: Path) -> None:
    """Nobody at the address: health names it, the daemon is still well (its own watch needs no engine)."""
    running = Running(tmp_path, "http://127.0.0.1:9", "lakeside-nobody")
    try:
        said = until(lambda: json.loads(running.get("health"))["central"].get("trouble"), 10)
        assert "127.0.0.1:9 cannot be reached: " in said
        assert json.loads(running.get("health"))["status"] == "well"
        assert "cannot be reached" in running.get("connections")
    finally:
        running.stop()


SITE = '[site]\nname = "Lakeside"\ntime_zone = "Europe/Berlin"\n'
CENTRAL = '[central]\nsite = "lakeside"\naddress = "http://127.0.0.1:8428"\n'


def test_the_section_is_read_and_its_token_shown_nowhere(tmp_path: Path) -> None:
    """Address, kind, bucket and token; the token from the environment, in no representation, blotted out of logs."""
    text = (
        SITE
        + CENTRAL
        + 'engine = "influxdb"\norg = "firm"\nbucket = "sites"\ntoken_env = "CENTRAL"\nread_back = false\n'
    )
    wiring = parse(text, tmp_path / "lumberroom.toml", {"CENTRAL": "s3cret-token"})
    assert wiring.central is not None
    address = wiring.central.address
    assert (wiring.central.site_id, wiring.central.read_back) == ("lakeside", False)
    assert (address.url, address.kind, address.org, address.bucket) == (
        "http://127.0.0.1:8428",
        "influxdb",
        "firm",
        "sites",
    )
    assert address.token == "s3cret-token"
    assert "s3cret-token" not in repr(wiring)
    assert "s3cret-token" in wiring.secrets()


@pytest.mark.parametrize(
    ("section", "said"),
    [
        ("[central]\n", "address: this key is missing. Add it: address ="),
        ('[central]\naddress = "http://x:1"\n', 'site: this key is missing. Add it: site = "lakeside-house".'),
        (CENTRAL.replace('"lakeside"', '"Lake Side"'), "this cannot be the id of a site. Use 1 to 40"),
        (CENTRAL.replace("http://", "ftp://"), "this is not a web address. Write it like"),
        (CENTRAL.replace("http://", "http://me:pass@"), "holds no login and no query. A login goes into token_env"),
        (CENTRAL + 'engine = "victoria"\n', 'not one of the choices. Did you mean "victoriametrics"?'),
        (CENTRAL + 'engine = "influxdb"\n', "InfluxDB needs a bucket to write to. Add bucket"),
        (CENTRAL + 'token = "abc"\n', "LUMBERROOM_CENTRAL_TOKEN"),
        (CENTRAL + 'token_env = "A"\ntoken_file = "b"\n', "the token is given twice"),
        (CENTRAL + 'adress = "x"\n', "there is no such key. Did you mean address?"),
        (CENTRAL + 'ca_file = "not-there.pem"\n', "not-there.pem cannot be read"),
        (CENTRAL + 'read_back = "yes"\n', "this must be true or false"),
    ],
)
def test_mistakes_are_told_with_their_mend(tmp_path: Path, section: str, said: str) -> None:
    """What is wrong in [central] is told like every other section's mistakes: which key, what, and how to mend it."""
    with pytest.raises(SettingsError) as caught:
        parse(SITE + section, tmp_path / "lumberroom.toml", {})
    assert said in str(caught.value)
    assert "abc" not in str(caught.value)


def test_a_token_that_would_travel_readable_is_worth_a_word(tmp_path: Path) -> None:
    """Plain HTTP to another machine with a token is allowed, and said; so is a token that is not there."""
    text = SITE + CENTRAL.replace("127.0.0.1", "engine.example.org") + 'token_env = "CENTRAL"\n'
    told = " ".join(parse(text, tmp_path / "lumberroom.toml", {"CENTRAL": "x"}).cautions)
    assert "travels over the network readable" in told
    told = " ".join(parse(text, tmp_path / "lumberroom.toml", {}).cautions)
    assert "CENTRAL is not set" in told


def test_arrivals_say_how_forwarding_fares() -> None:
    """Up to date, behind, past to go, set aside: each in words."""
    from dashboards.connections.gather import _forwarding

    assert _forwarding(None) == ""
    assert _forwarding(ForwardingStatus("http://e", behind=3, lag_s=8)) == "To http://e: up to date."
    told = _forwarding(ForwardingStatus("http://e", 500, 7200, 86400 * 30, 1))
    assert "500 changes are waiting, the oldest for 2 h" in told
    assert "30 d" in told or "30 days" in told
    assert "1 reading is set aside" in told
    told = _forwarding(ForwardingStatus("http://e", set_aside=2, refused="rh_percent of a, 2026-01-01T00:00Z: no room"))
    assert told.endswith("they are safe here. Refused last: rh_percent of a, 2026-01-01T00:00Z: no room.")
