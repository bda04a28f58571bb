"""Makes distinct Comprehensive SRs for the benchmarks: invented children, four exams each.

    python daemon/app/benches/corpus.py FOLDER COUNT [--first N]

Every report is `fixtures/sr/tid1500` with its own identifiers, date and widths, in explicit
little endian. The same numbers give the same files.
"""

import argparse
import datetime
import random
from copy import deepcopy
from pathlib import Path

import pydicom

BASE = Path(__file__).resolve().parents[3] / "fixtures" / "sr" / "tid1500" / "report.dcm"
EXAMS = 4
# The root for UIDs made from numbers (PS3.5 B.2); the rest is ours.
ROOT = "2.25"


def widths(item: pydicom.Dataset, draw) -> None:
    """Gives every single number a new width, and each mean the mean of those beside it."""
    singles, means = [], []
    for child in item.get("ContentSequence", []):
        widths(child, draw)
        for value in child.get("MeasuredValueSequence", []):
            # The base also says its width as a binary number, which would contradict.
            value.pop("FloatingPointValue", None)
            if "ContentSequence" in child:
                means.append(value)
            else:
                value.NumericValue = f"{draw():.2f}"
                singles.append(float(value.NumericValue))
    for value in means:
        value.NumericValue = f"{sum(singles) / len(singles):.2f}"


def report(base: pydicom.Dataset, number: int) -> pydicom.Dataset:
    """Report `number`: exam `number % EXAMS` of patient `number // EXAMS`."""
    draw = random.Random(number)
    patient, exam = divmod(number, EXAMS)
    one = deepcopy(base)
    one.PatientID = f"BENCH-{patient:07d}"
    one.PatientName = f"Invented^Child {patient}"
    day = datetime.date(2020, 1, 1) + datetime.timedelta(days=patient % 300 + 180 * exam)
    for tag in ("StudyDate", "SeriesDate", "ContentDate"):
        if tag in one:
            setattr(one, tag, day.strftime("%Y%m%d"))
    for tag, kind in (("StudyInstanceUID", 1), ("SeriesInstanceUID", 2), ("SOPInstanceUID", 3)):
        setattr(one, tag, f"{ROOT}.{7_000_000_000_000 + number * 10 + kind}")
    one.file_meta.MediaStorageSOPInstanceUID = one.SOPInstanceUID
    widths(one, lambda: 4.6 + (patient % 9) / 10 + draw.gauss(0, 0.15))
    return one


def make(folder: Path, count: int, first: int = 0) -> list[Path]:
    """Writes the reports that are not there yet; all of them, in order."""
    folder.mkdir(parents=True, exist_ok=True)
    base = pydicom.dcmread(BASE)
    files = [folder / f"{number:07d}.dcm" for number in range(first, first + count)]
    for number, file in enumerate(files, first):
        if not file.exists():
            report(base, number).save_as(file)
    return files


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("count", type=int)
    parser.add_argument("--first", type=int, default=0)
    given = parser.parse_args()
    make(given.folder, given.count, given.first)


if __name__ == "__main__":
    main()
