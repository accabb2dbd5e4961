"""A lux transmitter and a relay board behind one Modbus unit, served by pymodbus
3.16.1 over TCP and over a serial line (RTU on a pair of pseudo-terminals).

Started by the tests in `tests/peers/devices`; prints the TCP port and the path of
the line, and ends when its standard input does. Framing, checksums and exceptions
are pymodbus's; here is only what its registers hold: eight coils, and in input
registers 0 and 1, low word first, the light that they let through, 100.25 lx and as
much again for each closed coil.
"""

import asyncio
import os
import pty
import select
import socket
import struct
import sys
import threading
import tty

from pymodbus.server import StartAsyncSerialServer, StartAsyncTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

COILS = 8
UNIT = 17
READ_INPUT, WRITE_COIL, WRITE_COILS = 4, 5, 15


def device():
    """The coils and the light that follows them; what else is asked for does not
    exist (exception 2)."""
    closed = [False] * COILS

    async def action(function, _start, address, _count, registers, written):
        if written is not None and function in (WRITE_COIL, WRITE_COILS):
            closed[address : address + len(written)] = written
        elif function == READ_INPUT:
            high, low = struct.unpack('>HH', struct.pack('>f', 100.25 * (1 + sum(closed))))
            registers[0:2] = [low, high]

    bits = [SimData(0, values=closed.copy(), datatype=DataType.BITS)]
    none = [SimData(60_000, values=[False] * 16, datatype=DataType.BITS)]
    light = [SimData(0, count=4, values=0, datatype=DataType.REGISTERS)]
    nothing = [SimData(60_000, values=0, datatype=DataType.REGISTERS)]
    return SimDevice(UNIT, simdata=(bits, none, nothing, light), action=action)


def line():
    """A pair of pseudo-terminals that are one line; the paths of its ends."""
    (ours, first), (theirs, second) = pty.openpty(), pty.openpty()
    for end in (ours, first, theirs, second):
        tty.setraw(end)

    def carry():
        while True:
            ready, _, _ = select.select([ours, theirs], [], [])
            for end in ready:
                os.write(theirs if end == ours else ours, os.read(end, 4096))

    threading.Thread(target=carry, daemon=True).start()
    return os.ttyname(first), os.ttyname(second)


def until_left():
    """Ends with whoever started it."""
    sys.stdin.read()
    os._exit(0)


async def main():
    with socket.socket() as chosen:
        chosen.bind(('127.0.0.1', 0))
        port = chosen.getsockname()[1]
    served, free = line()
    threading.Thread(target=until_left, daemon=True).start()
    print(port, free, flush=True)
    await asyncio.gather(
        StartAsyncTcpServer(device(), address=('127.0.0.1', port)),
        StartAsyncSerialServer(device(), port=served, baudrate=19200),
    )


asyncio.run(main())
