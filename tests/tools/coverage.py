#!/usr/bin/env python3
"""Which places and branches of the pure rooms no unit test goes through.

Runs the unit tests of daemon/run, daemon/plan and what decides in photometry,
built with counters, and prints a table by file and every place that was never
reached. Those of daemon/run, and the sides of branches of daemon/plan and of
photometry's decisions, are held against uncovered.txt beside this script, which
names each with its reason: one that is not named, or that is named and is reached
after all, ends the script with 1.

Needs LLVM's tools of version 19 or later (Debian: apt-get install llvm-19); the
compiler of the house writes profiles that 19 reads. Branches are counted by an
option of the compiler that is not stable yet, which is why the wrapper below
sets RUSTC_BOOTSTRAP, for the crates of this workspace alone: everything that
they depend on is built as always. Lines under cfg(test) do not count.

    tests/tools/coverage.py            build, run, report (minutes)
    tests/tools/coverage.py --run      run and report what was built last
    tests/tools/coverage.py --again    report what was counted last
    tests/tools/coverage.py --texts    how much of the readers the hostile texts
                                       (tests/texts) go through; holds nothing
"""

import json
import os
import pathlib
import re
import shutil
import stat
import subprocess
import sys
from collections import defaultdict

ROOT = pathlib.Path(__file__).resolve().parents[2]
LISTED = pathlib.Path(__file__).with_name("uncovered.txt")
# The counters' own folder. Crates built through a wrapper get names of their own
# beside the plain ones, so the usual target folder and what it holds are used.
HOME = pathlib.Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target")) / "coverage"
# What is reported, and what of it must be listed whole.
ROOMS = ("daemon/run/", "daemon/plan/", "daemon/photometry/")
DECIDING = ("comparison", "decision", "drift", "stabilisation")
HELD = (*ROOMS[:2], *(f"daemon/photometry/{name}.rs" for name in DECIDING))
# Here every stretch, elsewhere every side of a branch: in readers of files most
# stretches that are not entered are the `?` after a mistake that was told.
WHOLE = ROOMS[0]
# The tests that walk through those rooms.
RUNS = (
    ("wakerail", ("run::", "plan::", "bench::tests", "attendant::tests")),
    ("photometry", ()),
)
# What the hostile texts are read by.
READERS = (
    "daemon/written/{caps,document,fields,node,opinion,parse,readers}.rs",
    "daemon/plan/{bench_file,file,lamp_file,plan_file,port_file,uses}.rs",
    "daemon/script/{check,host,language,parameters,reach}.rs",
    "daemon/report/ids.rs",
    "daemon/run/journal.rs",
    "daemon/web/runs.rs",
    "drivers/exchange/{ack,acks,block,frame,line,scpi,talk}.rs",
    "drivers/exchange/modbus/{ask,frames,request,resync,single,station,words}.rs",
    "drivers/profile/{blocks,codec,pattern,perform,rail,read,read_blocks,read_frames,read_rail,read_registers,read_settings,read_steps,registers,samples,template,value}.rs",
)
CODE = 0  # the kind of a region that is code, in LLVM's export


def tool(name):
    """The newest installed LLVM tool of that name."""
    for version in (*range(30, 18, -1),):
        found = shutil.which(f"{name}-{version}")
        if found:
            return found
    found = shutil.which(name)
    if not found:
        sys.exit(f"{name} is not here: install LLVM 19 or later (Debian: apt-get install llvm-19)")
    return found


def built(command=None):
    """The test binaries with counters, by package."""
    wrapper = HOME / "rustc-with-counters"
    wrapper.write_text('#!/bin/sh\nRUSTC_BOOTSTRAP=1 exec "$@" -C instrument-coverage -Z coverage-options=branch\n')
    wrapper.chmod(wrapper.stat().st_mode | stat.S_IXUSR)
    environment = dict(
        os.environ,
        RUSTC_WORKSPACE_WRAPPER=str(wrapper),
        LLVM_PROFILE_FILE=str(HOME / "build" / "%p.profraw"),
    )
    if command is None:
        command = ["cargo", "test", "--lib", "--no-run", "--message-format=json"]
        for package, _ in RUNS:
            command += ["-p", package]
    done = subprocess.run(command, cwd=ROOT, env=environment, stdout=subprocess.PIPE, text=True, check=True)
    binaries = {}
    for line in done.stdout.splitlines():
        said = json.loads(line)
        if said.get("executable") and said["profile"]["test"]:
            binaries[said["target"]["name"]] = said["executable"]
    (HOME / "binaries.json").write_text(json.dumps(binaries))
    return binaries


def run(binaries):
    """Runs the tests and merges what they counted."""
    raw = HOME / "raw"
    shutil.rmtree(raw, ignore_errors=True)
    raw.mkdir()
    environment = dict(os.environ, LLVM_PROFILE_FILE=str(raw / "%p.profraw"))
    # The folder in which cargo runs a package's tests.
    homes = {"wakerail": ROOT, "photometry": ROOT / "daemon/photometry"}
    for package, filters in RUNS:
        environment["CARGO_MANIFEST_DIR"] = str(homes[package])
        done = subprocess.run([binaries[package], "--quiet", *filters], cwd=homes[package], env=environment)
        if done.returncode:
            sys.exit(f"the tests of {package} fail; coverage of a failing test says nothing")
    profiles = [str(path) for path in raw.glob("*.profraw")]
    merged = HOME / "merged.profdata"
    subprocess.run([tool("llvm-profdata"), "merge", "-sparse", "-o", merged, *profiles], check=True)


def exported(objects, profile):
    """LLVM's own account of the regions and branches of every function."""
    command = [tool("llvm-cov"), "export", "--format=text", f"--instr-profile={HOME / profile}", objects[0]]
    for other in objects[1:]:
        command += ["--object", other]
    done = subprocess.run(command, stdout=subprocess.PIPE, check=True)
    return json.loads(done.stdout)["data"][0]["functions"]


def test_lines(text):
    """The lines of a file's modules and items under cfg(test)."""
    lines, found, at = text.split("\n"), set(), 0
    while at < len(lines):
        if lines[at].strip() == "#[cfg(test)]":
            indent = re.match(r"\s*", lines[at]).group()
            begin, at = at, at + 1
            # To the closing brace in the same column, or the first semicolon.
            while at < len(lines) and lines[at] != f"{indent}}}" and not (
                lines[at].startswith(indent) and lines[at].rstrip().endswith(";") and at == begin + 1
            ):
                at += 1
            found.update(range(begin + 1, at + 2))
        at += 1
    return found


class File:
    """What was counted in one file."""

    def __init__(self, name):
        self.name = name
        self.text = (ROOT / name).read_text()
        self.lines = self.text.split("\n")
        self.tests = test_lines(self.text)
        self.regions = defaultdict(int)
        self.branches = defaultdict(lambda: [0, 0])

    def shown(self, begin_line, begin_column, end_line, end_column):
        """The words of a region, on one line."""
        lines = [line.encode() for line in self.lines[begin_line - 1 : end_line]]
        lines[-1] = lines[-1][: end_column - 1]
        lines[0] = lines[0][begin_column - 1 :]
        words = " ".join(b" ".join(lines).decode(errors="replace").split())
        return words if len(words) <= 90 else f"{words[:87]}..."

    def missed(self):
        """(line, column, key) of all that was never reached."""
        found, before = [], 1
        # A stretch that was never entered is told once, at its beginning.
        for place, count in sorted(self.regions.items(), key=lambda of: (*of[0][:2], -of[0][2], -of[0][3])):
            if not count and before:
                found.append((*place[:2], f"never reached: {self.shown(*place)}"))
            before = count
        for place, (true, false) in self.branches.items():
            if not true + false:
                found.append((*place[:2], f"never asked: {self.shown(*place)}"))
            for count, word in ((true, "true"), (false, "false")):
                if not count and true + false:
                    found.append((*place[:2], f"never {word}: {self.shown(*place)}"))
        return sorted(found)

    def row(self):
        """Lines, regions and branches, and how many of each were reached."""
        reached = defaultdict(bool)
        for (line, *_), count in self.regions.items():
            reached[line] = reached[line] or count > 0
        sides = [count > 0 for both in self.branches.values() for count in both]
        return (
            (sum(reached.values()), len(reached)),
            (sum(1 for count in self.regions.values() if count), len(self.regions)),
            (sum(sides), len(sides)),
        )


def is_product(name):
    last = name.rsplit("/", 1)[-1]
    return name.startswith(ROOMS) and not last.startswith(("tests", "samples", "build.rs")) and "/peers/" not in name


def counted(functions, is_meant):
    """The files that are meant, each with its counts; instantiations are added up."""
    files = {}
    for function in functions:
        names = [os.path.relpath(name, ROOT) for name in function["filenames"]]
        for begin, column, end, end_column, count, at, _, kind in function["regions"]:
            name = names[at]
            if kind != CODE or not is_meant(name):
                continue
            file = files.setdefault(name, None) or File(name)
            files[name] = file
            if begin not in file.tests:
                file.regions[begin, column, end, end_column] += count
        for begin, column, end, end_column, true, false, at, *_ in function["branches"]:
            name = names[at]
            if not is_meant(name):
                continue
            file = files.setdefault(name, None) or File(name)
            files[name] = file
            if begin not in file.tests:
                sides = file.branches[begin, column, end, end_column]
                sides[0] += true
                sides[1] += false
    return dict(sorted(files.items()))


def listed():
    """The committed list: file and words, how often; lines may share the reason below them."""
    found, waiting = defaultdict(int), False
    for line in LISTED.read_text().splitlines():
        if not line.strip() or line.startswith("#"):
            continue
        waiting = not line.startswith(" ")
        if waiting:
            words = re.fullmatch(r"(.*?)(?: \((\d+) times\))?", line)
            found[words[1]] += int(words[2] or 1)
    if waiting:
        sys.exit(f"{LISTED.name}: its last lines have no reason")
    return found


def texts():
    """What the hostile texts reach in the readers, and what they do not."""
    command = ["cargo", "test", "--test", "texts", "--no-run", "--message-format=json", "-p", "wakerail"]
    binary = built(command)["texts"]
    raw = HOME / "raw"
    shutil.rmtree(raw, ignore_errors=True)
    raw.mkdir()
    environment = dict(os.environ, LLVM_PROFILE_FILE=str(raw / "%p.profraw"), CARGO_MANIFEST_DIR=str(ROOT))
    subprocess.run([binary, "--quiet"], cwd=ROOT, env=environment, check=True)
    profiles = [str(path) for path in raw.glob("*.profraw")]
    subprocess.run([tool("llvm-profdata"), "merge", "-sparse", "-o", HOME / "texts.profdata", *profiles], check=True)
    readers = set()
    for group in READERS:
        folder, names = group.removesuffix(".rs").rsplit("/", 1)
        readers.update(f"{folder}/{name}.rs" for name in names.strip("{}").split(","))
    gone = [name for name in sorted(readers) if not (ROOT / name).is_file()]
    if gone:
        sys.exit(f"no such reader: {', '.join(gone)}")
    files = counted(exported([binary], "texts.profdata"), readers.__contains__)
    sums = [0] * 6
    print(f"{'file':44} {'lines':>11} {'regions':>13} {'branch sides':>13}")
    for name, file in files.items():
        row = file.row()
        print(f"{name:44} " + " ".join(f"{reached:>6}/{all_:<5}" for reached, all_ in row))
        sums = [sum(pair) for pair in zip(sums, (number for pair in row for number in pair))]
    pairs = list(zip(sums[::2], sums[1::2]))
    print(f"{'all readers':44} " + " ".join(f"{reached:>6}/{all_:<5}" for reached, all_ in pairs))
    print(f"{'':44} " + " ".join(f"{100 * reached / all_:>8.1f} %  " for reached, all_ in pairs))
    print("\nnever reached:")
    for name, file in files.items():
        for line, column, words in file.missed():
            print(f"{name}:{line}:{column}: {words}")


def main():
    HOME.mkdir(parents=True, exist_ok=True)
    if "--texts" in sys.argv[1:]:
        return texts()
    if "--run" in sys.argv[1:]:
        binaries = json.loads((HOME / "binaries.json").read_text())
        run(binaries)
    elif "--again" in sys.argv[1:]:
        binaries = json.loads((HOME / "binaries.json").read_text())
    else:
        binaries = built()
        run(binaries)
    objects = [binaries[package] for package, _ in RUNS]
    files = counted(exported(objects, "merged.profdata"), is_product)
    print(f"{'file':44} {'lines':>11} {'regions':>13} {'branch sides':>13}")
    held, sums = defaultdict(list), defaultdict(lambda: [0] * 6)
    for name, file in files.items():
        row = file.row()
        print(f"{name:44} " + " ".join(f"{reached:>6}/{all_:<5}" for reached, all_ in row))
        room = next(room for room in ROOMS if name.startswith(room))
        for at, number in enumerate(number for pair in row for number in pair):
            sums[room][at] += number
    for room, numbers in sums.items():
        pairs = zip(numbers[::2], numbers[1::2])
        print(f"{'all of ' + room:44} " + " ".join(f"{reached:>6}/{all_:<5}" for reached, all_ in pairs))
    print("\nnever reached:")
    for name, file in files.items():
        for line, column, words in file.missed():
            print(f"{name}:{line}:{column}: {words}")
            # What is never asked stands in a stretch that is never reached.
            twice = "never asked" if name.startswith(WHOLE) else "never reached"
            if name.startswith(HELD) and not words.startswith(twice):
                held[f"{name}: {words}"].append(f"{name}:{line}:{column}")
    known, faults = listed(), 0
    for key, places in held.items():
        if len(places) > known[key]:
            faults += 1
            print(f"\nnew, write a test or a reason into {LISTED.name}: {', '.join(places)}\n{key}")
    for key, count in known.items():
        if count > len(held.get(key, ())):
            faults += 1
            print(f"\nreached now, take it out of {LISTED.name}: {key}")
    sys.exit(1 if faults else 0)


if __name__ == "__main__":
    main()
