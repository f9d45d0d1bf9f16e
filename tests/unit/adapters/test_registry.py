"""Kinds of adapter are found, loaded on use, and their settings checked with messages that say how to mend them."""

from __future__ import annotations

import sys
from collections.abc import AsyncIterator, Mapping, Sequence
from pathlib import Path
from typing import Any, ClassVar

import pytest

from adapters import registry
from adapters.contract import AdapterHealth, LibraryMissingError, Reading, Setting, SettingsError, WallClock
from adapters.registry import AdapterKind, check_settings, kinds, load, load_target, settings_mistakes


class Thermometer:
    """An adapter with one setting of every type."""

    SETTINGS: ClassVar = (
        Setting("port", str, "where it is", required=True),
        Setting("baud", int, "how fast", default=9600, minimum=50),
        Setting("scale", float, "a factor", default=1.0, minimum=0.0, maximum=10.0),
        Setting("mode", str, "which way", default="off", choices=("off", "accept")),
        Setting("loud", bool, "whether to shout", default=False),
        Setting("rooms", list, "which rooms"),
        Setting("names", dict, "what they are called"),
        Setting("pulses", int, "how many at once", minimum=50, maximum=4_000_000),
        Setting("token", str, "the secret", secret=True, choices=("a-very-secret-token",)),
    )
    SUMMARY: ClassVar[str] = "a thermometer"

    def __init__(self, settings: Mapping[str, Any], clock: WallClock) -> None:
        self.health = AdapterHealth()

    def readings(self) -> AsyncIterator[Sequence[Reading]]:
        """Give nothing."""
        raise NotImplementedError

    def describe(self) -> str:
        """Say what it is."""
        return "thermometer"


def test_built_ins_are_listed_without_importing_them() -> None:
    """Listing the kinds loads no adapter module, so a missing library harms nobody who does not want it."""
    before = set(sys.modules)
    assert {"serial_line", "replay", "simulated_room"} <= set(kinds())
    assert not {name for name in set(sys.modules) - before if name.startswith("adapters.")}
    assert kinds()["serial_line"] == AdapterKind("serial_line", "adapters.serial_line:SerialLine", "lumberroom")


def test_an_unknown_kind_names_the_nearest_and_lists_all() -> None:
    """A misspelt kind is answered with the spelling that was probably meant."""
    with pytest.raises(SettingsError, match=r"'serial_lin' \(did you mean 'serial_line'\?\)\. Use one of: .*replay"):
        load("serial_lin")


@pytest.fixture
def package(tmp_path: Path) -> Any:
    """Give a function that writes an importable module and makes it findable for the length of the test."""
    sys.path.insert(0, str(tmp_path))
    written: list[str] = []

    def write(name: str, text: str) -> None:
        (tmp_path / f"{name}.py").write_text(text)
        written.append(name)

    yield write
    sys.path.remove(str(tmp_path))
    for name in written:
        sys.modules.pop(name, None)


def test_a_missing_library_is_another_message_than_a_missing_kind(package: Any) -> None:
    """A known adapter whose library is not there says which library, and how to install it."""
    package("needs_lib", "import no_such_library.inside\n")
    with pytest.raises(LibraryMissingError, match=r"adapter needy: it needs .*no_such_library.*pip install no_such_l"):
        load_target(AdapterKind("needy", "needs_lib:Thing", "needy 1.0"))


@pytest.mark.parametrize(
    ("text", "target", "message"),
    [
        ("", "gone_module:Thing", "its module gone_module is not there"),
        ("raise RuntimeError('at import')", "odd_module:Thing", "cannot be loaded: RuntimeError: at import"),
        ("", "odd_module:Thing", "cannot be loaded: AttributeError"),
        ("Thing = 5", "odd_module:Thing", "is no adapter class"),
        ("class Thing: pass", "odd_module:Thing", "is no adapter class"),
    ],
)
def test_a_broken_third_party_adapter_is_named_with_its_package(
    package: Any, text: str, target: str, message: str
) -> None:
    """Whatever a stranger's module does wrong, the message says whose it is and what to do."""
    package("odd_module", text)
    with pytest.raises(SettingsError, match=message) as caught:
        load_target(AdapterKind("odd", target, "odd-sensors 0.3"))
    assert "odd-sensors 0.3" in str(caught.value)


def test_a_third_partys_adapter_comes_in_by_its_entry_point(package: Any, tmp_path: Path) -> None:
    """An installed package that registers under the entry-point group is found and loaded; a built-in stays ours."""
    package("strange_sensors", Path(__file__).read_text())
    info = tmp_path / "strange_sensors-2.1.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: strange-sensors\nVersion: 2.1\n")
    (info / "entry_points.txt").write_text(
        "[lumberroom.adapters]\nstrange = strange_sensors:Thermometer\nreplay = strange_sensors:Thermometer\n"
    )
    assert kinds()["strange"] == AdapterKind("strange", "strange_sensors:Thermometer", "strange-sensors 2.1")
    assert load("strange").SUMMARY == "a thermometer"
    assert kinds()["replay"].source == "lumberroom"


def test_defaults_are_filled_in_and_whole_numbers_serve_as_numbers() -> None:
    """Settings come back complete: what was given, else the default, an int made a float where a float is wanted."""
    checked = check_settings(Thermometer, {"port": "/dev/x", "scale": 2})
    assert checked == {
        "port": "/dev/x", "baud": 9600, "scale": 2.0, "mode": "off", "loud": False, "rooms": None, "names": None,
        "pulses": None, "token": None,
    }  # fmt: skip
    assert type(checked["scale"]) is float


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({}, "port: this setting is missing. Set it: where it is"),
        ({"port": 5}, "port: 5 is not a text in quotes. Give a text in quotes: where it is"),
        ({"port": "x", "bawd": 9600}, "bawd: there is no such setting (did you mean 'baud'?). Known settings are: po"),
        ({"port": "x", "baud": 9600.5}, "baud: 9600.5 is not a whole number"),
        ({"port": "x", "baud": True}, "baud: True is not a whole number"),
        ({"port": "x", "baud": 10}, "baud: 10 is out of range. Give at least 50"),
        ({"port": "x", "pulses": 5_000_000}, "pulses: 5000000 is out of range. Give a value from 50 to 4000000"),
        ({"port": "x", "scale": float("nan")}, "scale: nan is out of range. Give a value from 0 to 10"),
        ({"port": "x", "mode": "acept"}, "mode: 'acept' is not a choice (did you mean 'accept'?). Use one of: off, a"),
        ({"port": "x", "loud": "yes"}, "loud: 'yes' is not true or false"),
        ({"port": "x", "rooms": "loft"}, "rooms: 'loft' is not a list in [ ]"),
        ({"port": "x", "names": []}, "names: [] is not a table in { }"),
    ],
)
def test_a_mistake_names_the_key_the_value_and_the_mend(given: dict[str, Any], message: str) -> None:
    """Every kind of mistake in settings reads as one sentence that says what, where and how to mend it."""
    with pytest.raises(SettingsError) as caught:
        check_settings(Thermometer, given)
    assert str(caught.value).startswith(message)


def test_all_mistakes_are_given_at_once() -> None:
    """Someone who mends a settings file sees everything that is wrong with it, not one mistake per attempt."""
    given = {"baud": 1, "loud": 0, "nonsense": 1}
    assert [m.where for m in settings_mistakes(Thermometer, given)] == ["nonsense", "port", "baud", "loud"]


def test_a_secret_is_never_shown_in_a_message() -> None:
    """A wrong secret is complained about without being printed."""
    (mistake,) = settings_mistakes(Thermometer, {"port": "x", "token": "a-very-secret-tokem"})
    assert "tokem" not in str(mistake)


def test_every_built_in_target_is_written_as_module_and_class() -> None:
    """The table of built-ins holds what the loader expects."""
    assert all(target.count(":") == 1 for target in registry.BUILT_INS.values())
