"""What is within reach in a real Chromium: figures that move, the form by keyboard and without scripts, phone, dark."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace

import pytest
from playwright.sync_api import Page, expect

from dashboards.services import Assigned, DeviceKeyStatus, Reach, Sighting
from ingest.errors import InputError

pytestmark = pytest.mark.browser

SEEN = Sighting(
    "a1",
    "bluetooth",
    "A4:C1:38:00:00:01",
    "ATC 0001",
    figures={"temperature_c": 21.5, "rh_percent": 47.2, "signal_dbm": -60.0, "battery_percent": 84.0},
    moved={"temperature_c": 0.0, "rh_percent": 0.0},
    names_itself=False,
    wiring="[[adapter]]\nname = NAME IT\nsensors = { A4:C1:38:00:00:01 = NAME IT, and so on, a long line }",
)
HEARD = Sighting("b2", "adapter", "hall-usb", "loft-9", figures={"wood_mc_percent": 8.5}, read_by="hall-usb")
HOUSED = Sighting("c3", "mqtt", "house/hall/climate", "hall-air", figures={"rh_percent": 41.0}, room="hall")
PATHS = ("/find-sensors", "/find-sensors/assign?which=a1")
PHONE = {"width": 360, "height": 740}


@pytest.fixture
def reach(served, bench):
    """Served services that have some sensors within reach."""
    services = served.services
    trouble = "Bluetooth radio hci1: it is switched off. Switch it on: bluetoothctl power on"
    services.reach = Reach(True, ("serial ports that no adapter has", "Bluetooth"), (SEEN, HEARD, HOUSED), (trouble,))
    services.keys = [DeviceKeyStatus("hall-board", ("hall-*",), bench.now_ms, bench.now_ms - 120_000)]
    return services


@pytest.fixture
def opened(browser, served, reach) -> Iterator:
    """Open a page; whatever its console complains of fails the test."""
    complaints: list[str] = []
    contexts = []

    def open_page(path: str, **options) -> Page:
        context = browser.new_context(base_url=served.address, **options)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda said: complaints.append(said.text) if said.type in {"error", "warning"} else None)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(path)
        return page

    open_page.complaints = complaints
    yield open_page
    for context in contexts:
        context.close()
    assert complaints == []


def breathe(services) -> None:
    """Let the humidity of the first sensor rise."""
    moved = replace(SEEN, figures=dict(SEEN.figures) | {"rh_percent": 63.4}, moved={"rh_percent": 16.2}, moving=True)
    services.reach = replace(services.reach, sightings=(moved, HEARD, HOUSED))


def test_figures_move_when_one_breathes_on_a_sensor(opened, reach):
    """Within seconds, without a reload, and the sensor is marked in a word; what is opened stays open."""
    page = opened("/find-sensors")
    entry = page.locator("#sighting-a1")
    expect(entry.locator(".reach-figures")).to_contain_text("47.2 %")
    entry.locator("summary").click()
    page.evaluate("window.stillHere = true")
    breathe(reach)
    expect(entry.locator(".reach-figures")).to_contain_text("63.4 %")
    expect(entry.locator(".reach-figures")).to_contain_text("▲ 16.2 points")
    expect(entry.locator(".stamp")).to_have_text("rising now")
    expect(entry.locator("pre")).to_be_visible()
    assert page.evaluate("window.stillHere") is True
    assert all(asked == (True, False) for asked in reach.asked)


def test_a_page_that_nobody_sees_asks_no_more(opened, reach):
    """Hidden, it lets the looking end; shown again it goes on."""
    page = opened("/find-sensors")
    expect(page.locator("#line")).to_have_attribute("data-state", "live")
    hide = "Object.defineProperty(document, 'hidden', {value: %s, configurable: true});"
    page.evaluate(hide % "true" + "document.dispatchEvent(new Event('visibilitychange'))")
    page.wait_for_timeout(500)
    before = len(reach.asked)
    page.wait_for_timeout(4500)
    assert len(reach.asked) == before
    page.evaluate(hide % "false" + "document.dispatchEvent(new Event('visibilitychange'))")
    page.wait_for_timeout(3000)
    assert len(reach.asked) > before


@pytest.mark.parametrize("scripts", [True, False])
def test_a_sensor_is_given_a_room_by_keyboard(opened, reach, scripts):
    """From the list through the form to what was done, with the keyboard alone, with and without scripts."""
    page = opened("/find-sensors", java_script_enabled=scripts)
    page.get_by_role("link", name=re.compile("Assign to room.*ATC 0001")).focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Assign to room")
    page.get_by_label("Its name").focus()
    page.keyboard.type("loft-2")
    page.keyboard.press("Tab")
    page.keyboard.type("Lo")
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    page.keyboard.type("On the beam")
    page.keyboard.press("Tab")
    page.keyboard.type("Kay")
    page.keyboard.press("Tab")
    expect(page.get_by_role("button", name="Give it this room")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("It has a room")
    (assignment,) = reach.assignments
    assert (assignment.sighting, assignment.room, assignment.sensor) == ("a1", "loft", "loft-2")
    assert (assignment.title, assignment.by, assignment.place) == ("On the beam", "Kay", "air")
    expect(page.get_by_role("link", name="To Loft")).to_have_attribute("href", "/rooms/loft")


def test_what_somebody_fills_in_stays_while_figures_move(opened, reach):
    """The figures above the form move; the form and the keyboard's place stay."""
    page = opened("/find-sensors/assign?which=a1")
    page.get_by_label("Its name").fill("loft-2")
    page.get_by_label("Your name").focus()
    breathe(reach)
    expect(page.locator(".entry-one")).to_contain_text("63.4 %")
    expect(page.get_by_label("Its name")).to_have_value("loft-2")
    expect(page.get_by_label("Your name")).to_be_focused()


def test_a_mistake_is_told_and_nothing_is_lost(opened, reach):
    """The field that is wrong is marked for everybody, and what was typed is still there."""
    reach.refuses = InputError("a sensor of that name belongs to loft", where="sensor", mend="Choose another name.")
    page = opened("/find-sensors/assign?which=a1")
    page.get_by_label("Its name").fill("loft-air")
    page.get_by_label("Room", exact=True).select_option("hall")
    page.get_by_label("Your name").fill("Kay")
    page.get_by_role("button", name="Give it this room").click()
    expect(page.get_by_role("alert")).to_contain_text("Choose another name.")
    expect(page.get_by_label("Its name")).to_have_attribute("aria-invalid", "true")
    expect(page.get_by_label("Its name")).to_have_value("loft-air")
    expect(page.get_by_label("Room", exact=True)).to_have_value("hall")
    opened.complaints[:] = [said for said in opened.complaints if "400 (Bad Request)" not in said]  # Chromium's note


def test_another_page_cannot_send_the_form(browser, reach, served):
    """A form on a page of another origin reaches nothing, whatever it says of itself."""
    context = browser.new_context()
    page = context.new_page()
    page.goto("data:text/html,<p>A stranger")
    page.set_content(
        f'<form method="post" action="{served.address}/find-sensors/assign"><input name="which" value="a1">'
        '<input name="room" '
        'value="loft"><input name="by" value="x"><input name="sensor" value="y"><button>Win</button></form>'
    )
    with page.expect_response(re.compile("/find-sensors/assign")) as answer:
        page.get_by_role("button").click()
    assert answer.value.status == 403
    assert reach.assignments == []
    context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_phone_and_the_dark(opened, reach, contrast, scheme, tmp_path):
    """Nothing sticks out at 360 px, what one presses is tall enough, and every text has the contrast of WCAG 2.2 AA."""
    breathe(reach)
    reach.assigned = Assigned(
        "loft-2", "loft", ("Done.",), to_copy="[[adapter]]\n" + 'port = "/dev/serial/by-id/' + "x" * 80
    )
    page = opened(PATHS[0], viewport=PHONE, color_scheme=scheme, has_touch=True)
    for path in PATHS:
        page.goto(path)
        held(page, contrast)
    page.get_by_label("Its name").fill("loft-2")
    page.get_by_label("Room", exact=True).select_option("loft")
    page.get_by_label("Your name").fill("Kay")
    page.get_by_role("button", name="Give it this room").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("one thing is left")
    held(page, contrast)


def held(page: Page, contrast: str) -> None:
    """Hold an open page against width, height of what is pressed, and contrast."""
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    heights = page.eval_on_selector_all(
        "main .button, main .back, main button, main summary, main input:not([type=hidden]), main select",
        "all => all.map(one => [one.outerHTML.slice(0, 60), one.getBoundingClientRect().height])",
    )
    assert [one for one in heights if one[1] < 24] == []  # WCAG 2.2, 2.5.8
    seen, bad = page.evaluate(contrast, "title, desc, .unseen, .skip, option")
    assert seen > 0
    assert bad == []
