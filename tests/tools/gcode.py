#!/usr/bin/env python3
"""The G-code that the rail's drivers send, before a foreign judge.

Takes the lines of a short night from the snapshots of
attendant::tests_rails::the_lines_of_a_short_night_are_as_shown, leaves out what is
no RS-274/NGC (lines that begin with `$` or M, homing, which means something else
there), and has `rs274` of the Debian package linuxcnc-uspace go through them. Its
exit code is always 0, so its words are read: whatever it says beside "executing" is
a complaint, and it must have carried out as many moves, probes and dwells as there
are lines for them.

Then the judge itself is tried: a feed without its rate, two units in one line, and a
dwell without its time must each be complained of.

    tests/tools/gcode.py               `rs274` from the PATH, or from WAKERAIL_RS274

Without that program it says so and ends with 0. 223 MB of packages, so no part of
the usual run.
"""

import os
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile

ROOT = pathlib.Path(__file__).resolve().parents[2]
SNAPSHOTS = ROOT / "daemon/attendant/snapshots"
LINES = "wakerail__attendant__tests_rails__lines_of_a_night_*.snap"
# Where a controller stands after homing, and what it is told then.
BEFORE = ["G21 G90 G94", "G0 X1"]
# What the interpreter prints for each of our words.
DONE = {
    "G0": "STRAIGHT_TRAVERSE",
    "G1": "STRAIGHT_FEED",
    "G38.2": "STRAIGHT_PROBE",
    "G4": "DWELL",
}
# Wrong lines, and a word of the complaint that each must get.
WRONG = {
    "G1 X20": "feed rate",
    "G20 G21": "modal group",
    "G4": "dwell",
}
SECONDS_AT_MOST = 60


def sent(snapshot):
    """The lines of a snapshot that are RS-274."""
    text = snapshot.read_text().split("---\n", 2)[2]
    lines = [line.strip() for line in text.splitlines()]
    return [line for line in lines if line.startswith("G") and not line.startswith("G28")]


def judged(program, lines):
    """What the interpreter says of some lines: complaints, and what it did."""
    with tempfile.TemporaryDirectory() as folder:
        tools, file = pathlib.Path(folder, "none.tbl"), pathlib.Path(folder, "lines.ngc")
        tools.write_text("")
        file.write_text("\n".join([*BEFORE, *lines, "M2", ""]))
        ran = subprocess.run(
            [program, "-g", "-n", "0", "-t", str(tools), str(file)],
            capture_output=True,
            cwd=folder,
            text=True,
            timeout=SECONDS_AT_MOST,
            check=False,
        )
    said = [line.strip() for line in ran.stderr.splitlines()]
    complaints = [line for line in said if line not in ("", "executing")]
    if ran.returncode != 0:
        complaints.append(f"it ended with {ran.returncode}")
    done = re.findall(r"^\s*\d+\s+\S+\s+([A-Z_0-9]+)\(", ran.stdout, re.MULTILINE)
    return complaints, done


def counted(lines, done):
    """What was not carried out as often as it was written."""
    for word, name in DONE.items():
        written = sum(line.split()[0] == word for line in [*BEFORE, *lines])
        did = done.count(name)
        if written != did:
            yield f"{written} lines of {word}, and {did} times {name}"


def main():
    program = os.environ.get("WAKERAIL_RS274") or shutil.which("rs274")
    if program is None:
        print("SKIPPED: no `rs274` (Debian: linuxcnc-uspace), or name it in WAKERAIL_RS274")
        return 0
    snapshots = sorted(SNAPSHOTS.glob(LINES))
    wrong = [] if snapshots else [f"no {LINES} in {SNAPSHOTS}"]
    for snapshot in snapshots:
        lines = sent(snapshot)
        if len(lines) < 20:
            wrong.append(f"{snapshot.name}: only {len(lines)} lines")
        complaints, done = judged(program, lines)
        wrong += [f"{snapshot.name}: {told}" for told in [*complaints, *counted(lines, done)]]
        print(f"{snapshot.stem.rsplit('_', 1)[1]}: {len(lines)} lines, {len(complaints)} complaints")
    for line, word in WRONG.items():
        told = " ".join(judged(program, [line])[0])
        print(f"{line!r} is complained of: {told or 'NO'}")
        if word not in told.lower():
            wrong.append(f"`{line}` must be complained of for its {word}, and is: {told!r}")
    for told in wrong:
        print(f"WRONG: {told}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
