"""`lumberroom device-key add|list|revoke`: keys by which devices hand readings in over HTTP."""

from __future__ import annotations

import getpass
import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from ingest.cli.wiring_file import DEFAULT_FILE

if TYPE_CHECKING:
    from ingest.store.record.device_keys import DeviceKey

COMMAND: Final = ("device-key", 90, "Give devices keys by which they hand readings in.")

_NAME: Final = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")

_data_option = click.option(
    "--data",
    type=click.Path(path_type=Path),
    help=f"The data directory; that of {DEFAULT_FILE} in this folder unless given.",
)


@click.group(name="device-key", short_help="Give devices keys by which they hand readings in, and revoke them.")
def device_key() -> None:
    """Give devices keys by which they hand readings in over HTTP, list them, and revoke them.

    Each key is bound to the sensors that it may write, so that a device that is stolen, or wrong, cannot write into
    another room. Only a hash of a key is kept: it is shown once, when it is made. All of it takes effect at once, while
    the daemon runs. How a device uses its key stands in adapters/PROTOCOL.md.
    """


@device_key.command(name="add", short_help="Make a key and show it, once.")
@click.argument("name")
@click.option(
    "--sensor",
    "sensors",
    multiple=True,
    required=True,
    help="A sensor that it may write, as loft-1; with a * at the end every sensor whose name begins so, as 'loft-*'. "
    "May be given several times.",
)
@_data_option
def add_key(name: str, sensors: tuple[str, ...], data: Path | None) -> None:
    """Make a key for the device NAME and print it. It is shown this once and cannot be shown again."""
    from ingest.clock import SystemClock
    from ingest.store.file.opening import beside_the_writer
    from ingest.store.record import device_keys
    from ingest.store.record.device_keys import DeviceKey

    _check(name, sensors)
    path = _store_file(data)
    key = device_keys.new_key()
    known = DeviceKey(name, tuple(dict.fromkeys(sensors)), SystemClock().now_ms(), _user())
    with beside_the_writer(path) as connection:
        device_keys.add(connection, key, known)
    click.echo(key)
    click.echo(
        f"This is the key of {name}; it is kept nowhere, so note it down now.\n"
        f"It may write {', '.join(known.sensors)}. The device sends it with every pack, as: Authorization: Bearer KEY",
        err=True,
    )


@device_key.command(name="list", short_help="Show who has a key, what it may write, when it was used last.")
@_data_option
@click.option("--json", "as_json", is_flag=True, help="As JSON, a list.")
def list_keys(data: Path | None, as_json: bool) -> None:
    """Show all keys: the device, what it may write, when it was made, used last (to five minutes) and revoked."""
    from ingest.store.sqlite_store import SqliteStore

    with SqliteStore.open(_store_file(data), read_only=True) as store:
        keys = store.read.device_keys()
    if as_json:
        click.echo(json.dumps([_plain(key) for key in keys], indent=2))
        return
    for key in keys:
        click.echo(_line(key))
    if not keys:
        click.echo("No device has a key. Make one with: lumberroom device-key add NAME --sensor SENSOR", err=True)


@device_key.command(name="revoke", short_help="Let a key hold no longer.")
@click.argument("name")
@_data_option
def revoke_key(name: str, data: Path | None) -> None:
    """Let the key of the device NAME hold no longer, from this moment on. What it wrote stays."""
    from ingest.clock import SystemClock
    from ingest.store.file.opening import beside_the_writer
    from ingest.store.record import device_keys

    with beside_the_writer(_store_file(data)) as connection:
        device_keys.revoke(connection, name, at_ms=SystemClock().now_ms())
    click.echo(f"The key of {name} holds no longer.")


def _check(name: str, sensors: tuple[str, ...]) -> None:
    """Hold what was given against what can be. Raises InputError."""
    from adapters.contract import SENSOR_ID
    from ingest.errors import InputError

    if not _NAME.fullmatch(name):
        raise InputError(
            "this cannot be the name of a device",
            where=name,
            mend='Use 1 to 40 lower-case letters, digits and hyphens, such as "loft-board".',
        )
    for sensor in sensors:
        if sensor != "*" and not SENSOR_ID.fullmatch(sensor.removesuffix("*")):
            raise InputError(
                "this is neither a sensor's name nor the beginning of one",
                where=sensor,
                mend="Write what the sensor is called, as loft-1, or how its name begins and a star, as 'loft-*'.",
            )


def _store_file(data: Path | None) -> Path:
    """Give the store's file, made where there is none yet."""
    from ingest.errors import StorageError
    from ingest.settings.reading import load
    from ingest.store.file.opening import FILE_NAME
    from ingest.store.sqlite_store import SqliteStore

    directory = data if data is not None else load(Path(DEFAULT_FILE)).data_directory
    path = directory / FILE_NAME
    if data is not None and not directory.is_dir():
        raise StorageError("there is no such folder", where=str(directory), mend="Name the data directory.")
    if not path.exists():
        directory.mkdir(mode=0o700, parents=True, exist_ok=True)
        SqliteStore.open(path).close()
    return path


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unknown user"


def _line(key: DeviceKey) -> str:
    used = _instant(key.last_used_ms) if key.last_used_ms is not None else "never used"
    said = f"{key.name}: may write {', '.join(key.sensors)}; made {_instant(key.made_ms)} by {key.made_by}; "
    said += used if key.last_used_ms is None else f"used last {used}"
    return said if key.revoked_ms is None else f"{said}; revoked {_instant(key.revoked_ms)}"


def _instant(at_ms: int) -> str:
    import datetime as dt

    return dt.datetime.fromtimestamp(at_ms / 1000, dt.UTC).strftime("%Y-%m-%dT%H:%MZ")


def _plain(key: DeviceKey) -> dict[str, Any]:
    return {
        "name": key.name,
        "sensors": list(key.sensors),
        "made_ms": key.made_ms,
        "made_by": key.made_by,
        "last_used_ms": key.last_used_ms,
        "revoked_ms": key.revoked_ms,
    }
