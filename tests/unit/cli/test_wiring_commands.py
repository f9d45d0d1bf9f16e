"""`lumberroom init`, `check` and `site`: what is written passes, what is wrong is told, the job travels unchanged."""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
import sys
import threading
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from adapters.registry import BUILT_INS
from adapters.registry import load as load_kind
from ingest.cli.main import main
from ingest.settings.reading import load
from ingest.site.places import Bounds
from ingest.store.sqlite_store import SqliteStore

Run = Callable[..., Result]

ROOT = Path(__file__).resolve().parents[3]


@pytest.fixture
def run(tmp_path: Path) -> Iterator[Run]:
    """Give a function that runs a command in an empty folder of its own."""
    with contextlib.chdir(tmp_path):
        yield lambda *arguments: CliRunner().invoke(main, arguments)


def test_init_without_questions_writes_a_file_that_passes_check(run: Run) -> None:
    """With options alone, and the defaults for the rest, the file is sound and says what was asked."""
    site = ("--name", 'The "Lake" house', "--time-zone", "America/Denver", "--units", "us", "--elevation", "5280")
    rooms = ("--room", "Oak store", "--room", "Oak Store", "--holds", "oak", "--sensor", "a1", "--port", "/dev/ttyUSB0")
    mail = ("--mail-server", "mail.example.org", "--mail-to", "a@example.org", "--mail-login", "me")
    result = run("init", "--no-input", "--data", "kept", *site, *rooms, *mail)
    assert result.exit_code == 0, result.output
    wiring = load(Path("lumberroom.toml"), {})
    assert (wiring.site.name, wiring.units, round(wiring.site.elevation_m)) == ('The "Lake" house', "us", 1609)
    assert [(r.id, r.title, r.holds) for r in wiring.site.rooms] == [
        ("oak-store", "Oak store", "oak"),
        ("oak-store-2", "Oak Store", ""),
    ]
    assert [s.id for s in wiring.site.sensors] == ["a1"]  # no placeholder is left behind
    assert wiring.adapters[0].settings["port"] == "/dev/ttyUSB0"
    assert wiring.data_directory.name == "kept"
    assert wiring.mail is not None
    checked = run("check")
    assert checked.exit_code == 0
    assert "window: 60 to 80 °F, 30 to 50 % RH" in checked.output
    assert "further alerts: RH change in an hour more than ±10 points; time until the" in checked.output
    assert "slab RH" not in checked.output  # no sensor is in a slab
    assert "Mail goes to a@example.org" in checked.output
    assert "No mail can go out: the environment variable LUMBERROOM_MAIL_PASSWORD is not set" in checked.output


def test_init_answers_for_every_combination_pass_check(run: Run) -> None:
    """Whatever is left out, what is written is sound."""
    for number, options in enumerate(
        ([], ["--simulated"], ["--units", "si"], ["--units", "us", "--simulated", "--room", "Ä ß"], ["--room", "!!!"])
    ):
        file = f"f{number}.toml"
        assert run("init", "--no-input", file, *options).exit_code == 0
        assert run("check", file).exit_code == 0


def test_what_init_leaves_commented_out_is_sound(run: Run) -> None:
    """With every # taken away in front of sections and keys the file still passes, and `check` says who is told."""
    mail = ("--mail-server", "mail.example.org", "--mail-to", "a@example.org")
    for number, options in enumerate(((), mail, ("--units", "us", *mail))):
        file = Path(f"f{number}.toml")
        assert run("init", "--no-input", str(file), *options).exit_code == 0
        text = file.read_text(encoding="utf-8")
        opened, count = re.subn(r"^# (?=\[\[?[a-z_.]+\]\]?(?: +#|$)|[a-z_]+ = )", "", text, flags=re.MULTILINE)
        assert count > 20
        file.write_text(opened, encoding="utf-8")
        checked = run("check", str(file))
        assert checked.exit_code == 0, checked.output
        assert "Floor layer is told by mail (floor@example.org): serious and worse of all rooms" in checked.output
        assert "the lot:" in checked.output
        raw = tomllib.loads(opened)
        assert {"push", "station", "central", "recipient", "mail"} <= set(raw)
        assert {"boards", "in_service"} <= set(raw["room"][0])


def test_init_never_overwrites_without_force(run: Run) -> None:
    """A file that is there stays as it is, and its owner is told before any question."""
    Path("lumberroom.toml").write_text("mine", encoding="utf-8")
    result = run("init", "--no-input")
    assert result.exit_code == 4
    assert result.stderr == "lumberroom.toml: this file is already there. Name another one, or use --force.\n"
    assert Path("lumberroom.toml").read_text(encoding="utf-8") == "mine"
    assert run("init", "--no-input", "--force").exit_code == 0


def test_init_says_what_is_wrong_with_an_answer_and_writes_nothing(run: Run) -> None:
    """A misspelt time zone is told like any mistake in the file."""
    result = run("init", "--no-input", "--time-zone", "Europe/Berln")
    assert result.exit_code == 2
    assert 'Did you mean "Europe/Berlin"?' in result.stderr
    assert not Path("lumberroom.toml").exists()


def test_init_wants_no_more_sensors_than_rooms(run: Run) -> None:
    """A sensor too many is told rather than dropped."""
    result = run("init", "--no-input", "--room", "A", "--sensor", "a", "--sensor", "b")
    assert result.exit_code == 2
    assert result.stderr.startswith("--sensor: there are more of these than rooms (1).")


ANSWERS = [
    "Barn",
    "Europe/Olso",  # told, with what was meant, and asked again
    "Europe/Oslo",
    "metric",
    "si",
    "99000",
    "12",
    "",  # no port
    "n",  # nothing simulated
    "Drying shed",
    "ash",
    "no id!",
    "s-1",
    "10",
    "5",
    "5",
    "25",
    "40",
    "60",
    "n",
    "mail.example.org",
    "anna",
    "anna@example.org",
    "",
    "",
]


def test_the_questions_of_init_lead_to_what_was_answered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each answer is checked when it is given; wrong ones are told with what to do, and asked again."""
    monkeypatch.setattr("adapters.serial_port.ports_there", list)  # whatever this computer has
    from ingest.cli.init_questions import ask
    from ingest.cli.init_text import text_of
    from ingest.settings.reading import parse

    given = {"rooms": (), "holds": (), "sensors": (), "ports": (), "mail_to": (), "simulated": False}
    kept: dict[str, Any] = {}
    with CliRunner().isolation(input="\n".join(ANSWERS) + "\n") as (out, _, _):
        answers = ask(given, kept, interactive=True)
        asked = out.getvalue().decode()
    wiring = parse(text_of(answers), tmp_path / "lumberroom.toml", {})
    window = wiring.site.rooms[0].window
    assert window is not None
    assert (wiring.site.rooms[0].id, wiring.site.sensors[0].id) == ("drying-shed", "s-1")
    assert (window.temperature_c, window.rh_percent) == (Bounds(5, 25), Bounds(40, 60))
    for told in ('Did you mean "Europe/Oslo"?', "si", "6000", "sensor", "lie below the high end 5", "name@example.org"):
        assert told in asked, told
    with CliRunner().isolation(input="\n" * 30):  # what was answered once needs no second typing
        again = ask(given, kept, interactive=True)
    assert again.rooms == answers.rooms
    assert (again.name, again.time_zone, again.elevation) == ("Barn", "Europe/Oslo", 12.0)


def test_breaking_off_loses_nothing_that_was_typed(tmp_path: Path) -> None:
    """On a terminal: breaking off in the middle keeps the answers, and the next time they are proposed."""
    environment = os.environ | {"PYTHONPATH": str(ROOT), "TERM": "dumb"}
    command = [sys.executable, "-m", "ingest.cli.main", "init", str(tmp_path / "site.toml")]

    def at_terminal(keys: bytes) -> str:
        """Type these keys and then Ctrl+D; give what stood on the screen."""
        leader, follower = os.openpty()
        os.write(leader, keys + b"\x04")
        said = b""
        with subprocess.Popen(command, stdin=follower, stdout=follower, stderr=follower, env=environment):
            os.close(follower)
            with contextlib.suppress(OSError):  # the terminal is gone when the program is
                while part := os.read(leader, 4096):
                    said += part
        os.close(leader)
        return said.decode()

    broken_off = at_terminal(b"Barn\nEurope/Oslo\n")
    assert "Your answers are kept" in broken_off
    assert (tmp_path / ".site.toml.answers").stat().st_mode & 0o777 == 0o600
    assert "[Barn]" in at_terminal(b"\n")


def test_check_names_a_port_that_is_not_there(run: Run) -> None:
    """Before the daemon runs one hears that the sensor's plug is out."""
    run("init", "--no-input", "--port", "/dev/no-such-port", "--sensor", "a")
    assert 'The adapter "serial-1" reads /dev/no-such-port, which is not there now' in run("check").output


def test_a_sensor_on_a_port_is_listened_to_and_proposed(monkeypatch: pytest.MonkeyPatch) -> None:
    """What it says is shown, and its id stands in the brackets; nobody has to know it by heart."""
    from ingest.cli import init_questions

    monkeypatch.setattr(init_questions, "LISTENED_S", 3.0)
    leader, follower = os.openpty()
    port, stop = os.ttyname(follower), threading.Event()
    os.close(follower)  # a port that somebody has open is left alone
    os.set_blocking(leader, False)

    def speak() -> None:
        while not stop.wait(0.2):
            with contextlib.suppress(OSError):  # nobody reads it any more
                os.write(leader, b'[{"bn":"hall-7/","n":"humidity","u":"%RH","v":44.5}]\n')

    speaking = threading.Thread(target=speak)
    speaking.start()
    try:
        asker = init_questions.Asker({}, {}, interactive=True)
        with CliRunner().isolation(input="y\n") as (out, _, _):
            heard = init_questions._listen(asker, [port])
            told = out.getvalue().decode()
    finally:
        stop.set()
        speaking.join()
        os.close(leader)
    assert heard == ["hall-7"]
    assert "44.5" in told


def test_check_tells_every_mistake_and_ends_with_2(run: Run) -> None:
    """Two mistakes, two sentences, exit code 2, nothing on standard output."""
    Path("x.toml").write_text('[site]\nname = "x"\ntime_zone = "Mars"\n[page]\nport = "x"\n', encoding="utf-8")
    result = run("check", "x.toml")
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.splitlines()[0] == "x.toml has 2 mistakes:"
    assert len(result.stderr.splitlines()) == 3


def test_check_says_what_is_read_in_words_and_not_in_code(run: Run) -> None:
    """Maps are told by whose they are, lists of words as words."""
    text = (
        '[site]\nname = "x"\ntime_zone = "UTC"\n'
        '[[adapter]]\nname = "a"\ntype = "modbus_tcp"\nhost = "192.0.2.1"\n'
        'registers = [{ sensor = "m-1", quantity = "rh_percent", address = 0 },'
        ' { sensor = "m-1", quantity = "temperature_c", address = 1 }]\n'
        '[[adapter]]\nname = "b"\ntype = "child_process"\ncommand = ["/bin/probe", "3"]\n'
        '[[adapter]]\nname = "c"\ntype = "bluetooth_broadcasts"\nsensors = {'
        + ", ".join(f' "A4:C1:38:00:00:{n:02}" = "s-{n}"' for n in range(10))
        + "}\n"
    )
    Path("x.toml").write_text(text, encoding="utf-8")
    said = run("check", "x.toml").stdout
    assert "registers 2 for m-1)" in said
    assert "command /bin/probe 3)" in said
    assert "A4:C1:38:00:00:07 = s-7 and 2 more)" in said
    assert "{'" not in said


def test_the_kinds_of_adapter_and_their_settings_are_told(run: Run) -> None:
    """Every kind is listed; of one every setting, of a secret where it comes from, and a misspelt kind's neighbour."""
    listed = run("adapters")
    assert listed.exit_code == 0
    assert all(f"\n{kind} " in f"\n{listed.stdout}" for kind in BUILT_INS)
    for kind in BUILT_INS:
        told = run("adapters", kind).stdout
        for setting in load_kind(kind).SETTINGS:
            names = [f"{setting.name}_env", f"{setting.name}_file"] if setting.secret else [setting.name]
            assert all(f"\n{name} " in told for name in names), (kind, setting.name)
    told = " ".join(run("adapters", "http_poll").stdout.split())
    assert "Number; from 0.1 to 120; 10.0 unless given" in told
    assert "Text; required" in told
    wrong = run("adapters", "http_pol")
    assert (wrong.exit_code, "did you mean 'http_poll'?" in wrong.stderr) == (2, True)


def test_check_opens_and_makes_nothing(run: Run) -> None:
    """Checking leaves the folder as it was."""
    run("init", "--no-input")
    assert run("check").exit_code == 0
    assert [path.name for path in Path.cwd().iterdir()] == ["lumberroom.toml"]


def test_run_with_a_broken_file_ends_before_it_begins(run: Run) -> None:
    """The daemon does not start on a file with mistakes, and says the same as check."""
    Path("x.toml").write_text("[site]\n", encoding="utf-8")
    assert run("run", "x.toml").stderr == run("check", "x.toml").stderr
    assert run("run", "x.toml").exit_code == 2


JOB = """
[site]
name = "Lakeside"
time_zone = "Europe/Berlin"
elevation_m = 12.5
[[room]]
id = "hall"
title = "Hall"
[room.window]
temperature_c = { low = 5 }
emc_percent = [7, 10.25]
alert_after_minutes = 45
[[room.sensor]]
id = "h1"
"""


def test_a_job_travels_from_store_to_file_to_store(run: Run) -> None:
    """What is applied to one data directory and exported comes back the same in another."""
    for name in ("a", "b"):
        Path(name).mkdir()
    Path("job.toml").write_text(JOB, encoding="utf-8")
    applied = run("site", "apply", "job.toml", "--data", "a")
    assert applied.output == "This changes:\n  - the site and all its rooms are added\nDone.\n"
    assert run("site", "export", "out.toml", "--data", "a").exit_code == 0
    assert run("site", "apply", "out.toml", "--data", "b").exit_code == 0
    stored = []
    for name in ("a", "b"):
        with SqliteStore.open(Path(name) / "lumberroom.sqlite3", read_only=True) as store:
            stored.append(store.read.site())
    assert stored[0] is not None
    assert stored[0] == stored[1]
    assert run("site", "export", "--data", "b").stdout == Path("out.toml").read_text(encoding="utf-8")


def test_apply_says_what_changes_and_a_dry_run_changes_nothing(run: Run) -> None:
    """A dry run tells and leaves the job alone; the real one takes it; doing it again changes nothing."""
    Path("a").mkdir()
    Path("job.toml").write_text(JOB, encoding="utf-8")
    run("site", "apply", "job.toml", "--data", "a")
    Path("new.toml").write_text(JOB.replace("10.25", "10.5") + '[[room]]\nid = "loft"\n', encoding="utf-8")
    lines = '  - room "loft" is added\n  - the acclimation window of room "hall" changes\n'
    assert run("site", "apply", "new.toml", "--data", "a", "--dry-run").output == f"This would change:\n{lines}"
    assert run("site", "apply", "new.toml", "--data", "a").output == f"This changes:\n{lines}Done.\n"
    again = run("site", "apply", "new.toml", "--data", "a")
    assert again.output == "Nothing changes: the site setup is already as this file says.\n"
    Path("less.toml").write_text(JOB.split("[[room]]", maxsplit=1)[0], encoding="utf-8")
    assert run("site", "apply", "less.toml", "--data", "a").output == again.output
    taken = run("site", "apply", "less.toml", "--data", "a", "--remove").output
    assert 'room "hall" is taken away' in taken


def test_the_wiring_file_knows_the_data_directory(run: Run) -> None:
    """Applying a settings file, as the daemon's log advises, needs no --data."""
    run("init", "--no-input", "--name", "Here")
    Path("lumberroom-data").mkdir()
    assert run("site", "apply", "lumberroom.toml").exit_code == 0
    assert 'name = "Here"' in run("site", "export").stdout


def test_check_says_where_the_file_differs_from_the_site_setup_in_use(run: Run) -> None:
    """Who edits a room in the file after the first start is told that it does not hold, and what to do."""
    Path("lumberroom.toml").write_text(JOB, encoding="utf-8")
    Path("lumberroom-data").mkdir()
    assert "differs from this file" not in run("check").output
    run("site", "apply", "lumberroom.toml", "--data", "lumberroom-data")
    assert "differs from this file" not in run("check").output
    Path("lumberroom.toml").write_text(JOB.replace("10.25", "10.5"), encoding="utf-8")
    told = run("check").output
    assert '  - the acclimation window of room "hall"\n' in told
    assert "lumberroom site apply lumberroom.toml" in told


def test_export_without_a_store_is_a_sentence(run: Run) -> None:
    """A data directory without a store is told as such."""
    result = run("site", "export", "--data", "nowhere")
    assert result.exit_code == 3
    assert "there is no store here" in result.stderr


def test_check_prints_no_secret_that_stands_in_an_address(tmp_path: Path) -> None:
    """Logins and queries of web addresses are often secrets: they are left out, and that they are is seen."""
    file = tmp_path / "lumberroom.toml"
    file.write_text(
        '[site]\nname = "Mill (invented)"\ntime_zone = "UTC"\n[[room]]\nid = "hall"\n'
        '[[webhook]]\nname = "office"\naddress = "https://hooks.example.org/wood?key=SECRET-1"\n'
        'secret_env = "LUMBERROOM_HOOK"\n'
        '[[adapter]]\nname = "web"\ntype = "http_poll"\nurl = "https://sensors.example.org/now?token=SECRET-2"\n'
    )
    done = CliRunner().invoke(main, ["check", str(file)])
    assert done.exit_code == 0, done.output
    assert "https://hooks.example.org/wood?…" in done.output
    assert "SECRET" not in done.output
