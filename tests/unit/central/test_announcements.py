"""What a site says of itself: among others the window that each room should keep now."""

from ingest.central.announcements import announcement
from ingest.central.progress import Lag
from ingest.site.places import AcclimationWindow, Bounds, Phase, Room, Site

DAY_MS = 86_400_000


def test_a_room_with_phases_announces_the_window_of_today() -> None:
    """Before the change of phase the one window, after it the other: the office judges by what the site judges by."""
    kept = AcclimationWindow(rh_percent=Bounds(60.0, 80.0))
    dry = AcclimationWindow(rh_percent=Bounds(30.0, 55.0))
    site = Site("Mill (invented)", rooms=(Room("hall", "Hall", kept, phases=(Phase("laying", "1970-01-11", dry),)),))
    for at_ms, low in ((9 * DAY_MS, "low=60"), (11 * DAY_MS, "low=30")):
        lines = announcement("mill", site, {}, Lag(0, 0.0, 0), open_incidents=0, at_ms=at_ms)
        (told,) = [line for line in lines if "quantity=rh_percent" in line]
        assert low in told
