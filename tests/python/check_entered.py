"""Checks typed reports with readers and validators of other projects.

    python tests/python/check_entered.py target/debug/sheathline

Some hundred invented measurements are brought in from a table or signed one by one; of each report

- DCMTK `dsrdump` and dicom3tools `dciodvfy` find no fault, nor does the template checker of PixelMed, where
  it is installed, in some;
- highdicom (`highdicom.sr`) finds the values, sides, planes and identifiers that were typed, and who
  signed as person observer;
- pydicom finds patient, birth date, dates, flags and the text that says it was copied.

How long 10,000 rows take is told as a number. Exit 1 on any difference.
"""

import csv
import random
import sqlite3
import subprocess
import sys
import tempfile
import time
import zlib
from pathlib import Path

import highdicom
import pydicom
from check_forms import Wrong, run, templates, tools_on
from pydicom.sr.codedict import codes

SIDES = {"24028007": "right", "7771000": "left"}
PLANES = {"transverse": "62824007", "sagittal": "30730003", "oblique": "21114003"}
COLUMNS = ["patient_id", "birth_date", "date", "time", "right", "right_2", "left", "left_2", "plane", "depth_mm"]
COLUMNS += ["border", "operator", "manufacturer", "model"]


def invented(dice: random.Random, number: int) -> dict:
    """One exam as a row; every exam has a day of its own."""
    width = lambda: f"{dice.uniform(3.0, 7.5):.{dice.choice([1, 2, 3])}f}"
    base = width()
    near = lambda: f"{float(base) + dice.choice([-0.1, 0, 0.1]):.2f}"
    row = dict.fromkeys(COLUMNS, "")
    row |= {
        "patient_id": f"P{number % 17:03}",
        "birth_date": f"20{10 + number % 7}-0{1 + number % 7 % 9}-1{number % 7}",
        "date": f"20{18 + number // 60}-{1 + number % 12:02}-{1 + number % 28:02}",
        "time": dice.choice(["", f"{8 + number % 10:02}:{number % 60:02}"]),
        "plane": dice.choice(["", *PLANES]),
        "depth_mm": dice.choice(["", "3.0", "2.9"]),
        "border": dice.choice(["", "outer", "inner"]),
        "operator": dice.choice(["", "Brack^Oda", "Grönvall^Åsa"]),
        "manufacturer": dice.choice(["", "Caldorra"]),
    }
    which = dice.choice(["right", "left", "both"])
    if which != "left":
        row |= {"right": base, "right_2": dice.choice(["", near()])}
    if which != "right":
        row |= {"left": near(), "left_2": dice.choice(["", near()])}
    birth = {}
    # One birth date a patient.
    row["birth_date"] = f"2012-03-{1 + number % 17:02}"
    return row | birth


def write(path: Path, rows: list[dict]) -> None:
    with path.open("w", newline="") as file:
        table = csv.DictWriter(file, COLUMNS)
        table.writeheader()
        table.writerows(rows)


def site(folder: Path) -> Path:
    (folder / "drop").mkdir()
    (folder / "none").mkdir()
    config = folder / "site.toml"
    config.write_text(
        '[receive.dicom]\nlisten = "127.0.0.1:0"\n[receive.folder]\npath = "drop"\n'
        '[store]\npath = "store.sqlite"\n[outbox]\nfolder = "outbox"\n'
    )
    return config


def stored(folder: Path) -> dict[str, bytes]:
    """The bytes of every object, by SOP Instance UID."""
    with sqlite3.connect(f"file:{folder / 'store.sqlite'}?mode=ro", uri=True) as store:
        rows = store.execute("select sop_instance_uid, body from object where state = 'read'")
        return {uid: zlib.decompress(body) for uid, body in rows}


def check(path: Path, row: dict, author: str, copied: bool, wrong: Wrong) -> None:
    tools_on(path, wrong, tree=True)
    plain = pydicom.dcmread(path)
    wrong.same("patient", plain.PatientID, row["patient_id"])
    wrong.same("birth date", plain.PatientBirthDate, row["birth_date"].replace("-", ""))
    wrong.same("day", plain.StudyDate, row["date"].replace("-", ""))
    wrong.same("time", plain.StudyTime, row["time"] and row["time"].replace(":", "") + "00")
    wrong.same("complete", plain.CompletionFlag, "COMPLETE")
    own = not copied and row["operator"] == author
    wrong.same("verified", plain.VerificationFlag, "VERIFIED" if own else "UNVERIFIED")
    wrong.true("copied", ("Copied by hand" in str(plain)) == copied)
    document = highdicom.sr.srread(str(path))
    persons = [
        str(item.PersonName)
        for item in plain.ContentSequence
        if item.ConceptNameCodeSequence[0].CodeValue == codes.DCM.PersonObserverName.value
    ]
    wanted = [author] + ([row["operator"]] if row["operator"] and not own else [])
    wrong.same("persons", persons, wanted)
    found = {"right": [], "left": []}
    for group in document.content.get_image_measurement_groups():
        place = group.finding_sites[0]
        wrong.same("site", place.value.value, codes.SCT.OpticNerve.value)
        eye = SIDES[place.laterality.value]
        for one in group.get_measurements(name=codes.SCT.Diameter):
            wrong.same("unit", one.unit.value, "mm")
            found[eye].append(float(one.value))
            planes = [
                item.value.value
                for item in one[0].get("ContentSequence", [])
                if item.name.value == "125105"
            ]
            wrong.same("plane", planes, [PLANES[row["plane"]]] if row["plane"] else [])
    for eye in found:
        typed = [float(row[name]) for name in (eye, f"{eye}_2") if row[name]]
        wrong.same(f"values of the {eye} eye", found[eye], typed)


def main() -> int:
    binary = Path(sys.argv[1]).resolve()
    dice = random.Random(20261130)
    rows = [invented(dice, number) for number in range(120)]
    author = "Farnwick^Ilse"
    checked, failed = 0, False
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        config = site(folder)
        run(binary, "process", "--config", config, folder / "none")
        table = folder / "old.csv"
        write(table, rows[:110])
        bring = [binary, "bring-in", "--config", config, "--in-unit", "mm", "--dates", "iso"]
        bring += ["--accept-doubts", "--author", author]
        status, said = run(*bring, table)
        if status != 0:
            sys.exit(f"the table was not brought in: {said[-800:]}")
        for row in rows[110:]:
            command = [binary, "measure", row["patient_id"], "--config", config, "--accept-doubts"]
            command += ["--author", author, "--birth-date", row["birth_date"], "--on", row["date"]]
            command += ["--at", row["time"]] if row["time"] else []
            for eye in ("right", "left"):
                for value in (row[eye], row[f"{eye}_2"]):
                    command += [f"--{eye}", f"{value}:{row['plane']}:{row['depth_mm']}"] if value else []
            for option in ("border", "manufacturer"):
                command += [f"--{option}", row[option]] if row[option] else []
            row["operator"] = dice.choice(["", author, row["operator"]])
            command += ["--measured-by", row["operator"]] if row["operator"] else []
            status, said = run(*command)
            if status != 0:
                sys.exit(f"not signed: {said[-800:]}")
        by_exam = {(row["patient_id"], row["date"].replace("-", "")): n for n, row in enumerate(rows)}
        paths = []
        for uid, body in stored(folder).items():
            path = folder / f"{uid}.dcm"
            path.write_bytes(body)
            paths.append(path)
            plain = pydicom.dcmread(path)
            number = by_exam[(plain.PatientID, plain.StudyDate)]
            wrong = Wrong()
            check(path, rows[number], author, number < 110, wrong)
            for line in wrong:
                print(f"exam {number}: {line}")
            failed |= bool(wrong)
            checked += 1
        wrong = Wrong(templates([paths[0], paths[-1]]))
        wrong.same("reports", checked, len(rows))
        for line in wrong:
            print(line)
        failed |= bool(wrong)
        large = folder / "large.csv"
        many = [
            rows[0]
            | {"patient_id": f"Q{n % 2000}", "birth_date": "2012-03-01", "date": f"20{15 + n // 2000}-05-02"}
            for n in range(10_000)
        ]
        write(large, many)
        began = time.monotonic()
        status, said = run(*bring, large, "--dry-run")
        print(f"10,000 rows looked at in {time.monotonic() - began:.1f} s")
        failed |= status != 0
    print(f"typed reports: {checked} checked: " + ("something is wrong" if failed else "all agree"))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
