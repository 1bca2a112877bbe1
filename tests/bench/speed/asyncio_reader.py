"""What any Python program must spend: asyncio reads a port, parses each line and sends a datagram for it.

python asyncio_reader.py PORT UDP_PORT
"""

from __future__ import annotations

import asyncio
import os
import socket
import sys


async def main(port: str, udp_port: int) -> None:
    number = os.open(port, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
    out = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    out.connect(("127.0.0.1", udp_port))
    rest = b""

    def ready() -> None:
        nonlocal rest
        *lines, rest = (rest + os.read(number, 65536)).split(b"\n")
        for line in lines:
            values = [float(text) for text in line.split(b",")]
            if values:
                out.send(b"x")

    asyncio.get_running_loop().add_reader(number, ready)
    await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(main(sys.argv[1], int(sys.argv[2])))
