"""Take the README's pictures into deploy/pictures/: run by hand, `.venv/bin/python tests/docs/take_pictures.py`.

Starts the real demonstration at a higher speed, waits until a room is out of range and the mail about it has been
caught (a minute or so), and photographs the pages in Chromium. The winter chart is drawn from the measured room that
comes with the tests. Says what it wrote and how large it is; a picture above the limit is an error.
"""

from __future__ import annotations

import argparse
import json
import re
import struct
import subprocess
import sys
import tempfile
import time
import urllib.request
import zlib
from base64 import b64decode, b64encode
from collections.abc import Iterator
from contextlib import closing, contextmanager
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
from playwright.sync_api import Browser, FloatRect, Page, ViewportSize, sync_playwright

from adapters.framing.csv_rows import CsvForm, read_rows
from adapters.framing.times import zone_named
from ingest.practice.days import season_picture
from ingest.present.season_chart import season_chart_svg
from ingest.site.places import AcclimationWindow, Bounds, Room, Sensor, Site
from ingest.site.series import ReadingBatch
from ingest.store.sqlite_store import SqliteStore

ROOT = Path(__file__).parents[2]
PICTURES = ROOT / "deploy" / "pictures"
WINTER = ROOT / "tests" / "data" / "measured_room" / "indoor.csv"
LARGEST_BYTES = 250_000
WAIT_S = 300.0
DESK: ViewportSize = {"width": 1200, "height": 900}
PHONE: ViewportSize = {"width": 360, "height": 760}


def main() -> None:
    """Take all of them."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--speed", type=float, default=180.0, help="of the demonstration (default: 180)")
    options.add_argument("--chromium", default="/usr/bin/chromium")
    asked = options.parse_args()
    PICTURES.mkdir(exist_ok=True)
    (PICTURES / "winter.svg").write_text(winter(), encoding="utf-8")
    with demonstration(asked.speed) as address, sync_playwright() as playwright:
        room, mail = wait_for_trouble(address)
        browser = playwright.chromium.launch(executable_path=asked.chromium, args=["--no-sandbox"])
        photograph(browser, address, room, mail)
        browser.close()
    sys.exit(1 if too_large() else 0)


def photograph(browser: Browser, address: str, room: str, mail: str) -> None:
    """Take the pictures of the demonstration's pages."""
    page = opened(browser, f"{address}/", DESK, "light")
    keep(page, "rooms.png", *_reach(page, ".banner", ".rooms"), width=DESK["width"])
    page = opened(browser, f"{address}{room}?span=3d", DESK, "light")
    page.locator(".strip canvas").first.wait_for()
    keep(page, "room.png", 0, DESK["height"], width=DESK["width"])
    [going_on, *_] = json.loads(fetched(f"{address}/api/v1/incidents?open=true"))["incidents"]
    page = opened(browser, f"{address}/incidents/{going_on['id']}", DESK, "light")
    keep(page, "incident.png", *_reach(page, ".incident-head", ".bench-action"), width=DESK["width"])
    page = opened(browser, f"{address}{mail}", {"width": 760, "height": 900}, "light")
    page.wait_for_timeout(1000)  # until the frame is as tall as the mail
    keep(page, "mail.png", *_reach(page, "h1", "iframe.letter"), width=760)
    page = opened(browser, f"{address}{room}", PHONE, "dark", scale=2.0)
    keep(page, "phone.png", 0, PHONE["height"], width=PHONE["width"])


def _reach(page: Page, first: str, last: str) -> tuple[float, float]:
    """Give where an element begins and another ends, down the page, with a little paper below."""
    begins, ends = page.locator(first).bounding_box(), page.locator(last).bounding_box()
    assert begins is not None
    assert ends is not None
    return max(0.0, begins["y"] - 6), ends["y"] + ends["height"] + 18


def keep(page: Page, name: str, top: float, bottom: float, *, width: int) -> None:
    """Photograph a part of a page and write it."""
    clip: FloatRect = {"x": 0.0, "y": top, "width": float(width), "height": bottom - top}
    (PICTURES / name).write_bytes(packed(page, page.screenshot(full_page=True, clip=clip)))


PIXELS = """async (base64) => {
  const picture = new Image();
  picture.src = "data:image/png;base64," + base64;
  await picture.decode();
  const pen = new OffscreenCanvas(picture.width, picture.height).getContext("2d");
  pen.drawImage(picture, 0, 0);
  let bytes = "";
  for (const byte of pen.getImageData(0, 0, picture.width, picture.height).data) bytes += String.fromCharCode(byte);
  return [picture.width, picture.height, btoa(bytes)];
}"""


def packed(page: Page, png: bytes) -> bytes:
    """Pack a picture more tightly than the browser does, without changing a pixel (PNG, W3C, third edition)."""
    browser = page.context.browser
    assert browser is not None
    helper = browser.new_page()  # a blank one: the policy of our pages would not let it decode
    width, height, base64 = helper.evaluate(PIXELS, b64encode(png).decode())
    helper.close()
    rows = np.frombuffer(b64decode(base64), dtype=np.uint8).reshape(height, width, 4)[:, :, :3].reshape(height, -1)
    unfiltered = np.concatenate([np.zeros((height, 1), dtype=np.uint8), rows], axis=1)
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    parts = [(b"IHDR", head), (b"IDAT", zlib.compress(unfiltered.tobytes(), 9)), (b"IEND", b"")]
    chunks = [
        struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data)) for kind, data in parts
    ]
    return b"\x89PNG\r\n\x1a\n" + b"".join(chunks)


def opened(browser: Browser, address: str, size: ViewportSize, scheme: Any, scale: float = 1.0) -> Page:
    """Open a page and wait until it is live and its typefaces are there."""
    page = browser.new_page(viewport=size, color_scheme=scheme, device_scale_factor=scale, locale="en-GB")
    page.goto(address)
    page.locator('#line[data-state="live"]').wait_for()
    page.evaluate("document.fonts.ready")
    return page


@contextmanager
def demonstration(speed: float) -> Iterator[str]:
    """Run `lumberroom demo` on a free port until the block ends; give its address."""
    command = [sys.executable, "-u", "-m", "ingest.cli.main", "demo", "--port", "0", "--no-browser"]
    with tempfile.TemporaryDirectory() as folder:
        running = subprocess.Popen(
            [*command, "--speed", str(speed), "--data", f"{folder}/demonstration"],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            text=True,
        )
        try:
            assert running.stdout is not None
            found = next(filter(None, (re.search(r"http://[\d.:]+", line) for line in running.stdout)), None)
            if found is None:
                sys.exit("the demonstration did not start; what it said stands above")
            yield found[0]
        finally:
            running.terminate()
            running.wait(20)


def wait_for_trouble(address: str) -> tuple[str, str]:
    """Wait until a room is out of range and its mail is caught; give the addresses of the room and of the mail."""
    until_s = time.monotonic() + WAIT_S
    while time.monotonic() < until_s:
        incidents = json.loads(fetched(f"{address}/api/v1/incidents?open=true"))["incidents"]
        mails = re.findall(r'href="(/mails/\d+)"', fetched(f"{address}/mails"))
        if incidents and mails:
            return f"/rooms/{incidents[0]['room']}", mails[0]
        time.sleep(0.5)
    sys.exit(f"no mail was caught within {WAIT_S:.0f} s")


def fetched(address: str) -> str:
    """Get a page as text."""
    with urllib.request.urlopen(address, timeout=20) as answer:
        text: str = answer.read().decode()
    return text


def winter() -> str:
    """Draw the EMC of the measured room from its first reading to its last."""
    form = CsvForm({"t_UTC+2": "time", "T": "temperature_c", "RH": "rh_percent"}, "indoor", zone_named("+02:00"))
    window = AcclimationWindow(rh_percent=Bounds(30.0, 50.0), emc_percent=Bounds(6.0, 9.0))
    room = Room("living", "A measured room", window)
    site = Site("North", "Europe/Helsinki", rooms=(room,), sensors=(Sensor("indoor", room.id),))
    with WINTER.open(encoding="utf-8") as file, tempfile.TemporaryDirectory() as folder:
        readings = list(chain.from_iterable(row.readings for row in read_rows(file, form)))
        with closing(SqliteStore.open(Path(folder) / "winter.sqlite3")) as store:
            with store.transaction() as work:
                work.append(ReadingBatch.of(readings), heard_ms=readings[-1].at_ms, live=False)
            first_ms, last_ms = readings[0].at_ms, readings[-1].at_ms + 1
            credit = "Data: TRH-tietokanta, measurement R1, CC BY 4.0"
            return season_chart_svg(season_picture(store.read, site, room, first_ms, last_ms, credit=credit))


def too_large() -> bool:
    """Say how large each picture is, and whether one is larger than the README should carry."""
    sizes = {path: path.stat().st_size for path in sorted(PICTURES.iterdir())}
    for path, size in sizes.items():
        print(f"{path.relative_to(ROOT)}: {size / 1000:.0f} kB{' (too large)' if size > LARGEST_BYTES else ''}")
    return any(size > LARGEST_BYTES for size in sizes.values())


if __name__ == "__main__":
    main()
