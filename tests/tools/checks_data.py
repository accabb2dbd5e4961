"""Checks 23 to 34 of friendliness.py: signals, files, exports, the wire.

Each function takes the stage and gives (score, evidence)."""

import csv
import io
import json
import os
import pty
import re
import signal
import sqlite3
import uuid

from checks_words import at_work, graded, left_how
from stage import ended

VIEWS = {"illuminance_readings": {"illuminance_lx", "position_m", "taken_utc", "taken_wall_us"},
         "run_list": {"run", "state", "booked_utc"}, "event_list": {"kind", "at_utc", "wall_us"},
         "ruling_list": {"word", "value", "expanded_uncertainty", "unit_of_value"}}


def signals(stage):
    """SIGTERM and a lost terminal stop safely; no settings to reload"""
    data, daemon = at_work(stage, "terminated")
    daemon.send_signal(signal.SIGTERM)
    by_term = ended(daemon, 15) == 0 and "lamp" in str(left_how(data))
    person, program = pty.openpty()
    data, daemon = at_work(stage, "lost", program)
    os.close(program)
    os.close(person)
    daemon.send_signal(signal.SIGHUP)
    code = ended(daemon, 15)
    by_hangup = code == 0 and "lamp" in str(left_how(data))
    return by_term + by_hangup, f"bench made safe by SIGTERM: {by_term}, by a lost terminal: {by_hangup} (code {code})"


def check_alone(stage):
    """Plans are checked without hardware; a schema for editors"""
    told = stage.run("check", "bench-strand.yaml", "lamp-dunlin.yaml", "plan-night.yaml",
                     WAKERAIL_DATA=None, HOME=None)
    return (1 if told.code == 0 else 0), f"`check` without daemon: code {told.code}; no JSON Schema for editors"


def views(stage):
    """Read-only SQL views, units in the names, UTC text and integer us"""
    stage.measured()
    record = sqlite3.connect(f"file:{stage.data}/wakerail.db?mode=ro", uri=True)
    good = 0
    for view, wanted in VIEWS.items():
        names = {row[1] for row in record.execute(f"pragma table_info({view})")}
        good += wanted <= names
    row = record.execute("select taken_utc, taken_wall_us, illuminance_lx, position_m from "
                         "illuminance_readings where status = 'value'").fetchone()
    typed = row[0].endswith("Z") and [type(cell) for cell in row[1:]] == [int, float, float]
    try:
        record.execute("insert into illuminance_readings (run) values (1)")
        guarded = False
    except sqlite3.Error:
        guarded = True
    return graded(good + typed + guarded, 6, "views complete, types bare, writing refused")


def forms(stage):
    """Long and wide; NULL, status and reason instead of magic numbers"""
    stage.measured()
    rows = stage.rows("readings", "1", "--what", "all")
    honest = bool(rows) and all({"status", "reason", "illuminance_lx"} <= row.keys() for row in rows)
    valued = all((row["status"] == "value") == (row["illuminance_lx"] is not None) for row in rows)
    wide = "level 12" in stage.run("survey", "1").out
    wide_csv = "level 12" in stage.run("survey", "1", "--format", "csv").out.splitlines()[0]
    score = (honest and valued) + (wide and wide_csv)
    return max(score, 1 if honest and valued else 0), (
        f"{len(rows)} readings with status and reason; wide as a table for a person: {wide}, as CSV: {wide_csv}")


def csv_form(stage):
    """CSV: RFC 4180, UTF-8, dot in any locale, formula-safe, CRLF option"""
    stage.measured()
    unit = '=cmd|"/C calc"!A1, ä'
    told = stage.run("place", unit, "--lamp", "lamp-knot.yaml", "--place", "axis", "--gauge", "6 in")
    booked = stage.run("book", "plan-short.yaml", "--unit", unit, "--hold")
    german = {"LC_ALL": "de_DE.UTF-8", "LANG": "de_DE.UTF-8"}
    text = stage.run("runs", "--format", "csv", **german).out
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    units = [row["unit"] for row in rows]
    readings = stage.run("readings", "1", "--format", "csv", **german).out
    cells = list(csv.DictReader(io.StringIO(readings, newline="")))
    dots = all("," not in row["illuminance_lx"] for row in cells) and float(cells[0]["position_m"])
    square = all(None not in row and None not in row.values() for row in [*rows, *cells])
    stage.run("stop", "latest", "--yes")
    safe = "'" + unit in units if booked.code == 0 else None
    good = [bool(dots), square, safe is True]
    if safe is None:
        return 1, f"a unit with such a name was refused: {(told.err or booked.err).splitlines()[:1]}"
    score, words = graded(sum(good), 3, "under LC_ALL=de_DE (dots, square, formula-safe)")
    return min(score, 1), words + "; lines end in LF, no option for CRLF"


def described(stage):
    """A metadata file beside the CSV: types, units, missing values"""
    stage.measured()
    good = 0
    for words in (["readings", "1"], ["survey", "1"], ["runs"]):
        head = stage.run(*words, "--format", "csv").out.splitlines()[0].split(",")
        told = json.loads(stage.run(*words, "--format", "csvw").out)
        columns, keys = told["tableSchema"]["columns"], told["tableSchema"]["primaryKey"]
        good += ([column["name"] for column in columns] == head and "url" in told
                 and all({"datatype", "null"} <= column.keys() for column in columns))
        text = stage.run(*words, "--format", "csv").out
        rows = list(csv.DictReader(io.StringIO(text, newline="")))
        good += bool(rows) and len({tuple(row[key] for key in keys) for row in rows}) == len(rows)
        good += all(fits(row[column["name"]], column["datatype"]) for row in rows for column in columns)
        lux = [column for column in columns if column["name"] == "illuminance_lx"]
        good += all(column.get("schema:unitCode") == "lx" for column in lux)
    return graded(good, 12, "right (CSVW: columns, unit, keys tell rows apart, every cell has its type)")


def fits(cell, datatype):
    """Whether a cell is empty or of its type (CSVW's names of types)."""
    if cell == "" or datatype == "string":
        return True
    if datatype == "dateTime":
        return bool(re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z", cell))
    return bool(re.fullmatch(r"[-+]?\d+(\.\d+)?([eE][-+]?\d+)?", cell))


def reproducible(stage):
    """The same run exports the same bytes; a digest is printed"""
    stage.measured()
    good = 0
    for words in (["readings", "1", "--what", "all"], ["survey", "1"]):
        for form in ("csv", "json"):
            good += stage.run(*words, "--format", form).out == stage.run(*words, "--format", form).out
    pages = [stage.run("report", "1", "--to", "-").out for _ in range(2)]
    good += pages[0] == pages[1] and bool(pages[0])
    score, words = graded(good, 5, "exports are the same, twice")
    return min(score, 1), words + "; no digest is printed"


def problems(stage):
    """Errors as problem+json with a stable type; retries are safe"""
    stage.measured()
    status, kind, text = stage.ask("GET", "/runs/999")
    told = json.loads(text)
    missing = status == 404 and kind == "application/problem+json" and told["type"].startswith("urn:")
    status, kind, _ = stage.ask("GET", "/nothing/here")
    nowhere = status == 404 and kind == "application/problem+json"
    plan = (stage.folder / "plan-short.yaml").read_text()
    order = {"plan": {"name": "plan.yaml", "text": plan}, "unit": "D-17", "hold": True, "scripts": []}
    key = {"idempotency_key": str(uuid.uuid4())}
    first, second = (stage.ask("POST", "/runs", order, **key) for _ in range(2))
    other = stage.ask("POST", "/runs", {**order, "unit": "D-18"}, **key)
    run = [json.loads(answer[2]).get("run") for answer in (first, second)]
    again = first[0] < 300 and second[0] < 300 and run[0] == run[1]
    refused = other[0] == 422
    stage.run("stop", "latest", "--yes")
    good = [missing, nowhere, again, refused]
    return graded(sum(good), 4, f"right (no run, no route, repeated key, reused key {other[0]})")
