"""A thousand sensors as a program of its own: each publishes one reading a second, a SenML message of QoS 1.

Arguments: port, certificate, login, password, seconds, sensors, rooms. Temperature and humidity take turns. Sensor n
(below the number of rooms) says from a second of its own on that its room has become damp.
"""

from __future__ import annotations

import asyncio
import logging
import sys
import time

import aiomqtt

CALM_S = 10
"""For so long nothing happens at the beginning, and three times as long at the end."""


def message(sensor: int, second: int, seconds: int, rooms: int) -> str:
    """Give what a sensor says in a second of the run."""
    if (second + sensor) % 2:
        return f'[{{"n":"s{sensor}/temperature","u":"Cel","v":21.{sensor % 10},"t":{time.time():.3f}}}]'
    is_damp = sensor < rooms and second >= CALM_S + sensor * max(1, seconds - 4 * CALM_S) // rooms
    return f'[{{"n":"s{sensor}/humidity","u":"%RH","v":{70 if is_damp else 45}.{second % 10},"t":{time.time():.3f}}}]'


async def main(port: int, ca: str, login: str, password: str, seconds: int, sensors: int, rooms: int) -> None:
    """Publish, evenly spread over each second."""
    logging.getLogger("mqtt").setLevel(logging.ERROR)  # it warns of more than ten under way
    tls = aiomqtt.TLSParameters(ca_certs=ca)
    async with aiomqtt.Client(
        "127.0.0.1", port, username=login, password=password, tls_params=tls, max_inflight_messages=500
    ) as client:
        begun_s = time.monotonic()
        for second in range(seconds):
            for first in range(0, sensors, 50):
                some = range(first, min(sensors, first + 50))
                said = [message(sensor, second, seconds, rooms) for sensor in some]
                await asyncio.gather(*(client.publish("climate/m", one, qos=1) for one in said))
                await asyncio.sleep(max(0.0, begun_s + second + first / sensors - time.monotonic()))
    print(seconds * sensors, flush=True)


if __name__ == "__main__":
    port, ca, login, password, *numbers = sys.argv[1:]
    asyncio.run(main(int(port), ca, login, password, *map(int, numbers)))
