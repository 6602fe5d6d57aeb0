"""Bare programs to stand beside the daemon: each does the least that could do the same. Standard library only.

python bare.py echo PORT                      sends back what it reads
python bare.py command RIG DEVICE             any bytes from the rig: one fixed line to the device
python bare.py change-over RIG DEVICE S S S   the same, then further lines, each after its answer and a wait
python bare.py timer                          wakes 20 times a second and does nothing
"""

import asyncio
import socket
import sys

POLLS_A_SECOND = 20


def connected(port: int) -> socket.socket:
    """A connection to this port of 127.0.0.1."""
    connection = socket.create_connection(("127.0.0.1", port))
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return connection


def echo(port: int) -> None:
    """Blocking sockets, no event loop: the floor under every round trip."""
    connection = connected(port)
    while data := connection.recv(4096):
        connection.sendall(data)


async def command(rig_port: int, device_port: int) -> None:
    """An event loop and two sockets, nothing between read and write."""
    loop = asyncio.get_running_loop()
    rig, device = connected(rig_port), connected(device_port)
    rig.setblocking(False)
    closed = asyncio.Event()

    def readable() -> None:
        if rig.recv(4096):
            device.sendall(b"HOLD\n")
        else:
            loop.remove_reader(rig)
            closed.set()

    loop.add_reader(rig, readable)
    await closed.wait()


async def change_over(rig_port: int, device_port: int, waits_s: list[float]) -> None:
    """The waits of a change-over on the event loop's own timers, and its lines, each answered: no decision."""
    rig, _ = await asyncio.open_connection("127.0.0.1", rig_port)
    answers, device = await asyncio.open_connection("127.0.0.1", device_port)
    while await rig.read(4096):
        device.write(b"HOLD\n")
        await answers.readline()
        for number, wait_s in enumerate(waits_s, start=1):
            await asyncio.sleep(wait_s)
            device.write(b"FREE\n" if number == len(waits_s) else b"STEP %d\n" % number)
            await answers.readline()
    device.close()


async def timer() -> None:
    """What waking 20 times a second costs by itself."""
    loop = asyncio.get_running_loop()

    def wake() -> None:
        loop.call_later(1 / POLLS_A_SECOND, wake)

    wake()
    await asyncio.Event().wait()


if __name__ == "__main__":
    match sys.argv[1:]:
        case ["echo", port]:
            echo(int(port))
        case ["command", rig, device]:
            asyncio.run(command(int(rig), int(device)))
        case ["change-over", rig, device, *waits]:
            asyncio.run(change_over(int(rig), int(device), [float(wait) for wait in waits]))
        case ["timer"]:
            asyncio.run(timer())
        case _:
            sys.exit(__doc__)
