"""The pages in a real Chromium: live without reloading, at phone width, in the dark, without scripts, by keyboard."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser

PAGES = ["/", "/rooms/loft", "/rooms/hall?span=30d&until=2026-01-07", "/incidents?room=hall", "/connections"]
PHONE = {"width": 360, "height": 740}


@pytest.fixture
def opened(browser, served) -> Iterator:
    """Open a page of the served application; whatever its console complains of fails the test."""
    complaints: list[str] = []
    contexts = []

    def open_page(path: str, *, wait: bool = True, **options) -> Page:
        context = browser.new_context(base_url=served.address, **options)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda said: complaints.append(said.text) if said.type in {"error", "warning"} else None)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(path)
        if wait and options.get("java_script_enabled", True):
            expect(page.locator("#line")).to_have_attribute("data-state", "live")
        return page

    open_page.complaints = complaints
    yield open_page
    for context in contexts:
        context.close()
    assert complaints == []


def test_new_figures_appear_without_reloading(opened, served, bench):
    """A reading that is stored shows on the open page within seconds; the document is still the same one."""
    page = opened("/")
    page.evaluate("window.stillHere = true")
    hall = page.locator("#room-hall")
    expect(hall.locator(".fact-rh_percent b")).to_have_text("42.0")
    served.services.clock.step_wall(60_000)
    served.submit(bench.air("hall-air", bench.now_ms + 60_000, 18.5, 43.7))
    expect(hall.locator(".fact-rh_percent b")).to_have_text("43.7")
    expect(hall.locator(".heard")).to_have_text("Last reading just now")
    assert page.evaluate("window.stillHere") is True


def test_an_incident_shows_and_is_announced(opened, served, bench):
    """When a room goes out of range the mark, the words and the tally change, and a screen reader is told politely."""
    page = opened("/")
    for minutes in range(1, 15):
        served.services.clock.step_wall(60_000)
        served.submit(bench.air("hall-air", bench.now_ms + minutes * 60_000, 18.0, 61.0))
    hall = page.locator("#room-hall")
    expect(hall).to_have_class("room state-out_of_range")
    expect(hall.locator(".standing b")).to_have_text("out of range")
    expect(hall.locator("svg.mark-out_of_range")).to_be_visible()
    expect(page.locator("nav .tally")).to_have_text("1")
    announcer = page.locator("#announce")
    expect(announcer).to_have_attribute("aria-live", "polite")
    expect(announcer).to_have_text("Hall: out of range.")


def test_a_lost_line_is_said_and_found_again(browser, services, serve):
    """When the daemon goes away the page says since when there is no news; when it is back, the page goes on."""
    with serve(services) as first:
        port = int(first.address.rsplit(":", 1)[1])
        page = browser.new_page()
        page.goto(first.address)
        line = page.locator("#line")
        expect(line).to_have_attribute("data-state", "live")
    expect(line).to_have_attribute("data-state", "lost", timeout=20_000)
    expect(page.locator("#line-words")).to_have_text(re.compile(r"^No news since 13:20\."))
    services.board = type(services.board)()
    services.clock.step_wall(600_000)
    with serve(services, port):
        expect(line).to_have_attribute("data-state", "live", timeout=30_000)
        expect(page.locator("#room-loft .heard")).to_have_text("Last reading 10 minutes ago")
        page.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_sticks_out_on_a_phone(opened, scheme):
    """At 360 px no page scrolls sideways, and links and buttons are tall enough for a thumb."""
    page = opened("/", viewport=PHONE, color_scheme=scheme, has_touch=True)
    for path in PAGES:
        page.goto(path)
        if path.startswith("/rooms"):
            expect(page.locator(".strip canvas").first).to_be_visible()
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"], path
        tall = "all => all.map(one => one.getBoundingClientRect().height)"
        heights = page.eval_on_selector_all(
            "nav a, .stretch-ways a, .choose label:not(.unseen), .choose select, .choose [type=date], summary", tall
        )
        shown = [height for height in heights if height]  # what is folded away has no height
        assert min(shown) >= 24, path  # WCAG 2.2, 2.5.8: at least 24 CSS px


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_is_readable_in_light_and_dark(opened, served, bench, contrast, scheme):
    """Every text, in drawings too, has the contrast of WCAG 2.2 AA (4.5 : 1), in every state that shows here."""
    bench.put(served.services, bench.incident(3, is_open=True), bench.incident(30, is_open=False))
    served.services.write(bench.air("hall-air", bench.now_ms + 60_000, 18.0, 58.0))
    page = opened("/", color_scheme=scheme)
    paper = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert (sum(map(int, re.findall(r"\d+", paper)[:3])) < 200) == (scheme == "dark")
    for path in (
        "/",
        "/rooms/hall",
        "/rooms/hall?until=2026-01-07T12:00",
        "/rooms/cellar",
        "/incidents",
        "/connections",
    ):
        page.goto(path)
        seen, bad = page.evaluate(contrast, "title, desc, .unseen, .skip")
        assert seen > 15
        assert bad == [], path


def test_without_scripts_everything_is_there(opened):
    """Figures, states, the window chart and the table of the history are in the page; it asks again by itself."""
    page = opened("/rooms/loft", java_script_enabled=False)
    expect(page.locator(".fact-rh_percent b")).to_have_text("45.0")
    expect(page.locator(".standing b")).to_have_text("in range")
    expect(page.locator(".only-wide svg")).to_be_visible()
    expect(page.locator("#line-words")).to_have_text("As of Thu 8 Jan 2026, 13:20 CET")
    page.locator("details.figures summary").click()
    expect(page.locator(".figures tbody tr").first).to_be_visible()
    page.get_by_role("radio", name="7 days").check(force=True)
    page.locator("input[type=date]").fill("2026-01-07")
    page.get_by_role("button", name="Show").click()
    expect(page).to_have_url(re.compile(r"span=7d&day=2026-01-07"))
    expect(page.locator("#window-title")).to_contain_text("24 hours up to the end of Wed 7 Jan 2026")
    page.get_by_role("link", name="Earlier").click()
    expect(page.locator(".stretch-words")).to_have_text("Thu 25 Dec 2025 to Wed 31 Dec 2025")
    assert page.locator("noscript").count() >= 1


def test_the_time_chart_draws_and_follows_the_choice(opened):
    """A strip is drawn per quantity; another span and another quantity are asked for without leaving the page."""
    page = opened("/rooms/loft")
    strips = page.locator(".strip")
    expect(strips).to_have_count(4)
    expect(strips.first.locator("canvas")).to_be_visible()
    expect(strips.first.locator(".strip-read")).to_have_text(re.compile(r"Between .+ Hatched: there are no readings\."))
    page.evaluate("window.stillHere = true")
    with page.expect_response(re.compile(r"/series\?.*quantity=dew_point_c")):
        page.locator(".which summary").click()
        page.get_by_role("checkbox", name="Dew point").check(force=True)
    expect(strips).to_have_count(5)
    with page.expect_response(re.compile(r"/series\?")) as asked:
        page.get_by_role("radio", name="24 hours").check(force=True)
    assert "points=" in asked.value.url
    expect(page).to_have_url(re.compile(r"span=1d"))
    assert page.evaluate("window.stillHere") is True


def test_the_time_chart_reads_out_the_point_under_the_finger(opened):
    """Pointing at the chart says when and how much, in the zone of the site."""
    page = opened("/rooms/hall")
    over = page.locator(".strip .u-over").first
    over.scroll_into_view_if_needed()
    box = over.bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 20)
    expect(page.locator(".strip-read").first).to_have_text(re.compile(r"^Wed,? 7 Jan,? \d\d:\d\d: .*\d \%$"))


def test_new_readings_reach_the_time_chart(opened, served, bench):
    """The chart goes on by itself when readings come in."""
    page = opened("/rooms/hall")
    read = page.locator(".strip-read").first
    expect(read).to_have_text(re.compile("Between"))
    served.services.clock.step_wall(600_000)
    served.submit(bench.air("hall-air", bench.now_ms + 540_000, 18.0, 49.9))
    expect(read).to_have_text(re.compile(r"and 49\.9 %"))


def test_news_does_not_lead_away_from_the_past(opened, served, bench):
    """Whoever looks at a stretch of the past goes on seeing it while readings come in; figures of now move on."""
    page = opened("/rooms/hall?span=1d&until=2026-01-07T12:00")
    then = page.locator(".then")
    read = page.locator(".strip-read").first
    expect(read).to_have_text(re.compile("Between"))
    before = (then.inner_text(), read.inner_text(), page.locator(".stretch-words").inner_text())
    served.services.clock.step_wall(60_000)
    served.submit(bench.air("hall-air", bench.now_ms + 60_000, 18.0, 48.8))
    expect(page.locator(".now .fact-rh_percent b")).to_have_text("48.8")
    page.wait_for_timeout(300)
    assert (then.inner_text(), read.inner_text(), page.locator(".stretch-words").inner_text()) == before


def test_one_walks_through_the_past_in_place(opened):
    """Earlier, a chosen day, back to now and the browser's own way back change the stretch, not the page."""
    page = opened("/rooms/hall?span=1d")
    words = page.locator(".stretch-words")
    expect(page.locator(".strip canvas").first).to_be_visible()
    page.evaluate("window.stillHere = true")
    page.get_by_role("link", name="Earlier").click()
    expect(words).to_have_text("Tue 6 Jan 2026, 13:20 CET to Wed 7 Jan 2026, 13:20 CET")
    expect(page.locator("#window-title")).to_contain_text("24 hours up to Wed 7 Jan 2026, 13:20 CET")
    expect(page.locator("input[type=date]")).to_have_value("2026-01-07")
    with page.expect_response(re.compile(r"/series\?")):
        page.locator("input[type=date]").fill("2026-01-06")
    expect(words).to_have_text("Tue 6 Jan 2026")
    expect(page).to_have_url(re.compile(r"\?span=1d&until=2026-01-07T00:00(&show=\w+)+$"))
    page.get_by_role("radio", name="6 hours").check(force=True)
    expect(words).to_have_text("Tue 6 Jan 2026, 18:00 CET to Wed 7 Jan 2026, 00:00 CET")
    page.go_back()
    expect(words).to_have_text("The last 24 hours, up to now")
    expect(page.get_by_role("radio", name="24 hours")).to_be_checked()
    expect(page.locator("input[type=date]")).to_have_value("")
    page.get_by_role("link", name="Earlier").click()
    page.locator("#stretch").get_by_role("link", name="Back to now").click()
    expect(words).to_have_text("The last 24 hours, up to now")
    assert page.evaluate("window.stillHere") is True


def test_a_stretch_without_readings_says_so(opened, served):
    """Before anything was heard there is a sentence and no empty picture."""
    page = opened("/rooms/hall?span=1d&until=2025-06-01")
    expect(page.locator(".strip")).to_have_count(3)
    expect(page.locator(".strip-read").first).to_have_text("There are no readings in this stretch.")
    expect(page.locator(".strip canvas")).to_have_count(0)


def test_the_place_under_the_finger_stays_when_news_comes(opened, served, bench):
    """A reading that comes in draws the chart again, and it goes on telling the point that is pointed at."""
    page = opened("/rooms/hall")
    over = page.locator(".strip .u-over").first
    over.scroll_into_view_if_needed()
    box = over.bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 20)
    read = page.locator(".strip-read").first
    expect(read).to_have_text(re.compile(r"^Wed,? 7 Jan"))
    served.services.clock.step_wall(60_000)
    with page.expect_response(re.compile(r"/series\?")):
        served.submit(bench.air("hall-air", bench.now_ms + 60_000, 18.0, 44.4))
    page.wait_for_timeout(300)
    expect(read).to_have_text(re.compile(r"^Wed,? 7 Jan"))


def test_details_stay_open_and_focus_stays_when_news_comes(opened, served, bench):
    """News does not close what somebody has opened, nor take away the keyboard's place."""
    page = opened("/rooms/hall")
    page.locator("details.figures summary").click()
    page.locator("details.figures summary").focus()
    served.services.clock.step_wall(60_000)
    served.submit(bench.air("hall-air", bench.now_ms + 60_000, 18.0, 44.4))
    expect(page.locator(".now .fact-rh_percent b")).to_have_text("44.4")
    assert page.evaluate("document.querySelector('details.figures').open") is True
    assert page.evaluate("document.activeElement.tagName") == "SUMMARY"


def test_everything_is_reached_by_keyboard(opened):
    """The first stop skips to the content; then come links in order, each with a visible ring."""
    page = opened("/")
    page.keyboard.press("Tab")
    expect(page.locator(".skip")).to_be_focused()
    expect(page.locator(".skip")).to_be_in_viewport()
    page.keyboard.press("Enter")
    expect(page.locator("main")).to_be_focused()
    while page.evaluate("document.activeElement.closest('.summary') !== null || document.activeElement.id === 'main'"):
        page.keyboard.press("Tab")  # the links of the summary, to the cards that they are about
    first = page.locator(".room h2 a").first
    expect(first).to_be_focused()
    page.locator("#to-loft").focus()
    page.keyboard.press("Shift")  # a key, so that the ring is drawn as for a keyboard
    outline = page.evaluate("getComputedStyle(document.querySelector('#room-loft')).outlineStyle")
    assert outline == "solid"
    page.keyboard.press("Enter")
    expect(page).to_have_url(re.compile(r"/rooms/loft$"))
    expect(page.locator("h1")).to_have_text("Loft")


def test_a_caught_mail_runs_no_script(opened, served, bench):
    """A mail that carries a script is shown, and the script does not run."""
    served.services.demo_speed = 60.0
    html = "<p id=letter>Hall</p><script>document.getElementById('letter').textContent='ran'</script>"
    served.services.caught = [bench.mail(1, html=html)]
    page = opened("/mails/1")
    expect(page.frame_locator("iframe").locator("#letter")).to_have_text("Hall")
    # Chromium notes each script that it refuses to run: that note is what is wanted here.
    assert all("sandboxed" in said or "Content Security Policy" in said for said in opened.complaints)
    opened.complaints.clear()


@pytest.mark.parametrize("width", [360, 1280])
def test_a_caught_mail_is_shown_whole(opened, served, bench, width):
    """The frame is as tall as the mail in it, on a phone too: nothing is cut off and nothing scrolls inside."""
    served.services.demo_speed = 60.0
    served.services.caught = [bench.mail(1, html=f"<div>{'<p>A line of a long mail about a floor.</p>' * 60}</div>")]
    page = opened("/mails/1", viewport={"width": width, "height": 740})
    expect(page.frame_locator("iframe").locator("p").last).to_be_attached()
    frame = page.locator("iframe")
    expect(frame).to_have_attribute("height", re.compile(r"^\d{4}$"))
    inside = "one => one.contentDocument.documentElement.scrollHeight - one.clientHeight"
    assert frame.evaluate(inside) <= 0
    last = page.frame_locator("iframe").locator("p").last
    last.scroll_into_view_if_needed()
    expect(last).to_be_in_viewport()


def test_motion_is_left_out_for_who_asks(opened):
    """With reduced motion asked for, nothing moves by itself."""
    page = opened("/", reduced_motion="reduce")
    assert page.evaluate("getComputedStyle(document.documentElement).scrollBehavior") == "auto"
