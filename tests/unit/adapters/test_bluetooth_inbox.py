"""What waits for a Bluetooth adapter to take it."""

from __future__ import annotations

from adapters.bluetooth_inbox import QUEUE_LENGTH, RadioInbox
from adapters.contract import AdapterHealth, Why


async def test_what_comes_faster_than_it_is_taken_is_counted_and_the_newest_stays() -> None:
    """Three more than there is room for: three counted, and the fourth is the oldest left."""
    health = AdapterHealth()
    inbox: RadioInbox[int] = RadioInbox("the radio", health, deaf_after_s=5.0)
    for number in range(QUEUE_LENGTH + 3):
        inbox.put(number)
    assert health.rejected == {Why.OVERRUN: 3}
    assert await inbox.next() == 3
