"""Mistakes as a tired person makes them, for check 9 of friendliness.py."""

PLAN, LAMP, BENCH = "plan-evening-survey.yaml", "lamp-dunlin.yaml", "bench-strand.yaml"

# (file, what stands there, what was typed)
FILES = [
    (PLAN, "readings: 5", "readngs: 5"),
    (PLAN, "kind: survey", "kind: survay"),
    (PLAN, "every: 6 in", "every: 6"),
    (PLAN, "every: 6 in", "every: 6 lx"),
    (PLAN, "to: 72 in", "to: 720 in"),
    (PLAN, "warm-up: leg", "warm-up: log"),
    (PLAN, "format: 1", "format: 7"),
    (PLAN, "readings: 5", "readings: five"),
    (PLAN, "readings: 5", "readings: 0"),
    (LAMP, "levels: 12", "levels: 12\nlevels: 10"),
    (LAMP, "up: brighter", "upp: brighter"),
    (LAMP, "maximum-on-time: 12 h", "maximum-on-time: 12"),
    (BENCH, "baud: 115200", "baud: fast"),
    (BENCH, "away: up", "away: sideways"),
    (BENCH, "travel: 1 mm to 2000 mm", "travel: 2000 mm to 1 mm"),
    (BENCH, "channels: {round: 1, left: 2", "channels: {round: 1, left: 1"),
]

WORDS = [
    ["cheek", "plan.yaml"],
    ["runs", "--format", "xml"],
    ["show", "soon"],
    ["help", "survay"],
    ["book", "plan-short.yaml"],
    ["check", "plan-evning.yaml"],
    ["watch", "latest", "--data", "nowhere"],
    ["serve", "--bench", "bench.yaml", "--rehearse", "seven"],
]
