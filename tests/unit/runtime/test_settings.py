"""The settings file: what is right is read exactly, what is wrong is told in sentences, all at once."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from adapters.contract import AdapterError
from adapters.registry import kinds
from ingest.clock import SystemClock
from ingest.errors import SettingsError
from ingest.runtime.supervisor import make
from ingest.settings.reading import load, load_site, parse
from ingest.settings.site_text import site_text
from ingest.settings.wiring import Wiring
from ingest.site.places import Bounds, Place

SITE = '[site]\nname = "Lakeside"\ntime_zone = "Europe/Berlin"\n'
ROOM = '[[room]]\nid = "oak-store"\n'
MAIL = '[mail]\nserver = "mail.example.org"\nfrom = "l@example.org"\nto = ["a@example.org"]\n'
SERIAL = '[[adapter]]\nname = "hall"\ntype = "serial_line"\n'

FULL = """
[site]
name = "Lakeside house"
time_zone = "America/Denver"
elevation_ft = 5280
units = "us"

[data]
directory = "readings"

[page]
port = 9000
push_token_env = "TOKEN"

[mail]
server = "mail.example.org"
login = "lumber"
password_file = "mail.secret"
from = "lumberroom@example.org"
to = ["a@example.org", "b@example.org"]

[[adapter]]
name = "hall"
type = "serial_line"
port = "/dev/ttyUSB0"

[[room]]
id = "oak-store"
title = "Oak store"
holds = "oak boards, 20 mm"

[room.window]
temperature_f = [60, 80]
rh_percent = [30, 50]
emc_percent = { high = 9 }
alert_after_minutes = 20
margin_rh_percent = 1.5

[[room.sensor]]
id = "hall-1"
title = "by the door"

[[room.sensor]]
id = "hall-2"
place = "wood"
offline_after_minutes = 90
"""

Parse = Callable[[str], Wiring]


@pytest.fixture
def parsed(tmp_path: Path) -> Parse:
    """Give a function that checks the text of a settings file in an empty folder, with an empty environment."""
    return lambda text: parse(text, tmp_path / "lumberroom.toml", {})


def sentences(parsed: Parse, text: str) -> list[str]:
    """Give the sentences that a text's mistakes bring, without the file's name."""
    with pytest.raises(SettingsError) as caught:
        parsed(text)
    told = str(caught.value)
    if "\n" not in told:
        return [told.partition("lumberroom.toml: ")[2]]
    return [re.sub(r"^  \d+\. ", "", line) for line in told.splitlines()[1:]]


def test_everything_that_a_file_says_is_read(tmp_path: Path) -> None:
    """A full file comes back with every value, in our units, and paths beside the file."""
    path = tmp_path / "lumberroom.toml"
    path.write_text(FULL, encoding="utf-8")
    secret = tmp_path / "mail.secret"
    secret.write_text("correct horse\n", encoding="utf-8")
    secret.chmod(0o600)
    wiring = load(path, {"TOKEN": "let-me-in"})
    room = wiring.site.rooms[0]
    assert (wiring.site.name, wiring.site.time_zone, wiring.units) == ("Lakeside house", "America/Denver", "us")
    assert wiring.site.elevation_m == pytest.approx(1609.344)  # 5280 ft are one international mile
    assert wiring.data_directory == tmp_path / "readings"
    assert (wiring.page.listen, wiring.page.port, wiring.page.push_token) == ("127.0.0.1", 9000, "let-me-in")
    assert wiring.mail is not None
    assert (wiring.mail.port, wiring.mail.password, wiring.mail.trouble) == (587, "correct horse", "")
    assert wiring.mail.recipients == ("a@example.org", "b@example.org")
    assert wiring.adapters[0].settings["port"] == "/dev/ttyUSB0"
    assert room.window is not None
    assert room.window.temperature_c is not None
    assert room.window.temperature_c.low == pytest.approx(15.5556, abs=1e-4)
    assert room.window.temperature_c.high == pytest.approx(26.6667, abs=1e-4)
    assert (room.window.rh_percent, room.window.emc_percent) == (Bounds(30, 50), Bounds(high=9))
    assert (room.window.dwell_s, room.window.return_dwell_s, room.window.margin_rh_percent) == (1200, 1800, 1.5)
    assert [(s.id, s.place, s.offline_after_s) for s in wiring.site.sensors] == [
        ("hall-1", Place.AIR, 1800),
        ("hall-2", Place.WOOD, 5400),
    ]
    assert wiring.cautions == ()


def test_paths_of_adapters_are_meant_from_the_files_own_folder(parsed: Parse, tmp_path: Path) -> None:
    """A daemon started anywhere finds a replayed file, a watched folder and certificates beside its settings file."""
    wiring = parsed(
        '[site]\nname = "a"\ntime_zone = "UTC"\n'
        '[[adapter]]\nname = "one"\ntype = "replay"\npath = "recorded/hall.csv"\n'
        '[[adapter]]\nname = "two"\ntype = "dropped_files"\nfolder = "/srv/drops"\n'
        '[[adapter]]\nname = "three"\ntype = "mqtt_topics"\nbroker = "b"\ntopics = ["a"]\nca_file = "~/ca.pem"\n'
    )
    one, two, three = (adapter.settings for adapter in wiring.adapters)
    assert one["path"] == str(tmp_path / "recorded/hall.csv")
    assert two["folder"] == "/srv/drops"
    assert three["ca_file"] == str(Path.home() / "ca.pem")
    assert three["cert_file"] is None


@pytest.mark.parametrize(
    ("adapter", "words"),
    [
        (
            'type = "serial_poll"\nport = "/dev/x"\nquestions = [{ ask = "a", sensor = "s" }, { sensor = "s" }]\n',
            "questions, entry 2: it takes either ask or ask_hex",
        ),
        (
            'type = "http_poll"\nurl = "http://x/"\nsensor = "s"\nvalues = { "t" = "temperature_c" }\n',
            "'t' is no JSON Pointer",
        ),
        (
            'type = "mqtt_topics"\nbroker = "b"\nnumbers = { "a/b" = "temperature_c" }\n',
            '"a/b": it does not say whose numbers these are',
        ),
        ('type = "replay"\npath = "a.csv"\ntime_format = "%H:%M"\n', "does not say year, month and day"),
        ('type = "modbus_tcp"\nhost = "h"\nregisters = [{ sensor = "s" }]\n', "entry 1"),
        ('type = "http_poll"\nurl = "http://me:hunter2@h/"\n', "url: secrets do not belong in the settings file"),
    ],
)
def test_mistakes_inside_maps_rules_and_questions_are_found_with_the_others(
    parsed: Parse, adapter: str, words: str
) -> None:
    """What only the adapter itself understands is checked with the file, not first when the daemon starts."""
    (told, other) = sentences(parsed, f'[site]\nname = "a"\ntime_zone = "X"\n[[adapter]]\nname = "one"\n{adapter}')
    assert "[[adapter]]" in other
    assert words in other, told
    assert "hunter2" not in other


def test_secrets_are_in_no_representation(tmp_path: Path) -> None:
    """Printing a wiring, as a log or a trace may, shows no secret."""
    path = tmp_path / "lumberroom.toml"
    path.write_text(FULL.replace('password_file = "mail.secret"', 'password_env = "PW"'), encoding="utf-8")
    wiring = load(path, {"TOKEN": "let-me-in", "PW": "hunter2"})
    assert "hunter2" not in repr(wiring)
    assert "let-me-in" not in repr(wiring)
    assert wiring.secrets() == ("let-me-in", "hunter2")


MQTT = (
    SITE
    + """[[adapter]]
name = "broker"
type = "mqtt_topics"
broker = "localhost"
topics = ["climate/#"]
login = "me"
"""
)


def test_a_secret_of_an_adapter_comes_from_the_environment_or_a_file(tmp_path: Path) -> None:
    """Both ways lead to the same setting; the secret is in no representation, and the log knows to blot it out."""
    secret = tmp_path / "mqtt.secret"
    secret.write_text("hunter2\n", encoding="utf-8")
    secret.chmod(0o600)
    for line in ('password_env = "PW"', 'password_file = "mqtt.secret"'):
        wiring = parse(MQTT + line, tmp_path / "lumberroom.toml", {"PW": "hunter2"})
        assert wiring.adapters[0].settings["password"] == "hunter2"
        assert wiring.adapters[0].trouble == ""
        assert "hunter2" not in repr(wiring)
        assert wiring.secrets() == ("hunter2",)


def test_a_secret_that_is_not_there_stops_that_adapter_alone(tmp_path: Path) -> None:
    """The file is taken, with a caution; the adapter says what is missing when it is made."""
    wiring = parse(MQTT + 'password_env = "PW"', tmp_path / "lumberroom.toml", {})
    trouble = "the environment variable PW is not set. Set it and restart."
    assert f"The adapter broker cannot run: {trouble}" in wiring.cautions
    with pytest.raises(AdapterError, match=r"broker: the environment variable PW is not set\. Set it and restart"):
        make(wiring.adapters[0], SystemClock())


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ('password = "hunter2"', "secrets do not belong in the settings file, which gets copied"),
        ("password_env = 5", "5 is not a text in quotes"),
    ],
)
def test_a_secret_in_the_wiring_file_is_refused(tmp_path: Path, line: str, message: str) -> None:
    """The message says where it belongs and does not repeat it."""
    with pytest.raises(SettingsError) as caught:
        parse(MQTT + line, tmp_path / "lumberroom.toml", {})
    assert message in str(caught.value)
    assert "hunter2" not in str(caught.value)


BROKEN = [
    pytest.param(
        '[site]\nname = "Lakeside"\n',
        'line 1, [site] time_zone: this key is missing. Add it: time_zone = "Europe/Berlin".',
        id="a missing time zone",
    ),
    pytest.param(
        '[site]\nname = "Lakeside"\ntime_zone = "Europe/Berln"\n',
        'line 3, [site] time_zone = "Europe/Berln": there is no time zone of that name. Did you mean "Europe/Berlin"?',
        id="a misspelt time zone",
    ),
    pytest.param(
        ROOM,
        '[site]: this section is missing. Add it: [site] with name = "…" and time_zone = "Europe/Berlin".',
        id="a missing section",
    ),
    pytest.param(
        SITE + "[rooms]\n", "line 4, [rooms]: there is no such section. Did you mean [[room]]?", id="an unknown section"
    ),
    pytest.param(
        SITE + '[room]\nid = "x"\n',
        "line 4, [room]: there may be several of these. Write it in double brackets: [[room]].",
        id="single brackets",
    ),
    pytest.param(
        SITE + ROOM + 'titel = "Oak"\n',
        'line 6, [[room]] "oak-store" titel = "Oak": there is no such key. Did you mean title?',
        id="a misspelt key",
    ),
    pytest.param(
        SITE + '[page]\nport = "8430"\n',
        'line 5, [page] port = "8430": this must be a whole number. Write it without quotes and without a decimal '
        "point.",
        id="a number in quotes",
    ),
    pytest.param(
        SITE + "[page]\nport = 70000\n",
        "line 5, [page] port = 70000: this is too large. Use 0 to 65535.",
        id="a port out of range",
    ),
    pytest.param(
        SITE + '[page]\nlisten = "0.0.0.0"\n',
        'line 5, [page] listen = "0.0.0.0": the page would be open to everyone on the network, and it has no access '
        'control yet. Use listen = "127.0.0.1"; from another computer, reach it through an SSH tunnel: '
        "ssh -L 8430:127.0.0.1:8430 user@this-computer.",
        id="a page open to the network",
    ),
    pytest.param(
        SITE + MAIL + 'password = "hunter2"\n',
        "line 8, [mail] password: secrets do not belong in the settings file, which gets copied, mailed and kept in "
        'backups. Put it into an environment variable and name that: password_env = "LUMBERROOM_MAIL_PASSWORD", or '
        'into a file that only the daemon may read: password_file = "password.secret". Then delete this line.',
        id="a password in the file",
    ),
    pytest.param(
        SITE + MAIL + 'security = "start-tls"\n',
        'line 8, [mail] security = "start-tls": this is not one of the choices. Did you mean "starttls"? Use '
        '"starttls", "tls", "none".',
        id="a misspelt choice",
    ),
    pytest.param(
        SITE + MAIL + 'login = "me"\n',
        'line 8, [mail] login = "me": a login without a password. Add password_env = "LUMBERROOM_MAIL_PASSWORD" or '
        'password_file = "mail-password.secret".',
        id="a login without a password",
    ),
    pytest.param(
        SITE + MAIL + 'login = "me"\npassword_env = "P"\nsecurity = "none"\n',
        'line 10, [mail] security = "none": the password would travel over the network readable by anyone. Use '
        'security = "starttls" (port 587) or "tls" (port 465).',
        id="a password readable on the network",
    ),
    pytest.param(
        SITE + MAIL.replace('"a@example.org"', '"a@example.org", "nobody"'),
        'line 7, [mail] to = ["a@example.org", "nobody"]: "nobody": this is not a mail address. Write it plainly: '
        '"name@example.org".',
        id="not a mail address",
    ),
    pytest.param(
        SITE + '[[adapter]]\nname = "hall"\ntype = "serial_lin"\n',
        'line 6, [[adapter]] "hall" type = "serial_lin": there is no adapter kind \'serial_lin\' (did you mean '
        f"'serial_line'?). Use one of: {', '.join(kinds())}.",
        id="an unknown kind of adapter",
    ),
    pytest.param(
        SITE + ROOM + "[room.window]\nrh_percent = [50, 30]\n",
        'line 7, [[room]] "oak-store", [room.window] rh_percent = [50, 30]: the low end 50 does not lie below the '
        "high end 30. Write the lower number first.",
        id="bounds the wrong way round",
    ),
    pytest.param(
        SITE + ROOM + "[room.window]\nrh_percent = [30, 500]\n",
        'line 7, [[room]] "oak-store", [room.window] rh_percent = [30, 500]: 500 cannot be true. Use 0 to 100 %.',
        id="a humidity above 100 percent",
    ),
    pytest.param(
        SITE + ROOM + "[room.window]\nrh_percent = 45\n",
        'line 7, [[room]] "oak-store", [room.window] rh_percent = 45: this is not a pair of bounds. Write [low, high], '
        "or { low = 40 } or { high = 60 } where only one end matters.",
        id="one number for a window",
    ),
    pytest.param(
        SITE + ROOM + "[room.window]\ntemperature_c = [20, 22]\nrh_percent = [30, 40]\nemc_percent = [12, 14]\n",
        'line 9, [[room]] "oak-store", [room.window] emc_percent = [12, 14]: this can never be met: the room\'s '
        "temperature and RH bounds allow an EMC of 6.2 to 7.7 % only. Widen the temperature or RH bounds, or move the "
        "EMC bounds into that range.",
        id="a window that can never be met",
    ),
    pytest.param(
        SITE + ROOM + "[room.window]\nalert_after_minutes = 10\n",
        'line 6, [[room]] "oak-store" [room.window]: this window has no bounds. Add temperature_c, temperature_f, '
        "rh_percent or emc_percent.",
        id="a window without bounds",
    ),
    pytest.param(
        SITE + ROOM + ROOM,
        'line 7, [[room]] "oak-store" id = "oak-store": another room has this id. Every room needs its own.',
        id="a room twice",
    ),
    pytest.param(
        SITE + ROOM + '[[room.sensor]]\nid = "t1"\n[[room]]\nid = "hall"\n[[room.sensor]]\nid = "t1"\n',
        'line 11, [[room]] "hall", [[room.sensor]] "t1" id = "t1": this sensor is listed more than once. A sensor '
        "hangs in one place: keep the section of the room that it is in.",
        id="a sensor in two rooms",
    ),
    pytest.param(
        SITE + '[[room]]\nid = "Oak Store"\n',
        'line 5, [[room]] "Oak Store" id = "Oak Store": this cannot be the id of a room. Use 1 to 40 lower-case '
        'letters, digits and hyphens, such as "oak-store"; the title is free text.',
        id="a room id with capitals",
    ),
    pytest.param(
        SITE + "elevation_m = 100\nelevation_ft = 300\n",
        "line 5, [site] elevation_ft = 300: the elevation is given twice. Keep elevation_m or elevation_ft.",
        id="an elevation twice",
    ),
]


@pytest.mark.parametrize(("text", "sentence"), BROKEN)
def test_a_broken_file_brings_a_sentence(parsed: Parse, text: str, sentence: str) -> None:
    """Each way of breaking a file brings exactly one sentence: line, key, value, what is wrong, how to mend it."""
    assert sentences(parsed, text) == [sentence]


def test_all_mistakes_are_told_at_once_in_the_order_of_the_file(parsed: Parse) -> None:
    """Somebody with five mistakes in five sections mends them in one go."""
    text = (
        '[site]\nname = "x"\ntime_zone = "Mars"\n[page]\nport = -1\n[mail]\nserver = "m"\nfrom = "x"\n'
        'to = []\n[[adapter]]\nname = "a"\ntype = "serial_line"\nbaud = 1\n[[room]]\nid = "r"\nfoo = 1\n'
    )
    told = sentences(parsed, text)
    assert [sentence.partition(",")[0] for sentence in told] == [
        *("line 3", "line 5", "line 8", "line 9", "line 10", "line 13", "line 16")
    ]
    assert "this setting is missing" in told[4]  # the serial port; it stands nowhere, so the section's line is given


def test_what_is_no_toml_says_where(tmp_path: Path) -> None:
    """A text without quotes is told with its line and what TOML wants."""
    with pytest.raises(SettingsError, match=r"this is not TOML: .*line 2.*\. Texts need quotes"):
        parse("[site]\nname = Lakeside\n", tmp_path / "x.toml", {})


def test_a_file_from_another_editor_is_read(tmp_path: Path) -> None:
    """A byte order mark and carriage returns, as some editors write them, are no mistake."""
    path = tmp_path / "lumberroom.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SITE.replace("\n", "\r\n").encode())
    assert load(path).site.name == "Lakeside"


def test_a_file_that_is_not_there_says_how_to_make_one(tmp_path: Path) -> None:
    """The mend for a missing file is the command that writes one."""
    with pytest.raises(SettingsError, match=r"there is no such file\. Write one with: lumberroom init .*none\.toml"):
        load(tmp_path / "none.toml")


def test_a_data_directory_below_a_file_is_refused(parsed: Parse, tmp_path: Path) -> None:
    """A data directory that cannot be made is told before anything runs."""
    (tmp_path / "taken").write_text("", encoding="utf-8")
    told = sentences(parsed, SITE + '[data]\ndirectory = "taken/data"\n')
    assert told == [
        f'line 5, [data] directory = "taken/data": {tmp_path}/taken/data is not there and cannot be made. '
        f"Make it first: mkdir -p {tmp_path}/taken/data."
    ]


CAUTIONS = [
    pytest.param(SITE + ROOM, "oak-store has no window: it is shown and recorded, nobody is warned.", id="no window"),
    pytest.param(
        SITE + ROOM + "[room.window]\nrh_percent = [35, 50]\n",
        'oak-store has a window but no sensor with place = "air", so nothing is judged by it.',
        id="no air sensor",
    ),
    pytest.param(
        SITE + MAIL + 'login = "me"\npassword_env = "PW"\n',
        "No mail can go out: the environment variable PW is not set. Set it and restart.",
        id="no password",
    ),
    pytest.param(
        SITE + '[page]\npush_token_env = "TOKEN"\n',
        "Nobody can push readings: the environment variable TOKEN is not set. Set it and restart.",
        id="no push token",
    ),
]


@pytest.mark.parametrize(("text", "caution"), CAUTIONS)
def test_what_is_odd_brings_a_caution(parsed: Parse, text: str, caution: str) -> None:
    """What is allowed but worth a second look is told, and the file is taken."""
    assert caution in parsed(text).cautions


def test_an_emc_beyond_published_laying_figures_brings_a_caution(parsed: Parse) -> None:
    """70 to 150 °F and 60 to 75 % RH is an EMC of 8.8 to 14.4 % (Wood Handbook FPL-GTR-190, table 4-2)."""
    window = '[room.window]\ntemperature_f = [70, 150]\nrh_percent = [60, 75]\n[[room.sensor]]\nid = "t"\n'
    cautions = [caution for caution in parsed(SITE + ROOM + window).cautions if "do not lay from it" in caution]
    assert len(cautions) == 1
    assert "lets the EMC lie at 8.8 to 14.4 %" in cautions[0]


def test_published_in_service_conditions_bring_no_laying_caution(parsed: Parse) -> None:
    """60 to 80 °F and 30 to 50 % RH, as trade pages restate it for heated rooms, stands without a word."""
    window = '[room.window]\ntemperature_f = [60, 80]\nrh_percent = [30, 50]\n[[room.sensor]]\nid = "t"\n'
    assert not [caution for caution in parsed(SITE + ROOM + window).cautions if "oak-store" in caution]


def test_a_secret_file_that_others_can_read_brings_a_caution(tmp_path: Path) -> None:
    """The mend names the very command."""
    secret = tmp_path / "pw"
    secret.write_text("hunter2", encoding="utf-8")
    secret.chmod(0o644)
    wiring = parse(SITE + MAIL + 'login = "me"\npassword_file = "pw"\n', tmp_path / "lumberroom.toml", {})
    assert f"{secret} can be read by other users. Mend it: chmod 600 {secret}" in wiring.cautions


def test_only_the_job_of_a_file_is_looked_at_when_only_the_job_is_wanted(tmp_path: Path) -> None:
    """A job file is taken even beside a broken [mail] section."""
    path = tmp_path / "job.toml"
    path.write_text(SITE + ROOM + "[mail]\nnonsense = 1\n", encoding="utf-8")
    assert load_site(path).rooms[0].id == "oak-store"


PHASES = """
[[room.phase]]
name = "acclimating"
first_day = 2026-12-01
window = { rh_percent = [35, 45] }

[[room.phase]]
name = "in service"
first_day = "2027-01-10"
window = { rh_percent = [30, 50], alert_after_minutes = 60 }
"""


def test_phases_are_read_and_written_back(parsed: Parse) -> None:
    """A room's phases come with their first days and windows, and the job written as text reads back the same."""
    site = parsed(SITE + ROOM + PHASES).site
    [room] = site.rooms
    assert [(phase.name, phase.first_day) for phase in room.phases] == [
        ("acclimating", "2026-12-01"),
        ("in service", "2027-01-10"),
    ]
    assert room.phases[1].window.rh_percent == Bounds(30.0, 50.0)
    assert room.phases[1].window.dwell_s == 3600.0
    assert parsed(site_text(site)).site == site


def test_mistakes_in_phases_are_told(parsed: Parse) -> None:
    """A day that is none, two phases on one day, a phase without a window: each in a sentence."""
    told = sentences(parsed, SITE + ROOM + PHASES.replace("2027-01-10", "2027-13-10"))
    assert ["first_day" in one and "this is not a day" in one for one in told] == [True]
    told = sentences(parsed, SITE + ROOM + PHASES.replace("2027-01-10", "2026-12-01"))
    assert ["two phases begin on this day" in one for one in told] == [True]
    told = sentences(parsed, SITE + ROOM + '[[room.phase]]\nname = "x"\nfirst_day = 2026-12-01\n')
    assert ["window" in one and "this key is missing" in one for one in told] == [True]


def test_rules_have_defaults_and_can_be_set_or_switched_off(parsed: Parse) -> None:
    """A rule's limit is read, false switches it off, the others keep their defaults; the job as text reads back."""
    site = parsed(SITE + ROOM + "[room.rules]\nslab_rh_percent = 65\nheading_out_hours = false\n").site
    rules = site.rooms[0].rules
    assert (rules.slab_rh_percent, rules.heading_out_hours, rules.battery_percent) == (65.0, None, 15.0)
    assert parsed(site_text(site)).site == site


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("slab_rh_percent = 500", "500 is no sensible limit"),
        ("battery_percent = true", "this is not a number"),
        ("slab_rh = 65", "Did you mean slab_rh_percent?"),
    ],
)
def test_mistakes_in_rules_are_told(parsed: Parse, line: str, said: str) -> None:
    """A limit that cannot be meant, and a rule that is none, are told with their mend."""
    told = sentences(parsed, SITE + ROOM + f"[room.rules]\n{line}\n")
    assert [said in one for one in told] == [True]


HOOK = '[[webhook]]\nname = "office"\naddress = "https://office.example.org/wood"\n'


def test_a_web_hook_is_read_with_its_secret_from_outside(tmp_path: Path) -> None:
    """Name and address from the file, the secret from the environment; the secret is never printed."""
    text = SITE + ROOM + HOOK + 'secret_env = "HOOK"\n'
    wiring = parse(text, tmp_path / "lumberroom.toml", {"HOOK": "walnut"})
    [hook] = wiring.webhooks
    assert (hook.name, hook.address, hook.secret, hook.trouble) == (
        "office",
        "https://office.example.org/wood",
        "walnut",
        "",
    )
    assert "walnut" not in repr(wiring)
    assert "walnut" in wiring.secrets()
    assert not any("nobody is told" in caution for caution in wiring.cautions)


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ("", "no secret to sign with"),
        ('secret = "walnut"\n', "secret"),
        ('secret_env = "A"\nsecret_file = "b"\n', "the secret is given twice"),
        ('secret_env = "A"\n' + HOOK + 'secret_env = "A"\n', "another web hook has this name"),
    ],
)
def test_mistakes_in_web_hooks_are_told(parsed: Parse, lines: str, said: str) -> None:
    """A hook without a secret, with the secret in the file, with two, or named twice."""
    assert any(said in one for one in sentences(parsed, SITE + ROOM + HOOK + lines))


def test_a_web_hook_whose_secret_is_missing_is_a_caution(parsed: Parse) -> None:
    """The rest runs; the caution says what to set."""
    wiring = parsed(SITE + ROOM + HOOK + 'secret_env = "HOOK"\n')
    assert "HOOK is not set" in wiring.webhooks[0].trouble
    assert any("office" in caution for caution in wiring.cautions)


def test_a_sign_of_life_is_read(parsed: Parse) -> None:
    """Address and interval are read; the address, which may be a secret, is not printed."""
    wiring = parsed(SITE + ROOM + '[alive]\naddress = "https://office.example.org/alive/walnut"\nevery_minutes = 2\n')
    assert wiring.alive is not None
    assert (wiring.alive.address, wiring.alive.every_s) == ("https://office.example.org/alive/walnut", 120.0)
    assert "walnut" not in repr(wiring)
    assert ["address" in one for one in sentences(parsed, SITE + ROOM + "[alive]\n")] == [True]


WOOD = """
[room.window]
rh_percent = [35, 55]
[room.in_service]
temperature_c = [18, 24]
rh_percent = [30, 55]
[room.boards]
species = "white oak"
thickness_mm = 20
width_mm = 140
mc_percent = 9.5
first_day = 2026-11-20
[[room.phase]]
name = "acclimating"
first_day = 2026-12-01
[room.phase.window]
temperature_c = [18, 24]
[[room.phase]]
name = "in service"
first_day = 2027-02-01
[room.phase.window]
rh_percent = [30, 60]
[[room.sensor]]
id = "a"
checked_on = 2026-06-01
check_every_days = 180
"""


def test_the_conditions_in_service_bound_the_emc_before_they_hold(parsed: Parse) -> None:
    """18-24 °C and 30-55 % give 6.1 to 10.2 % EMC (Wood Handbook, table 4-2: 6.1 at 75 °F and 30 %), target 8.1 ± 2.

    The room's own window and every phase but the last take that over; the last one is the service itself.
    """
    room = parsed(SITE + ROOM + WOOD).site.rooms[0]
    assert room.window is not None
    bounds = [window.emc_percent for window in (room.window, *(phase.window for phase in room.phases))]
    assert [None if one is None else (one.low, one.high) for one in bounds] == [(6.1, 10.1), (6.1, 10.1), None]


def test_a_job_with_boards_checks_and_station_limits_reads_back_the_same(parsed: Parse) -> None:
    """What the job's text says of boards, conditions in service, checks and the station is what was read."""
    site = parsed(SITE + "[station]\nadapter_down_minutes = false\ndisk_free_mb = 900\n" + ROOM + WOOD).site
    assert site.rules.adapter_down_minutes is None
    assert site.rooms[0].boards is not None
    assert site.rooms[0].boards.species == "White oak, commercial"
    assert (site.sensors[0].checked_on, site.sensors[0].check_every_days) == ("2026-06-01", 180)
    assert parsed(site_text(site)).site == site


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ('[room.boards]\nspecies = "stone"\nthickness_mm = 20\nwidth_mm = 140', "no species is called"),
        ("[room.in_service]\nrh_percent = [30, 55]", "the temperature must be given once"),
        ("[room.in_service]\ntemperature_c = [18, 24]\nrh_percent = { low = 30 }", "needs both ends"),
        ('[[room.sensor]]\nid = "a"\nchecked_on = "soon"', "this is not a day"),
    ],
)
def test_mistakes_about_wood_and_checks_are_told(parsed: Parse, lines: str, said: str) -> None:
    """Each mistake is a sentence that says what is wrong."""
    told = sentences(parsed, SITE + ROOM + f"{lines}\n")
    assert said in str(told)


@pytest.mark.parametrize(
    "text", ["a = " + "[" * 5000, "a = " + "9" * 5000, "a = " + "{b=" * 3000, "[" + "a." * 4000 + "a]\nx = [" * 2]
)
def test_hostile_toml_is_told_in_a_sentence(tmp_path: Path, text: str) -> None:
    """Brackets without end, numbers of thousands of digits: a sentence that names the file, and no trace."""
    file = tmp_path / "lumberroom.toml"
    file.write_text(text)
    with pytest.raises(SettingsError, match=r"TOML|there is no such section|section is missing"):
        load(file)


def test_what_is_no_file_is_not_waited_for(tmp_path: Path) -> None:
    """A pipe that nobody writes into, and a folder: told at once."""
    os.mkfifo(tmp_path / "pipe")
    for named in (tmp_path / "pipe", tmp_path):
        with pytest.raises(SettingsError, match="this is not a file"):
            load(named)
