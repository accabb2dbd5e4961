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

from pymodbus.datastore import ModbusDeviceContext, ModbusSequentialDataBlock, ModbusServerContext
from pymodbus.server import StartAsyncSerialServer, StartAsyncTcpServer

COILS = 8
UNIT = 17


class Light(ModbusSequentialDataBlock):
    """Input registers that follow the coils."""

    def __init__(self, coils):
        super().__init__(1, [0] * 4)
        self.coils = coils

    def getValues(self, address, count=1):  # noqa: N802 (pymodbus's name)
        closed = sum(bool(coil) for coil in self.coils.getValues(1, COILS))
        high, low = struct.unpack('>HH', struct.pack('>f', 100.25 * (1 + closed)))
        self.values[0:2] = [low, high]
        return super().getValues(address, count)


def context():
    # What is not there does not exist: exception 2.
    coils = ModbusSequentialDataBlock(1, [False] * COILS)
    nothing = ModbusSequentialDataBlock(1, [0])
    device = ModbusDeviceContext(di=nothing, co=coils, hr=nothing, ir=Light(coils))
    return ModbusServerContext(devices={UNIT: device}, single=False)


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
        StartAsyncTcpServer(context(), address=('127.0.0.1', port)),
        StartAsyncSerialServer(context(), port=served, baudrate=19200),
    )


asyncio.run(main())
