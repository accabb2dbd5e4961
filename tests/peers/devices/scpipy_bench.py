"""A meter, a meter of other words, and a relay board, served by scpipy 1.5.1.

Started by the tests in `tests/peers/devices` with the port of the test's lamp;
prints the three ports in that order, and ends when its standard input does.
Parser, status registers and error queue are scpipy's.
"""

import asyncio
import os
import socket
import sys
import threading

from scpipy.server import Context, Router, Server
from scpipy.shared.errors import DefaultScpiErrors, ScpiException

LAMP = int(sys.argv[1])
RANGES = [2.0, 20.0, 200.0, 2e3, 2e4, 2e5]
LONGEST_S = 10.0
STEP_S = 0.01


async def lamp(line: str) -> list[str]:
    """Asks the test's lamp; the words of its answer."""
    reader, writer = await asyncio.open_connection('127.0.0.1', LAMP)
    writer.write(f'{line}\n'.encode())
    await writer.drain()
    answer = (await reader.readline()).decode().split()
    writer.close()
    return answer


def refused(error: DefaultScpiErrors) -> ScpiException:
    return ScpiException(error.value)


class Meter:
    """The state of one meter."""

    def __init__(self):
        self.aperture_s = 0.1
        self.averages = 1
        self.range = RANGES[0]
        self.closed = False

    def set_aperture(self, seconds: float):
        if not 0 <= seconds <= LONGEST_S:
            raise refused(DefaultScpiErrors.DATA_OUT_OF_RANGE)
        self.aperture_s = max(1, round(seconds / STEP_S)) * STEP_S

    async def shut(self, closed: bool):
        self.closed = closed
        await lamp(f'shutter {int(closed)}')

    async def read(self) -> float:
        lux, late = map(float, await lamp('reading'))
        await asyncio.sleep(self.aperture_s * self.averages + late)
        self.range = next((top for top in RANGES if abs(lux) <= top), RANGES[-1])
        return lux


def asked_meter() -> Router:
    """The words of IEEE 488.2 and SCPI-99, as `asked-luxmeter` speaks them."""
    meter, router = Meter(), Router()

    @router.register('*IDN?')
    def identity(context: Context) -> str:
        return 'Other Works,OM-2,4711,1.5.1'

    @router.register('SENSe:APERture <seconds>')
    def set_aperture(context: Context, seconds: str):
        meter.set_aperture(float(seconds))

    @router.register('SENSe:APERture?')
    def aperture(context: Context) -> str:
        return f'{meter.aperture_s:.6E}'

    @router.register('SENSe:AVERage:COUNt <count>')
    def set_averages(context: Context, count: str):
        meter.averages = int(count)

    @router.register('SENSe:AVERage:COUNt?')
    def averages(context: Context) -> int:
        return meter.averages

    @router.register('SENSe:RANGe?')
    def measured_range(context: Context) -> float:
        return meter.range

    @router.register('READ?')
    async def read(context: Context) -> str:
        lux = await meter.read()
        if lux != lux:
            return '9.91E+37'
        if abs(lux) == float('inf'):
            return '+9.900000E+37' if lux > 0 else '-9.900000E+37'
        return repr(lux)

    @router.register('INPut:SHUTter <state>')
    async def shut(context: Context, state: str):
        if state not in ('OPEN', 'CLOS'):
            raise refused(DefaultScpiErrors.EXECUTION_ERROR)
        await meter.shut(state == 'CLOS')

    @router.register('INPut:SHUTter?')
    def shutter(context: Context) -> str:
        return 'CLOS' if meter.closed else 'OPEN'

    return router


def other_meter() -> Router:
    """Words of its own, milliseconds, lines that end with CR LF, Python's
    numbers (`inf`, `nan`)."""
    meter, router = Meter(), Router()

    @router.register('SYSTem:NAME?')
    def identity(context: Context) -> str:
        return 'Redshank R2 V3.07'

    @router.register('CONFigure:TIME <milliseconds>')
    def set_time(context: Context, milliseconds: str):
        meter.set_aperture(float(milliseconds) / 1e3)

    @router.register('CONFigure:TIME?')
    def time(context: Context) -> str:
        return f'{meter.aperture_s * 1e3:.1f} ms'

    @router.register('MEASure:ILLuminance?')
    async def measure(context: Context) -> str:
        return f'{await meter.read()} lx'

    @router.register('COVer <closed>')
    async def cover(context: Context, closed: str):
        await meter.shut(closed == '1')

    @router.register('COVer?')
    def covered(context: Context) -> int:
        return int(meter.closed)

    return router


def board() -> Router:
    """A relay board."""
    router = Router()

    def channel(text: str) -> int:
        if not (text.startswith('(@') and text.endswith(')')):
            raise refused(DefaultScpiErrors.DATA_TYPE_ERROR)
        return int(text[2:-1])

    async def work(text: str, closed: bool):
        if await lamp(f'coil {channel(text)} {int(closed)}') != ['ok']:
            raise refused(DefaultScpiErrors.DATA_OUT_OF_RANGE)

    @router.register('*IDN?')
    def identity(context: Context) -> str:
        return 'Other Works,OB-8,0,1.5.1'

    @router.register('ROUTe:CLOSe <channels>')
    async def close(context: Context, channels: str):
        await work(channels, True)

    @router.register('ROUTe:OPEN <channels>')
    async def open_(context: Context, channels: str):
        await work(channels, False)

    @router.register('ROUTe:OPEN:ALL')
    async def open_all(context: Context):
        await lamp('open-all')

    @router.register('ROUTe:CLOSe? <channels>')
    async def closed(context: Context, channels: str) -> str:
        answer = await lamp(f'coil {channel(channels)}')
        if answer == ['none']:
            raise refused(DefaultScpiErrors.DATA_OUT_OF_RANGE)
        return answer[0]

    return router


def free_port() -> int:
    """A port that nobody listens at; scpipy does not tell one of its own."""
    with socket.socket() as probe:
        probe.bind(('127.0.0.1', 0))
        return probe.getsockname()[1]


def serve(port: int, router: Router, end: str, errors: int):
    server = Server('127.0.0.1', port, end, errors, shared_context=True)
    server.include_router(router)
    try:
        server.run()
    finally:
        # One that cannot listen must not leave the others to look well.
        os._exit(1)


def main():
    ports = [free_port() for _ in range(3)]
    # A hundred errors are scpipy's own choice.
    devices = [
        (asked_meter(), '\n', 10),
        (other_meter(), '\r\n', 100),
        (board(), '\n', 10),
    ]
    for port, device in zip(ports, devices):
        threading.Thread(target=serve, args=(port, *device), daemon=True).start()
    print(*ports, flush=True)
    sys.stdin.read()
    os._exit(0)


main()
