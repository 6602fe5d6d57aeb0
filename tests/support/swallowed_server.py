"""Half-open: a server of a serial port (RFC 2217) whose network drops every packet. Run in a network of its own:

    unshare --net python tests/support/swallowed_server.py

The loopback of that network is throttled by a token bucket smaller than any packet (tc-tbf(8)), which drops them all; no
connection is closed or reset. Prints after how many seconds of writing the link was lost, and why.
"""

import asyncio
import os
import subprocess
import sys
import time
import tty
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2] / room) for room in ("daemon", "rules", "simulators")]

from rfc2217_server import PortServer

from qsyd_daemon.links.link import Rfc2217Address
from qsyd_daemon.links.rfc2217 import open_rfc2217

DROP = "tc qdisc replace dev lo root tbf rate 8bit burst 10 latency 1ms"


async def main(path: str) -> None:
    """Open the link, let darkness fall, and write as a rig's follower would."""
    reasons: list[str] = []
    with PortServer(path) as server:
        link = await open_rfc2217(
            Rfc2217Address("127.0.0.1", server.number), lambda data: None, lambda reason: reasons.append(reason)
        )
        subprocess.run(DROP.split(), check=True)  # noqa: ASYNC221 - nothing else goes on
        dark_s = time.monotonic()
        while not reasons and time.monotonic() - dark_s < 30:
            link.write(b"FA;")
            await asyncio.sleep(0.1)
        print(f"{time.monotonic() - dark_s:.1f} {reasons}", flush=True)
        link.close()


if __name__ == "__main__":
    subprocess.run(["ip", "link", "set", "lo", "up"], check=True)
    near, far = os.openpty()
    tty.setraw(far)
    asyncio.run(main(os.ttyname(far)))
