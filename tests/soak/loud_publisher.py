"""A publisher at full load, as a program of its own: one SenML message of one reading after the other, QoS 1.

Arguments: port, certificate, login, password, seconds, messages a second, sensors. It prints how many it sent.
"""

from __future__ import annotations

import asyncio
import logging
import sys
import time

import aiomqtt

AT_ONCE = 100


async def main(port: int, ca: str, login: str, password: str, seconds: float, rate: float, sensors: int) -> None:
    """Publish."""
    logging.getLogger("mqtt").setLevel(logging.ERROR)  # it warns of more than ten under way
    tls = aiomqtt.TLSParameters(ca_certs=ca)
    async with aiomqtt.Client(
        "127.0.0.1", port, username=login, password=password, tls_params=tls, max_inflight_messages=500
    ) as client:
        sent, begun_s = 0, time.monotonic()
        while sent < seconds * rate:
            pending = []
            for _ in range(AT_ONCE):
                reading = f'"n":"m{sent % sensors}/humidity","u":"%RH","v":{sent % 100:.1f},"t":{time.time():.3f}'
                pending.append(client.publish("climate/m", f"[{{{reading}}}]", qos=1))
                sent += 1
            await asyncio.gather(*pending)
            await asyncio.sleep(max(0.0, begun_s + sent / rate - time.monotonic()))
        print(sent, flush=True)


if __name__ == "__main__":
    port, ca, login, password, *numbers = sys.argv[1:]
    asyncio.run(main(int(port), ca, login, password, float(numbers[0]), float(numbers[1]), int(numbers[2])))
