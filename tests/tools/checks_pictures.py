"""Checks 37 to 40 of friendliness.py: charts, the report, the first result.

Each function takes the stage and gives (score, evidence)."""

import re
import subprocess
import xml.etree.ElementTree as ElementTree
from html.parser import HTMLParser

from checks_words import graded
from stage import ROOT

# Okabe and Ito's set, safe for the common kinds of colour blindness.
SAFE = {"e69f00", "56b4e9", "009e73", "f0e442", "0072b2", "d55e00", "cc79a7", "000000"}
SVG = "{http://www.w3.org/2000/svg}"
# WCAG 1.4.11
CONTRAST_AT_LEAST = 3.0
SECONDS_AT_MOST = 600


def contrast(colour, paper="ffffff"):
    """The contrast of two colours (WCAG 2.2: relative luminance)."""
    def luminance(text):
        text = "".join(c * 2 for c in text) if len(text) == 3 else text
        parts = [int(text[at:at + 2], 16) / 255 for at in (0, 2, 4)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    light, dark = sorted((luminance(colour), luminance(paper)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def colours(stage):
    """Charts: a colour-blind-safe set, shapes differ too, contrast 3:1"""
    text = (stage.demo_done() / "lux-against-distance.svg").read_text()
    strokes = re.findall(r'<path d="([^"]+)"[^>]*stroke="#([0-9A-Fa-f]+)"', text)
    coloured = [(d, c.lower()) for d, c in strokes if len(c) == 6 and len(set((c[:2], c[2:4], c[4:]))) > 1
                or c.lower() == "000000"]
    used = {colour for _, colour in coloured}
    pale = {colour for colour in used if contrast(colour) < CONTRAST_AT_LEAST}
    # A pale line is carried by a dark one, drawn along the same way.
    dark = {way for way, colour in strokes if contrast(colour) >= CONTRAST_AT_LEAST}
    bare = {colour for way, colour in coloured if colour in pale and way not in dark}
    # A mark's shape: its way without numbers; hollow ones differ from filled.
    marks = {(re.sub(r"[-\d., ]+", "", way), fill) for way, fill in
             re.findall(r'<path d="M[\d. ]+([a-z][^M"]*z)[^"]*" fill="(#fff)?', text)}
    named = all(f"level {level}<" in text for level in range(1, 13))
    good = [bool(used) and used <= SAFE, not bare, named, len(marks) >= 4]
    lowest = min((contrast(colour) for colour in used), default=0)
    return graded(sum(good), 4, f"(safe set, dark outlines, lines named, shapes); {len(used)} colours, lowest "
                                f"{lowest:.2f}, bare: {sorted(bare) or 'none'}; {len(marks)} shapes of marks")


def told_in_words(stage):
    """Each chart: title, axis with unit, words with the finding, a table"""
    folder = stage.demo_done()
    page = (folder / "report.html").read_text()
    charts = [(folder / "lux-against-distance.svg").read_text(),
              *re.findall(r"<svg.*?</svg>", page, re.S)]
    good = 0
    for chart in charts:
        tree = ElementTree.fromstring(chart)
        title, desc = tree.find(f"{SVG}title"), tree.find(f"{SVG}desc")
        words = " ".join("".join(text.itertext()) for text in tree.iter(f"{SVG}text"))
        good += (tree.get("role") == "img" and title is not None and desc is not None
                 and bool(re.search(r"\d", title.text)) and len(desc.text) > 60
                 and bool(re.search(r"\b(lx|lux)\b", words)))
    tables = page.count("<table")
    score, told = graded(good, len(charts), "charts have title, unit, finding")
    return (score if tables >= len(charts) - 1 else min(score, 1)), f"{told}; {tables} tables in the report"


class Outline(HTMLParser):
    """Language, headings, and what a page would fetch or run."""

    def __init__(self):
        super().__init__()
        self.lang, self.levels, self.fetched, self.scripts, self.unclosed = None, [], [], 0, 0

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        self.lang = attrs.get("lang", self.lang) if tag == "html" else self.lang
        self.scripts += tag == "script" or any(name.startswith("on") for name in attrs)
        if re.fullmatch("h[1-6]", tag):
            self.levels.append(int(tag[1]))
        for name in ("src", "href"):
            if tag != "a" and attrs.get(name, "#")[:1] != "#" and not attrs[name].startswith("data:"):
                self.fetched.append(attrs[name])


def one_page(stage):
    """Report: one file, no network, no script, prints, dark, lang, headings"""
    page = (stage.demo_done() / "report.html").read_text()
    outline = Outline()
    outline.feed(page)
    steps = zip(outline.levels, outline.levels[1:])
    good = {"lang": bool(outline.lang), "one h1": outline.levels.count(1) == 1,
            "no level left out": all(after - before <= 1 for before, after in steps),
            "nothing fetched": not outline.fetched and "@import" not in page and not re.search(r"url\((?!#)", page),
            "no script": outline.scripts == 0, "dark": "prefers-color-scheme:dark" in page,
            "print": "@page" in page and "@media print" in page,
            "charts uncut": bool(re.search(r"figure\{[^}]*break-inside:avoid", page))}
    wrong = [name for name, fine in good.items() if not fine]
    return graded(len(good) - len(wrong), len(good), f"of the page's duties; wrong: {wrong or 'none'}; {len(page) // 1024} KiB")


def first_result(stage):
    """First result in 10 min with a shipped plan; the docs' commands run in CI"""
    stage.demo_done()
    done = stage.demo.returncode == 0 and stage.demo_seconds < SECONDS_AT_MOST
    by_ci = "-- demo" in (ROOT / ".ci/run").read_text()
    data = str(stage.folder / "tour")
    stage.serve(data)
    tour = re.findall(r"^(wakerail (?:check|place|book|watch|runs|show|survey|readings|rulings|report) .*)$",
                      (ROOT / "README.md").read_text(), re.M)
    told, ran = [], 0
    files = {"bench.yaml": "bench-strand.yaml", "lamp.yaml": "lamp-dunlin.yaml",
             "plan.yaml": "plan-short.yaml"}
    for own, example in files.items():
        (stage.folder / own).write_text((stage.folder / example).read_text())
    for line in tour:
        line = line.split(" #")[0].strip()
        code = subprocess.run(["bash", "-c", f'wakerail() {{ "$PROGRAM" "$@"; }}; {line}'], cwd=stage.folder,
                              env=stage.around(PROGRAM=stage.program, WAKERAIL_DATA=data), timeout=40,
                              stdin=subprocess.DEVNULL, capture_output=True).returncode
        ran += code == 0
        told += [] if code == 0 else [f"`{line}` {code}"]
    score, words = graded(ran, len(tour), "commands of the README's tour run")
    return (score if done and by_ci else 0), f"demo in {stage.demo_seconds:.0f} s; {words}" + (f"; {'; '.join(told)}" if told else "")
