"""Fifty pages and a stalled one: how late does a block get through, against nobody watching?

    python tests/bench/monitor/many_pages.py --seconds 60

Quiet and crowded stretches alternate in the same run. Lateness: from when a block is due until its events
are decided, its actions known and the page's tap has it. The pages run in a process of their own. Exit 1
when the ratio of the medians is above 1.2.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import subprocess
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import aiohttp
from monitor.rig import running

STRETCHES = 3
LIMIT = 1.2


async def be_pages(link: str, count: int, seconds: float) -> None:
    """The other process: ``count`` pages that read and one that does not."""
    address, _, token = link.partition("?token=")
    async with aiohttp.ClientSession(connector=aiohttp.TCPConnector(limit=0)) as session:
        sockets = []
        for _ in range(count + 1):
            socket = await session.ws_connect(address + "live", max_msg_size=0)
            if not sockets:
                socket._response.connection.transport.pause_reading()  # type: ignore[union-attr]
            await socket.send_json({"type": "start", "token": token})
            sockets.append(socket)
        received = [0] * count

        async def read(place: int) -> None:
            async for message in sockets[place + 1]:
                received[place] += len(message.data)

        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(asyncio.gather(*map(read, range(count))), seconds)
        print(f"  each page read {min(received) / 1e3:.0f} to {max(received) / 1e3:.0f} kB", file=sys.stderr)


def quantile(values: list[float], share: float) -> float:
    return sorted(values)[min(len(values) - 1, int(share * len(values)))]


async def measure(pages: int, seconds: float) -> int:
    quiet: list[float] = []
    crowded: list[float] = []
    each = seconds / STRETCHES
    async with running(past_s=30.0) as rig:
        await asyncio.sleep(2)
        for _ in range(STRETCHES):
            rig.latencies_s.clear()
            await asyncio.sleep(each)
            quiet += rig.latencies_s
            others = subprocess.Popen(
                [
                    sys.executable,
                    __file__,
                    "--link",
                    rig.link,
                    "--pages",
                    str(pages),
                    "--seconds",
                    str(each + 4),
                ]
            )
            rig.latencies_s.clear()
            await asyncio.sleep(4)  # they connect and catch up on the past, all at once
            print(f"  latest block while they connect: {1e3 * max(rig.latencies_s):.1f} ms")
            rig.latencies_s.clear()
            cpu_s = time.process_time()
            await asyncio.sleep(each)
            cpu_s = time.process_time() - cpu_s
            crowded += rig.latencies_s
            await asyncio.to_thread(others.wait)
            print(f"  processor share with {pages} pages: {100 * cpu_s / each:.1f} %")
    for name, values in (("quiet", quiet), ("crowded", crowded)):
        p50, p99 = quantile(values, 0.5), quantile(values, 0.99)
        print(f"{name}: {len(values)} blocks, median {1e3 * p50:.3f} ms, p99 {1e3 * p99:.3f} ms")
    ratio = quantile(crowded, 0.5) / quantile(quiet, 0.5)
    print(f"ratio of medians {ratio:.2f} (limit {LIMIT})")
    return int(ratio > LIMIT)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--pages", type=int, default=50)
    parser.add_argument("--link", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.link:
        asyncio.run(be_pages(given.link, given.pages, given.seconds))
    else:
        sys.exit(asyncio.run(measure(given.pages, given.seconds)))


if __name__ == "__main__":
    main()
