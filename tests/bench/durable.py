"""Commits what one record holds of its only run into another, event by event.

    durable.py FROM TO

Prints the seconds of each transaction that holds a reading, as a JSON list.
"""

import json
import sqlite3
import sys
import time


def insert(table, names):
    marks = ", ".join("?" for _ in names)
    return f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks})"


def rows(record, table):
    # Generated columns are not told, and cannot be written.
    names = [column[1] for column in record.execute(f"PRAGMA table_info({table})")]
    return names, record.execute(f"SELECT {', '.join(names)} FROM {table} ORDER BY seq").fetchall()


def main():
    source, target = sys.argv[1:]
    record = sqlite3.connect(source)
    event_names, events = rows(record, "events")
    reading_names, readings = rows(record, "readings")
    at = reading_names.index("seq")
    by_event = {reading[at]: reading for reading in readings}
    add_event, add_reading = insert("events", event_names), insert("readings", reading_names)
    update = (
        "UPDATE runs SET state = ?, begun_wall_us = coalesce(begun_wall_us, ?), "
        "ended_wall_us = ?, readings = ?, actions_done = ? WHERE id = ?"
    )
    copy = sqlite3.connect(target, isolation_level=None)
    copy.execute("PRAGMA journal_mode = WAL")
    copy.execute("PRAGMA synchronous = FULL")
    copy.execute("PRAGMA recursive_triggers = ON")
    run_at, seq_at = event_names.index("run"), event_names.index("seq")
    taken, times = 0, []
    for event in events:
        reading = by_event.get(event[seq_at])
        begun = time.perf_counter()
        copy.execute("BEGIN IMMEDIATE")
        copy.execute(add_event, event)
        copy.execute(update, ("measuring", None, None, taken, taken, event[run_at]))
        if reading:
            copy.execute(add_reading, reading)
        copy.execute("COMMIT")
        if reading:
            times.append(time.perf_counter() - begun)
            taken += 1
    json.dump(times, sys.stdout)


main()
