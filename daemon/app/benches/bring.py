#!/usr/bin/env python3
"""How long `bring-in` takes: until its answer, and until every result is in the outbox.

    bring.py PROGRAM [ROWS]

Three tables of ROWS rows (10000): each row another patient, 500 patients, one patient. No service runs.
"""

import datetime
import json
import pathlib
import random
import subprocess
import sys
import tempfile
import time

CONFIG = """[receive.dicom]
listen = "127.0.0.1:0"
[receive.folder]
path = "drop"
[store]
path = "store.sqlite"
[outbox]
folder = "outbox"
"""


def table(rows, patients):
    """Years of values: four readings a row, patients in turn."""
    chance = random.Random(7)
    first = datetime.datetime(2006, 1, 1, 8)
    gap = max(1, 18 * 365 * 24 // (rows // patients))
    lines = ["patient_id,birth_date,date,time,right,right_2,left,left_2,plane,depth_mm"]
    for number in range(rows):
        at = first + datetime.timedelta(hours=gap * (number // patients))
        widths = ",".join(f"{5 + chance.gauss(0, 0.12):.1f}" for _ in range(4))
        who = f"P{number % patients:05},1999-03-02"
        lines.append(f"{who},{at:%Y-%m-%d,%H:%M},{widths},transverse,3.0")
    return "\n".join(lines) + "\n"


def measured(program, folder, text):
    """Seconds until the answer, what was left then, and seconds of all results after it."""
    (folder / "drop").mkdir()
    (folder / "none").mkdir()
    config = folder / "site.toml"
    config.write_text(CONFIG)
    (folder / "old.csv").write_text(text)
    run = lambda *args: subprocess.run(  # noqa: E731
        [program, args[0], "--config", config, *args[1:]],
        check=True, capture_output=True, text=True,
    )
    run("process", folder / "none")
    bring = ["bring-in", folder / "old.csv", "--in-unit", "mm", "--dates", "iso"]
    bring += ["--accept-doubts", "--json"]
    began = time.monotonic()
    dry = run(*bring, "--dry-run")
    looked = time.monotonic()
    told = json.loads(run(*bring).stdout)
    answered = time.monotonic()
    run(*bring, "--wait")
    ended = time.monotonic()
    assert not json.loads(dry.stdout)["faults"]
    return looked - began, answered - looked, told["waiting"], ended - answered


def main():
    program = pathlib.Path(sys.argv[1]).resolve()
    rows = int(sys.argv[2]) if len(sys.argv) > 2 else 10_000
    for patients in (rows, min(500, rows), 1):
        with tempfile.TemporaryDirectory() as folder:
            text = table(rows, patients)
            dry, answer, left, rest = measured(program, pathlib.Path(folder), text)
        print(f"{rows} rows of {patients} patients: dry run {dry:.1f} s, answer {answer:.1f} s, "
              f"left then {left}, the rest {rest:.1f} s", flush=True)


if __name__ == "__main__":
    main()
