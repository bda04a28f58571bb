"""The examples of daemon/docs/analysis answer alike in DuckDB, pandas and R, and answer right.

    python tests/python/check_analysis.py BINARY

First the demonstration's clinic. Then an invented one whose answers are known before: forty children
measured on two machines, one of which reads 0.3 mm more, in either order; a sheath that grows by 0.18 mm
per unit of ln(age); one child whose sheath rises by 1.2 mm at the end. Exit 1 on any difference.
"""

import csv
import datetime
import io
import math
import os
import random
import subprocess
import sys
import tempfile
from pathlib import Path

import duckdb
import pydicom

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "daemon/app/benches"))
import corpus
from check_export import ROOT, Site, check, checked, problems

EXAMPLES = ROOT / "daemon/docs/analysis"
CHILDREN, MORE_MM, GROWTH, RISE = 40, 0.3, 0.18, 1.2
MACHINES = ["AAA-0001", "BBB-0002"]


def tables(text: str) -> list[list[dict]]:
    return [list(csv.DictReader(io.StringIO(one))) for one in text.strip().replace("\r", "").split("\n\n")]


def by_duckdb(folder: Path) -> list[list[dict]]:
    here = Path.cwd()
    os.chdir(folder)
    try:
        base = duckdb.connect()
        asked = duckdb.extract_statements((EXAMPLES / "questions.sql").read_text())
        return tables("\n".join(base.execute(one).df().to_csv(index=False) for one in asked))
    finally:
        os.chdir(here)


def by_program(*command) -> list[list[dict]]:
    done = subprocess.run([str(word) for word in command], capture_output=True, text=True)
    check(f"{command[0]}: {done.stderr}", done.returncode, 0)
    return tables(done.stdout)


def alike(one: str, other: str) -> bool:
    try:
        # Rounded at the last digit by each tool in its own way.
        return abs(float(one) - float(other)) < 0.0015
    except ValueError:
        return one == other


def answers(folder: Path) -> list[list[dict]]:
    """Of all three, which must be the same."""
    found = by_duckdb(folder)
    for name, other in {
        "pandas": by_program(sys.executable, EXAMPLES / "questions.py", folder),
        "R": by_program("Rscript", EXAMPLES / "questions.R", folder),
    }.items():
        for number, (mine, theirs) in enumerate(zip(found, other, strict=True), 1):
            check(f"{name}, question {number}: rows", len(theirs), len(mine))
            for row, same in zip(mine, theirs):
                check(f"{name}, question {number}: columns", list(same), list(row))
                wrong = {key: (same[key], row[key]) for key in row if not alike(same[key], row[key])}
                check(f"{name}, question {number}", wrong, {})
    return found


def report(base: pydicom.Dataset, child: int, exam: int, draw: random.Random) -> pydicom.Dataset:
    """Exam of a child: two on one machine, a third on the other, a fourth on the first."""
    one = corpus.report(base, child * 4 + exam)
    born = datetime.date(2012, 3, 1) + datetime.timedelta(days=40 * child)
    years = 1 + child % 4 + exam * 1.1
    day = born + datetime.timedelta(days=round(years * 365.25))
    one.PatientBirthDate = born.strftime("%Y%m%d")
    for tag in ("StudyDate", "ContentDate"):
        setattr(one, tag, day.strftime("%Y%m%d"))
    machine = (child + (exam == 2)) % 2
    one.DeviceSerialNumber = MACHINES[machine]
    rise = RISE if (child, exam) == (7, 3) else 0
    width = 4.2 + child % 7 / 10 + GROWTH * math.log(years) + MORE_MM * machine + rise
    # What an exam has of its own, the same in all of its readings.
    width += draw.gauss(0, 0.08)
    corpus.widths(one, lambda: width + draw.gauss(0, 0.1))
    return one


def clinic(binary: Path, folder: Path, draw: random.Random) -> Path:
    config = folder / "clinic.toml"
    config.write_text('[store]\npath = "store.sqlite"\n[outbox]\nfolder = "outbox"\n')
    site, files = Site(binary, config), folder / "reports"
    files.mkdir()
    base = pydicom.dcmread(corpus.BASE)
    well = []
    for child in range(CHILDREN):
        for exam in range(4 if child == 7 else 3):
            one = report(base, child, exam, draw)
            one.save_as(files / f"{child}-{exam}.dcm", enforce_file_format=True)
            if exam < 3:
                well.append(one.StudyInstanceUID)
    site.run("process", files)
    # Of so many stable exams some are flagged by chance.
    site.run("label", *well, "well", "--yes")
    site.run("process", files)
    site.export(folder / "export")
    return folder / "export"


def check_known(found: list[list[dict]]) -> None:
    rose, devices, growth = found
    for row in devices + growth:
        print(", ".join(f"{key} {value}" for key, value in row.items()))
    both = {row["patient_id"] for row in rose if row["eye"] == "both"}
    check("the child whose sheath rose", "BENCH-0000007" in both, True)
    own = {name["device"] for name in devices}
    check("two machines, each against itself and the other", (len(own), len(devices)), (2, 4))
    for row in devices:
        same = row["device"] == row["baseline_device"]
        mean, error = float(row["mean_change_mm"]), float(row["standard_error_mm"])
        off = min(abs(mean - MORE_MM), abs(mean + MORE_MM)) if not same else abs(mean)
        check(f"machine: {row}", off < 4 * error, True)
        check(f"machines are told apart: {row}", same or abs(mean) > 4 * error, True)
    across = [float(row["mean_change_mm"]) for row in devices if row["device"] != row["baseline_device"]]
    check("one is higher, the other lower", across[0] * across[1] < 0, True)
    slope, error = (float(growth[0][key]) for key in ("mm_per_ln_year", "standard_error"))
    check(f"growth: {growth}", abs(slope - GROWTH) < 4 * error and slope > 2 * error, True)
    check("children", int(growth[0]["children"]), CHILDREN)


def main() -> None:
    binary = Path(sys.argv[1]).resolve()
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        demo = folder / "demo"
        subprocess.run([binary, "demo", "--dir", demo], check=True, capture_output=True)
        Site(binary, demo / "demo.toml").export(folder / "demo-export")
        rose = answers(folder / "demo-export")[0]
        check("who rose in the demonstration", {row["patient_id"] for row in rose}, {"LC-1002", "LC-1007"})
        check_known(answers(clinic(binary, folder, random.Random(seed))))
    for problem in problems[:40]:
        print(problem[:2000])
    print(f"{sum(checked.values())} comparisons, {len(problems)} differences")
    sys.exit(bool(problems))


if __name__ == "__main__":
    main()
