#!/usr/bin/env python3
"""Scores how friendly the built program is: forty checks, 0, 1 or 2 each, by
what it really does on a rehearsed bench. Ends with 1 when a check that applies
scores 0.

    tests/tools/friendliness.py [target/debug/wakerail]
"""

import sys
import tempfile
import time

sys.dont_write_bytecode = True  # the sources stay as they are

import checks_data
import checks_pictures
import checks_service
import checks_words
from stage import ROOT, Stage

CHECKS = {
    1: checks_words.streams, 2: checks_words.help_of_all, 3: checks_words.no_argument,
    4: checks_words.version, 5: checks_words.json_everywhere, 6: checks_words.plain_lines,
    7: checks_words.colour, 8: checks_words.exit_codes, 9: checks_words.errors,
    10: checks_words.quick, 11: checks_words.dry_run, 12: checks_words.asks_first,
    13: checks_words.ctrl_c, 14: checks_words.completion, 16: checks_words.precedence,
    17: checks_words.xdg, 18: checks_words.environment, 20: checks_words.logs,
    21: checks_service.notified, 22: checks_service.unit,
    23: checks_data.signals, 24: checks_data.check_alone, 27: checks_data.views,
    28: checks_data.forms, 29: checks_data.csv_form, 30: checks_data.described,
    32: checks_data.reproducible, 34: checks_data.problems, 37: checks_pictures.colours,
    38: checks_pictures.told_in_words, 39: checks_pictures.one_page,
    40: checks_pictures.first_result,
}

NOT_YET = {
    15: "man pages: the manual is in the program (`wakerail help`)",
    19: "secrets: no option, variable or file holds one",
    25: "calendar of runs: not built yet",
    26: "a command that examines the machine: not built yet",
    31: "Parquet: not built yet",
    33: "a served description of the interface: not built yet",
    35: "metrics: not built yet",
    36: "web hooks: nothing is sent to a network",
}


def main():
    """Prints the table; the exit code."""
    program = sys.argv[1] if len(sys.argv) > 1 else ROOT / "target/debug/wakerail"
    began, total, zeros = time.monotonic(), 0, []
    with tempfile.TemporaryDirectory(prefix="wr-") as folder:
        stage = Stage(program, folder)
        try:
            for number, check in sorted(CHECKS.items()):
                try:
                    score, evidence = check(stage)
                except Exception as error:  # whatever breaks a check is its evidence
                    score, evidence = 0, f"the check broke: {type(error).__name__}: {error}"
                total += score
                zeros += [number] if score == 0 else []
                print(f"{number:>3}  {score}  {check.__doc__}\n        {evidence}", flush=True)
        finally:
            stage.close()
    print()
    for number, why in NOT_YET.items():
        print(f"{number:>3}  -  {why}")
    assert sorted([*CHECKS, *NOT_YET]) == list(range(1, 41))
    print(f"\nfriendliness: {total} of {2 * len(CHECKS)} points, {len(CHECKS)} of 40 checks apply, "
          f"{len(zeros)} score 0, {time.monotonic() - began:.0f} s")
    if zeros:
        print(f"score 0: {zeros}")
    return 1 if zeros else 0


if __name__ == "__main__":
    sys.exit(main())
