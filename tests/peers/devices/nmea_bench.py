"""A receiver that talks by itself, by nmeasim 1.1.1, and a reader of its lines by
others, pynmea2 1.19: started by the tests in `tests/peers/devices`.

    nmea_bench.py talk KIND...    prints sentences of these kinds, some ten a second,
                                  and ends when its standard input does
    nmea_bench.py read            reads sentences from standard input, prints the
                                  first field of each, its checksum verified

Each sentence begins with the time of day to a millisecond, so no two of a kind are
the same.
"""

import datetime
import sys


def talk(kinds):
    from nmeasim.models import GpsReceiver
    from nmeasim.simulator import Simulator

    noon = datetime.datetime(2026, 1, 1, 12, 0, 0, 123000, tzinfo=datetime.timezone.utc)
    receiver = GpsReceiver(output=kinds, date_time=noon, kph=5.0)
    receiver.has_rtc = True
    simulator = Simulator(receiver)
    simulator.interval = simulator.step = 0.1

    class Unbuffered:
        def write(self, text):
            sys.stdout.write(text)
            sys.stdout.flush()

    simulator.serve(Unbuffered(), blocking=False)
    sys.stdin.read()
    simulator.kill()


def read():
    import pynmea2

    for line in sys.stdin:
        print(pynmea2.parse(line.strip(), check=True).data[0], flush=True)


if __name__ == '__main__':
    if sys.argv[1] == 'talk':
        sys.stdout.reconfigure(newline='')  # CR LF as it is
        talk(tuple(sys.argv[2:]))
    else:
        read()
