"""A report by matplotlib: what ours is timed beside, and looked up in.

    report.py page RECORD.db RUN PAGE.html     seconds by step, as JSON
    report.py places REQUEST.json              how far apart two pictures are

The page is what a careful person writes with matplotlib in an evening: six SVG
charts and a table of means with their standard deviations, in one HTML file.
No corrections, no uncertainties, no ids, no accounts.
"""

import time

BEGUN = time.perf_counter()

import io  # noqa: E402
import json  # noqa: E402
import re  # noqa: E402
import sqlite3  # noqa: E402
import sys  # noqa: E402
from pathlib import Path  # noqa: E402

import matplotlib  # noqa: E402

matplotlib.use("svg")
import matplotlib.pyplot as plt  # noqa: E402
import numpy as np  # noqa: E402

IMPORTED = time.perf_counter()
TARGET_LX = 250.0
SQL = """SELECT setting, position_nm / 25.4e6, purpose, value, taken_wall_us FROM readings
         WHERE run = ? AND outcome = 'value' ORDER BY seq"""


def text_of(figure):
    out = io.StringIO()
    figure.savefig(out, format="svg")
    plt.close(figure)
    return out.getvalue()


def axes(title, x, y, **scales):
    figure, ax = plt.subplots(figsize=(8, 5))
    ax.set(title=title, xlabel=x, ylabel=y, **scales)
    ax.grid(True, which="both", linewidth=0.3)
    return figure, ax


def points(rows):
    """Mean, standard deviation and number for each setting and distance."""
    groups = {}
    for setting, at, purpose, lux, _ in rows:
        if purpose == "read":
            groups.setdefault((setting, at), []).append(lux)
    return {key: (np.mean(all_of), np.std(all_of, ddof=1), len(all_of))
            for key, all_of in sorted(groups.items())}


def charts(rows, table):
    settings = sorted({setting for setting, _ in table})
    lines = {}
    for (setting, at), (mean, sd, _) in table.items():
        lines.setdefault(setting, []).append((at, mean, sd))
    lines = {setting: np.array(of).T for setting, of in lines.items()}

    figure, ax = axes("lux against distance", "in", "lx", yscale="log")
    for setting in settings:
        at, mean, sd = lines[setting]
        ax.errorbar(at, mean, yerr=2 * sd, marker="o", markersize=3, label=setting)
    ax.legend(fontsize=5, ncols=2)
    yield text_of(figure)

    figure, ax = axes("every reading", "in", "lx", yscale="log")
    read = [(at, lux) for _, at, purpose, lux, _ in rows if purpose == "read"]
    ax.plot(*np.array(read).T, ".", markersize=2)
    yield text_of(figure)

    figure, ax = axes("each level", "setting", "lx", yscale="log")
    middle = len(next(iter(lines.values()))[0]) // 2
    ax.bar(settings, [lines[setting][1][middle] for setting in settings])
    ax.tick_params(axis="x", labelrotation=90, labelsize=6)
    yield text_of(figure)

    figure, ax = axes(f"where {TARGET_LX} lx are reached", "in", "setting")
    reach = [np.exp(np.interp(-np.log(TARGET_LX), -np.log(lines[s][1]), np.log(lines[s][0])))
             for s in settings]
    ax.plot(reach, settings, "o")
    yield text_of(figure)

    figure, ax = axes("light times distance squared, over the last", "in", "ratio")
    for setting in settings:
        at, mean, _ = lines[setting]
        product = mean * at * at
        ax.plot(at, product / product[-1], linewidth=0.8)
    yield text_of(figure)

    figure, ax = axes("the reference over the night", "h", "lx", yscale="log")
    seen = [(wall, lux) for _, _, purpose, lux, wall in rows if purpose == "reference"]
    wall, lux = np.array(seen).T
    ax.plot((wall - wall[0]) / 3.6e9, lux, ".")
    yield text_of(figure)


def page(record, run, out):
    with sqlite3.connect(f"file:{record}?mode=ro", uri=True) as base:
        rows = base.execute(SQL, (int(run),)).fetchall()
    read = time.perf_counter()
    table = points(rows)
    drawn = list(charts(rows, table))
    done = time.perf_counter()
    cells = "".join(f"<tr><td>{setting}<td>{at:.4g}<td>{mean:.5g}<td>{sd:.2g}<td>{n}"
                    for (setting, at), (mean, sd, n) in table.items())
    head = "<tr><th>setting<th>in<th>lx<th>s<th>n"
    Path(out).write_text("<!DOCTYPE html><meta charset=utf-8><title>report</title>"
                         + "".join(drawn) + f"<table>{head}{cells}</table>")
    return {"1 python and imports": IMPORTED - BEGUN, "2 read": read - IMPORTED,
            "3 charts": done - read, "4 table and write": time.perf_counter() - done}


def our_lines(svg):
    """The corners of each of our lines, in pixels."""
    found = []
    for line in svg.splitlines():
        if "stroke-linejoin" in line and 'stroke-width="2"' in line:
            corners = re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", line.split('"')[1])
            found.append([(float(x), float(y)) for x, y in corners])
    return found


def our_ticks(svg):
    """The named ticks of both axes: figure and place."""
    texts = re.findall(r'<text x="([\d.]+)" y="([\d.]+)"[^>]*>([\d.\u2009]+)</text>', svg)
    texts = [(float(x), float(y), float(of.replace("\u2009", ""))) for x, y, of in texts]
    left = [(of, y - 4.0) for x, y, of in texts if x == 76.0]
    lowest = max(y for x, y, _ in texts)
    below = [(of, x) for x, y, of in texts if y == lowest]
    return below, left


def places(request):
    """Our chart beside matplotlib's on the same axes: the axes are those that our
    own ticks tell, the points those of matplotlib's SVG."""
    request = json.loads(Path(request).read_text())
    ours, (below, left) = our_lines(request["svg"]), our_ticks(request["svg"])
    width, height, dpi = 960.0, 800.0, 72.0
    size = [float(of) for of in re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"',
                                          request["svg"]).groups()]
    width, height = size
    figure = plt.figure(figsize=(width / dpi, height / dpi), dpi=dpi)
    ax = figure.add_axes([0, 0, 1, 1])
    # The whole paper is the plot, so its ends are what the ticks tell of its edges.
    (a, xa), (b, xb) = below[0], below[-1]
    ax.set_xlim(a + (b - a) * (0 - xa) / (xb - xa), a + (b - a) * (width - xa) / (xb - xa))
    (c, yc), (d, yd) = left[0], left[-1]
    lux = lambda y: c * (d / c) ** ((y - yc) / (yd - yc))  # noqa: E731
    ax.set_yscale("log")
    ax.set_ylim(lux(height), lux(0))
    for no, line in enumerate(request["lines"]):
        ax.plot(*np.array(line).T, marker="o", gid=f"line{no}x")
    ax.plot([of for of, _ in below], [c] * len(below), marker="o", gid="belowx")
    ax.plot([a] * len(left), [of for of, _ in left], marker="o", gid="leftx")
    theirs = text_of(figure)

    def marks(gid):
        group = theirs.split(f'id="{gid}"', 1)[1]
        group = group.split('<g id="', 1)[0] if '<g id="' in group else group
        uses = re.findall(r'<use [^>]*x="(-?[\d.]+)" y="(-?[\d.]+)"', group)
        return [(float(x), float(y)) for x, y in uses]

    apart, count = 0.0, 0
    for no, line in enumerate(ours):
        other = marks(f"line{no}x")
        assert len(other) == len(line) == len(request["lines"][no]), (no, len(other), len(line))
        for (x, y), (p, q) in zip(line, other):
            apart, count = max(apart, abs(x - p), abs(y - q)), count + 1
    for ticks, gid, axis in ((below, "belowx", 0), (left, "leftx", 1)):
        other = marks(gid)
        assert len(other) == len(ticks)
        for (_, at), mark in zip(ticks, other):
            apart = max(apart, abs(at - mark[axis]))
    return {"points": count, "ticks": len(below) + len(left), "worst_px": apart}


if __name__ == "__main__":
    what = {"page": page, "places": places}[sys.argv[1]]
    json.dump(what(*sys.argv[2:]), sys.stdout)
