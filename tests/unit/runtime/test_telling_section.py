"""[[recipient]], [[publish]] and [[command]]: what they may say, what they become, and each mistake with its mend."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.errors import SettingsError
from ingest.notices.hours import read_hours
from ingest.present.digits import Units
from ingest.runtime.notifying import recipients_of
from ingest.settings.reading import parse
from ingest.settings.wiring import Wiring
from ingest.site.incidents import Severity

SITE = '[site]\nname = "Mill Lane (invented)"\ntime_zone = "UTC"\n[[room]]\nid = "store"\n'
MAIL = '[mail]\nserver = "127.0.0.1"\nsecurity = "none"\nfrom = "s@example.org"\n'
FULL = (
    SITE + MAIL + 'to = ["plain@example.org", "floor@example.org"]\n'
    '[page]\npublic_address = "https://wood.example.org"\n'
    '[[publish]]\nname = "yard"\naddress = "mqtts://broker.example.org"\nretain = true\n'
    '[[command]]\nname = "bell"\nrun = ["/bin/echo", "-n"]\n'
    '[[recipient]]\nname = "Floor layer"\nmail = "floor@example.org"\nrooms = ["store"]\nseverity_from = "serious"\n'
    'hours = ["mon-fri 07:00-17:00"]\nquiet_hours = "22:00-06:00"\nunits = "us"\nclock = "12h"\nafter_minutes = 30\n'
    'most_per_hour = 5\ndigest = "weekly"\ndigest_at = "07:15"\ndigest_day = "fri"\nmonthly = true\n'
)


def read(text: str, tmp_path: Path) -> Wiring:
    return parse(text, tmp_path / "lumberroom.toml", {})


def test_all_that_can_be_said_of_a_recipient(tmp_path: Path) -> None:
    """Every key arrives; who is listed apart is not told twice; what is only named is told everything."""
    wiring = read(FULL, tmp_path)
    assert wiring.page.public_address == "https://wood.example.org"
    [broker] = wiring.telling.brokers
    assert (broker.server, broker.port, broker.tls, broker.retain) == ("broker.example.org", 8883, True, True)
    told = {one.key: one for one in recipients_of(wiring)}
    assert set(told) == {
        ("mail", "plain@example.org"), ("mail", "floor@example.org"), ("publish", "yard"), ("command", "bell"),
    }  # fmt: skip
    floor = told["mail", "floor@example.org"]
    assert (floor.who, floor.units, floor.clock, floor.after_s) == ("Floor layer", Units.US, "12h", 1800.0)
    assert (floor.rooms, floor.severity_from, floor.most_per_hour) == (frozenset({"store"}), Severity.SERIOUS, 5)
    assert floor.hours == (read_hours("mon-fri 07:00-17:00"),)
    assert floor.quiet == (read_hours("22:00-06:00"),)
    assert (floor.digest, floor.digest_minute, floor.digest_day, floor.monthly) == ("weekly", 435, 4, True)
    assert told["mail", "plain@example.org"].most_per_hour == 20


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (MAIL, 'Add it: to = ["you@example.org"], or a [[recipient]]'),
        ('[[recipient]]\nname = "x"\n', "this recipient cannot be reached"),
        ('[[recipient]]\nname = "x"\nmail = "a@b.org"\n', "this file has no [mail]"),
        ('[[recipient]]\nname = "x"\nmail = "a@b.org"\ncommand = "y"\n', "reached in two ways"),
        ('[[recipient]]\nname = "x"\nwebhook = "nowhere"\n', "there is no [[webhook]] called nowhere"),
        ('[[recipient]]\nname = "x"\nmail = "a@b.org"\nhours = ["8 to 5"]\n', 'mon-fri 07:00-17:00'),
        ('[[recipient]]\nname = "x"\nmail = "a@b.org"\ndigest_at = "7"\n', 'Write a time of day'),
        ('[[recipient]]\nname = "x"\nmail = "a@b.org"\nafter_minutes = 5\n', "everybody waits for somebody else"),
        ('[[recipient]]\nname = "x"\nmail = "a@b.org"\n[[recipient]]\nname = "y"\nmail = "a@b.org"\n', "listed twice"),
        ('[[command]]\nname = "x"\nrun = ["echo"]\n', '"/usr/bin/echo"'),
        ('[[publish]]\nname = "x"\naddress = "http://b.org"\n', "not the address of a broker"),
        ('[[publish]]\nname = "x"\naddress = "mqtt://b.org"\ntopic = "a/#"\n', "no topic to publish under"),
        ('[[publish]]\nname = "x"\naddress = "mqtt://b.org"\npassword = "oak"\n', "secrets do not belong"),
    ],
)  # fmt: skip
def test_each_mistake_is_told_with_its_mend(tmp_path: Path, text: str, said: str) -> None:
    """What cannot work is a mistake that says what to write instead."""
    with pytest.raises(SettingsError) as caught:
        read(SITE + text, tmp_path)
    assert said in str(caught.value)


def test_a_room_that_is_not_there_is_worth_a_second_look(tmp_path: Path) -> None:
    """The job may have rooms that the file has not: a caution, with the nearest name."""
    wiring = read(SITE + MAIL + '[[recipient]]\nname = "x"\nmail = "a@b.org"\nrooms = ["stor"]\n', tmp_path)
    assert any('"stor"' in caution and 'Did you mean "store"?' in caution for caution in wiring.cautions)


def test_the_password_of_a_broker_is_blotted_out(tmp_path: Path) -> None:
    """It is among the secrets that the log keeps out, and in no printed form."""
    text = SITE + '[[publish]]\nname = "x"\naddress = "mqtt://127.0.0.1"\nlogin = "u"\npassword_env = "P"\n'
    wiring = parse(text, tmp_path / "lumberroom.toml", {"P": "larch and fir"})
    assert "larch and fir" in wiring.secrets()
    assert "larch" not in repr(wiring)
