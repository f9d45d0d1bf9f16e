"""The pages for everybody: no finding of the axe engine, nothing wider than the smallest phone, whole on paper."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import axe_playwright_python
import pytest
from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser

AXE = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
PAGES = ["/", "/rooms/loft", "/incidents", "/incidents/i1", "/connections", "/find-sensors", "/mails"]
A4_PX = round(210 / 25.4 * 96)
LETTER_PX = round(8.5 * 96)


@pytest.fixture
def page_of(browser: Browser, served: Any, bench: Any) -> Iterator[Callable[..., Page]]:
    """Open a page of a site in which something happens: an incident, a caught mail."""
    bench.put(served.services, bench.incident(1, is_open=True))
    served.services.demo_speed = 60.0
    contexts = []

    def opened(path: str, **options: Any) -> Page:
        context = browser.new_context(base_url=served.address, **options)
        contexts.append(context)
        page = context.new_page()
        page.goto(path)
        page.wait_for_timeout(300)
        return page

    yield opened
    for context in contexts:
        context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", PAGES)
def test_axe_finds_nothing(page_of: Callable[..., Page], path: str, scheme: str) -> None:
    """Names, roles, contrast, headings, lists: by axe-core's rules for WCAG 2.2 A and AA and its best practices."""
    page = page_of(path, color_scheme=scheme, viewport={"width": 360, "height": 740})
    page.evaluate(AXE)
    found = page.evaluate("axe.run(document)")["violations"]
    told = [f"{one['id']}: {one['help']} {[node['html'][:120] for node in one['nodes'][:3]]}" for one in found]
    assert not told, "\n".join(told)


@pytest.mark.parametrize("path", PAGES)
def test_nothing_is_wider_than_the_smallest_phone(page_of: Callable[..., Page], path: str) -> None:
    """At 320 px, which is also a desk's page magnified four times (WCAG 1.4.10), nothing has to be pushed sideways."""
    page = page_of(path, viewport={"width": 320, "height": 640})
    assert page.evaluate("document.documentElement.scrollWidth") <= 320


@pytest.mark.parametrize("paper_px", [A4_PX, LETTER_PX])
@pytest.mark.parametrize("path", ["/", "/rooms/loft", "/incidents/i1"])
def test_paper_shows_the_whole_with_what_is_invented(page_of: Callable[..., Page], path: str, paper_px: int) -> None:
    """On A4 and Letter, margins off, no chart is cut at the right, and the banner that all is invented is printed."""
    page = page_of(path, viewport={"width": 1200, "height": 900})
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    page.emulate_media(media="print")
    printed_px = paper_px - round(2 * 12 / 25.4 * 96)
    page.set_viewport_size({"width": printed_px, "height": 1000})
    page.wait_for_timeout(300)
    assert page.locator(".banner").is_visible()
    wide = page.evaluate(
        "[...document.querySelectorAll('svg, canvas, table, .uplot')]"
        ".filter((one) => one.getBoundingClientRect().width > 0 && !one.closest('.scroll'))"
        ".map((one) => [one.className.baseVal ?? one.className, one.getBoundingClientRect().right])"
    )
    assert wide
    assert [one for one in wide if one[1] > printed_px + 1] == []


def test_acknowledging_stands_in_the_first_screen_of_a_phone(page_of: Callable[..., Page]) -> None:
    """Who follows the alert's link in a stairwell sees the button without scrolling."""
    page = page_of("/incidents/i1", viewport={"width": 360, "height": 740})
    button = page.get_by_role("button", name="Acknowledge")
    box = button.bounding_box()
    assert box is not None
    assert box["y"] + box["height"] <= 740
