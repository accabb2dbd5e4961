"""Checks 1 to 20 of friendliness.py: the command line, its messages, its log.

Each function takes the stage and gives (score, evidence)."""

import json
import re
import signal
import sqlite3
import time

from mistakes import FILES, WORDS
from stage import ended, looked_at, until

import os
import pty

READING = [["runs"], ["show", "latest"], ["readings", "latest"], ["survey", "latest"],
           ["rulings", "latest"]]
ESCAPE = "\x1b["


def graded(good, of, evidence):
    """2 when all are good, 1 when three quarters are."""
    return (2 if good == of else 1 if good >= 0.75 * of else 0), f"{good} of {of} {evidence}"


def streams(stage):
    """Results on stdout, messages and progress on stderr"""
    watched = stage.measured().watched
    means = [line for line in watched.out.splitlines() if " lx, mean of " in line]
    only_data = len(means) == len(watched.out.splitlines()) == 6
    refused = stage.run("show", "99")
    silent = stage.run("runs")
    good = [only_data, "the run is complete" in watched.err, refused.out == "" and refused.err,
            silent.err == "" and silent.out]
    return graded(sum(map(bool, good)), 4, "streams hold only what belongs there (watch, refusal, runs)")


def commands(stage):
    """The commands that the help lists."""
    listed = stage.run("--help").out.split("Commands:\n")[1].split("\n\n")[0]
    return re.findall(r"^  ([a-z]+) ", listed, re.M)


def help_of_all(stage):
    """`-h` and `--help` on every command, examples first, exit 0"""
    good, words = 0, [[], *[[name] for name in commands(stage)]]
    topics = re.findall(r"^  ([a-z]+) ", stage.run("compute", "-h").out.split("Commands:\n")[1], re.M)
    words += [["compute", topic] for topic in topics if topic != "help"]
    for word in words:
        short, long = stage.run(*word, "-h"), stage.run(*word, "--help")
        good += all(t.code == 0 and not t.err and t.out.startswith("Examples:") for t in (short, long))
    return graded(good, len(words), "helps begin with examples and end with 0")


def no_argument(stage):
    """A call without arguments shows help, does not hang at a terminal"""
    code, screen = stage.at_terminal()
    good = code == 64 and "Examples:" in screen and len(screen.splitlines()) < 60
    return (2 if good else 0), f"code {code}, {len(screen.splitlines())} lines at a terminal"


def version(stage):
    """`--version` gives version, commit, SQLite's version"""
    said = stage.run("--version").out.strip()
    parts = [r"^wakerail \d+\.\d+\.\d+", r"commit ([0-9a-f]{7,40}|unknown)", r"SQLite 3\.\d+"]
    good = sum(bool(re.search(part, said)) for part in parts)
    return max(0, good - 1), said


def json_everywhere(stage):
    """`--format json` on every reading command, a documented schema"""
    stage.measured()
    good = 0
    for words in [*READING, ["show", "latest", "--journal"]]:
        told = stage.run(*words, "--format", "json")
        try:
            json.loads(told.out)
            good += told.code == 0
        except ValueError:
            pass
    score = 1 if good == 6 else 0
    return score, f"{good} of 6 reading commands give JSON; no JSON Schema of it is published"


def plain_lines(stage):
    """Line-oriented output for grep, awk, cut"""
    stage.measured()
    good = 0
    for words in READING:
        told = stage.run(*words, "--format", "tsv")
        widths = {line.count("\t") for line in told.out.splitlines()}
        good += told.code == 0 and len(widths) == 1 and widths != {0}
    return graded(good, len(READING), "reading commands give one line a row, tabs between")


def colour(stage):
    """Colour only at a terminal; off with NO_COLOR, TERM=dumb, --no-color"""
    words = ("show", "99", "--data", "nowhere")
    shown = ESCAPE in stage.at_terminal(*words)[1]
    off = [stage.at_terminal(*words, NO_COLOR="1")[1], stage.at_terminal(*words, TERM="dumb")[1],
           stage.at_terminal(*words, "--no-color")[1], stage.run(*words).err,
           stage.at_terminal("serve", NO_COLOR="1")[1], stage.at_terminal("serve", "--no-color")[1]]
    kept = ESCAPE in stage.at_terminal(*words, NO_COLOR="")[1]
    good = sum(ESCAPE not in screen for screen in off) + shown + kept
    return graded(good, 8, "cases right (on, off five ways, an empty NO_COLOR)")


def exit_codes(stage):
    """Exit codes documented, sysexits.h, one of our own for 'did not pass'"""
    stage.measured()
    page = stage.run("help", "exit-codes").out
    table = {int(code) for code in re.findall(r"^    (\d+) ", page, re.M)}
    wanted = {0, 64, 65, 66, 69, 70, 73, 74, 75, 77, 78}
    (stage.folder / "bad.yaml").write_text("plan: x\nformat: 1\n")
    seen = {
        0: stage.run("runs").code, 64: stage.run("brew").code,
        65: stage.run("check", "bench-strand.yaml", "lamp-dunlin.yaml", "bad.yaml").code,
        66: stage.run("check", "none.yaml").code, 69: stage.run("runs", "--data", "none").code,
        73: stage.run("survey", "latest", "--chart", "no/such/folder.svg").code,
        75: stage.run("serve", "--bench", "bench-strand.yaml").code,
        78: stage.run("runs", HOME=None, WAKERAIL_DATA=None).code,
    }
    good = sum(code == told for code, told in seen.items())
    own = {3, 4} <= table
    score, words = graded(good, len(seen), "provoked codes as documented")
    missing = sorted(wanted - table)
    return (score if not missing and own else min(score, 1)), f"{words}; missing: {missing or 'none'}"


def errors(stage):
    """Errors say what, where (file:line:col), why, and what to do"""
    good, poor = 0, []
    for number, (file, old, new) in enumerate(FILES):
        text = (stage.folder / file).read_text()
        assert old in text, f"{file} has no `{old}`"
        changed = f"bad-{number}.yaml"
        (stage.folder / changed).write_text(text.replace(old, new, 1))
        files = ["bench-strand.yaml", "lamp-dunlin.yaml", "plan-evening-survey.yaml"]
        files = [changed if name == file else name for name in files]
        told = stage.run("check", *files)
        line = text[:text.index(old)].count("\n") + 1
        place = re.search(rf"{changed}:(\d+):\d+", told.err)
        fine = (told.code == 65 and told.err.startswith("mistake: ") and place
                and abs(int(place[1]) - line) <= new.count("\n") + 1
                and re.search(r"hint: |help: |note: ", told.err))
        good += bool(fine)
        poor += [] if fine else [f"{file} `{new.strip()}`"]
    for words in WORDS:
        told = stage.run(*words)
        fine = (told.code in (64, 65, 66, 69) and re.search(r"^(error|wakerail): \S", told.err, re.M)
                and re.search(r"^  (do|tip): |For more information|^Usage: ", told.err, re.M))
        good += bool(fine)
        poor += [] if fine else [" ".join(words)]
    score, told = graded(good, len(FILES) + len(WORDS), "seeded mistakes are told with what, where, hint")
    return score, told + (f"; poor: {'; '.join(poor)}" if poor else "")


def quick(stage):
    """First output in 100 ms; progress with an ETA past 1 s, none when piped"""
    best = min(stage.run("runs", "--data", "none").seconds for _ in range(5))
    data = stage.folder / "quick"
    stage.serve(data)
    stage.place_and_book(data, "plan-short.yaml")
    _, screen = stage.at_terminal("watch", "latest", "--data", str(data))
    eta = re.search(r"(about|left|done at|until|ready) ", screen) and "\r" + ESCAPE in screen
    piped = ESCAPE not in stage.measured().watched.err
    score = (best < 0.1) + bool(eta and piped)
    return score, f"{best * 1000:.0f} ms; progress redrawn at a terminal: {bool(eta)}, none piped: {piped}"


def dry_run(stage):
    """A dry run shows steps, time estimate, bound (check --itinerary, --list)"""
    files = ("check", "bench-strand.yaml", "lamp-dunlin.yaml", "plan-evening-survey.yaml")
    parts, steps = stage.run(*files, "--itinerary").out, stage.run(*files, "--list").out
    total = re.search(r"in all +(\S.*?)  +(\S.*?)  +(\S.*)", parts)
    head = bool(re.search(r"least +likely +most", parts))
    shown = total.groups() if total and head else None
    good = (len(steps.splitlines()) > 1000) + bool(shown)
    return good, f"{len(steps.splitlines())} steps; least, likely, most: {shown}"


def asks_first(stage):
    """What cannot be undone asks; --yes skips, --no-input never prompts"""
    stage.measured()

    def stopped(*words, typed=None):
        stage.place_and_book(stage.data, "plan-short.yaml", "--hold")
        if typed == "nobody":
            screen = stage.run("stop", "latest", *words).err
        else:
            screen = stage.at_terminal("stop", "latest", *words, typed=typed or ())[1]
        state = stage.rows("runs")
        state = max(state, key=lambda row: row["run"])["state"]
        stage.run("stop", "latest", "--yes")
        return "[y/N]" in screen, state == "stopped"

    good = [stopped(typed=[("[y/N]", "n\n")]) == (True, False),
            stopped(typed=[("[y/N]", "y\n")]) == (True, True),
            stopped("--yes") == (False, True), stopped("--no-input") == (False, True),
            stopped(typed="nobody") == (False, True)]
    return graded(sum(good), 5, "ways of `stop` right (no, yes, --yes, --no-input, no terminal)")


def left_how(data):
    """The last event that says how the bench was left, from the record."""
    record = sqlite3.connect(f"file:{data}/wakerail.db?mode=ro", uri=True)
    return record.execute("select kind, body from event_list order by run, seq desc limit 1").fetchone()


def at_work(stage, name, terminal=None):
    """A daemon in the middle of a run of some seconds."""
    data = stage.folder / name
    daemon = stage.serve(data, terminal=terminal)
    stage.place_and_book(data, "plan-evening-survey.yaml")
    until(lambda: any(row["readings"] > 20 for row in stage.rows("runs", "--data", str(data))),
          "nothing is measured")
    return data, daemon


def ctrl_c(stage):
    """Ctrl-C acts at once, a second forces; the bench's state is told"""
    person, program = pty.openpty()
    data, daemon = at_work(stage, "interrupted", program)
    os.close(program)
    began = time.monotonic()
    daemon.send_signal(signal.SIGINT)
    screen, _ = looked_at(person, [], 10, daemon)
    code, took = ended(daemon, 5), time.monotonic() - began
    os.close(person)
    left = str(left_how(data))
    good = [code == 0, took < 5, "a second signal ends at once" in screen, "lamp" in left]
    score, told = graded(sum(good), 4, "of: code 0, under 5 s, the second is told, the bench's state is kept")
    return score, f"{told}; {took:.1f} s"


def completion(stage):
    """Shell completion for bash, zsh, fish, of names too"""
    names = commands(stage)
    good = 0
    for shell in ("bash", "zsh", "fish"):
        told = stage.run("completion", shell)
        good += told.code == 0 and all(name in told.out for name in names)
    return (1 if good == 3 else 0), f"{good} of 3 shells get commands, options, files; not names of runs"


def precedence(stage):
    """Flag before environment before default"""
    (stage.folder / "x").mkdir()
    base = {"WAKERAIL_DATA": None, "XDG_STATE_HOME": None}
    where = lambda *words, **around: stage.run("runs", *words, **{**base, **around}).err
    x = str(stage.folder / "x")
    good = ["at flag/" in where("--data", "flag", WAKERAIL_DATA="env"),
            "at env/" in where(WAKERAIL_DATA="env", XDG_STATE_HOME=x),
            f"at {x}/wakerail/" in where(XDG_STATE_HOME=x),
            f"at {stage.home}/.local/state/wakerail/" in where()]
    return graded(sum(good), 4, "layers; there are no settings files, so no `config show`")


def xdg(stage):
    """XDG directories with defaults; relative ones are ignored"""
    told = stage.run("runs", WAKERAIL_DATA=None, XDG_STATE_HOME="relative").err
    ignored = f"at {stage.home}/.local/state/wakerail/" in told
    stray = [str(path.relative_to(stage.home)) for path in stage.home.rglob("*")]
    score = 2 if ignored and not stray else 1 if ignored else 0
    return score, f"relative ignored: {ignored}; strays in HOME: {stray or 'none'}"


def environment(stage):
    """Every setting also as an environment variable with one prefix"""
    stage.measured()
    (stage.folder / "broken.yaml").write_text("bench: x\nformat: 9\n")
    good = [stage.run("runs", WAKERAIL_DATA=str(stage.data)).code == 0,
            "broken.yaml:2" in stage.run("serve", WAKERAIL_BENCH="broken.yaml").err,
            "WAKERAIL_LOG_FORM" in stage.run("serve", "--bench", "x", WAKERAIL_LOG_FORM="xml").err
            or "xml" in stage.run("serve", "--bench", "x", WAKERAIL_LOG_FORM="xml").err,
            ESCAPE not in stage.at_terminal("serve", NO_COLOR="1")[1]]
    return graded(sum(good), 4, "settings (data, bench, form of the log, colour); --rehearse is none, by intent")


def logs(stage):
    """Logs as events on stderr; JSON; the run's id in each line about one"""
    stage.measured()
    lines = [json.loads(line) for line in open(f"{stage.data}.log") if line.strip()]
    about = [line for line in lines if re.search(r"\brun\b", line["message"]) and "runs" not in line["message"]]
    named = sum("run" in line for line in about)
    good = lines and about and named == len(about)
    return (1 if good else 0), f"{len(lines)} JSON lines, run named in {named} of {len(about)}; no journald priority"
