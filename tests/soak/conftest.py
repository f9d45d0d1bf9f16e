"""What the soaks share: helpers of the adapters' tests, and a message bus in place of the system's."""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

FOLDERS = (Path(__file__).parents[1] / "unit" / "adapters", Path(__file__).parent)


def load(name: str) -> Any:
    """Load a helper that lies beside the soaks or beside the adapters' tests."""
    path = next(folder / f"{name}.py" for folder in FOLDERS if (folder / f"{name}.py").exists())
    name = f"helper_{name}"
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def helper() -> Any:
    """Give the function that loads a helper by name."""
    return load


@pytest.fixture
def bus(tmp_path: Path) -> Iterator[str]:
    """A private message bus that takes the place of the system's as long as a test lasts."""
    program = shutil.which("dbus-daemon")
    assert program, "the soaks need dbus-daemon (Debian: apt install dbus-daemon)"
    address = f"unix:path={tmp_path}/bus"
    with subprocess.Popen(
        [program, "--session", "--nofork", "--nopidfile", "--print-address=1", f"--address={address}"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    ) as daemon:
        assert daemon.stdout
        daemon.stdout.readline()
        before = os.environ.get("DBUS_SYSTEM_BUS_ADDRESS")
        os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = address
        try:
            yield address
        finally:
            daemon.kill()
            if before is None:
                del os.environ["DBUS_SYSTEM_BUS_ADDRESS"]
            else:
                os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = before
