"""What a short asyncio program needs for the same sixty points.

    reference.py FILE

A rail and a meter on pseudo-terminals, each in a process of its own, that take
100 ms for a move and 50 ms for a reading; before the next move each reading is
committed to FILE with synchronous = FULL. Prints the seconds that the points
took. It knows no journal, no limits and no restart: it is the least there is.
"""

import asyncio
import os
import pty
import sqlite3
import sys
import time
import tty

MOVE_S, READ_S, POINTS = 0.100, 0.050, 60


def device(seconds):
    """A device that answers each line after so many seconds; its port."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    if os.fork() == 0:
        os.close(theirs)
        try:
            while line := os.read(ours, 256):
                time.sleep(seconds * line.count(b"\n"))
                os.write(ours, b"ok 123.4\n" * line.count(b"\n"))
        except OSError:
            pass
        os._exit(0)
    os.close(ours)
    return theirs


async def ask(port, line):
    """One line there and one back."""
    answered = asyncio.get_running_loop().create_future()
    heard = b""

    def listen():
        nonlocal heard
        heard += os.read(port, 256)
        if heard.endswith(b"\n") and not answered.done():
            answered.set_result(heard)

    asyncio.get_running_loop().add_reader(port, listen)
    os.write(port, line)
    answer = await answered
    asyncio.get_running_loop().remove_reader(port)
    return answer


async def points(rail, meter, record):
    for point in range(POINTS):
        await ask(rail, b"go\n")
        answer = await ask(meter, b"read\n")
        with record:
            row = (point, float(answer.split()[1]), answer)
            record.execute("INSERT INTO readings VALUES (?, ?, ?)", row)


def main():
    rail, meter = device(MOVE_S), device(READ_S)
    record = sqlite3.connect(sys.argv[1])
    record.execute("PRAGMA journal_mode = WAL")
    record.execute("PRAGMA synchronous = FULL")
    record.execute("CREATE TABLE readings (point INTEGER PRIMARY KEY, lux REAL, raw BLOB)")
    begun = time.perf_counter()
    asyncio.run(points(rail, meter, record))
    print(time.perf_counter() - begun)
    os.close(rail)
    os.close(meter)


main()
