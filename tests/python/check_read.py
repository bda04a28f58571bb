"""Compares `sheathline read --json` with pydicom's own reading of the same files.

    python tests/python/check_read.py target/debug/sheathline

Three parties have to agree on every measurement: the program, pydicom (read here and now by
`fixtures/read_with_pydicom.py`), and the intent written in each case's `about.toml`. Values are
compared as decimals: the digits as sent times the unit, to the micrometre. Hostile objects are
made on the spot; the program has to refuse them in bounded time and memory.
Exit 1 on any difference.
"""

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
import tomllib
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "fixtures"))

from making.hostile import all_hostile  # noqa: E402
from read_with_pydicom import read_file  # noqa: E402

DICTIONARY_OPTION = "--dictionary"
MICROMETRE = Decimal("0.001")
HOSTILE_SECONDS = 20
HOSTILE_MEGABYTES = 512


def run_read(binary: Path, paths: list[Path], options: list[str] = ()) -> tuple[dict, list[str]]:
    """Lines of `read --json` by path, and what was wrong with the run itself."""
    command = [str(binary), "read", "--json", *options, *map(str, paths)]
    run = subprocess.run(command, capture_output=True, text=True, timeout=120)
    wrong = []
    # 1 means that some object was not fit; 2 is wrong usage, anything else a crash.
    if run.returncode not in (0, 1):
        wrong.append(f"exit {run.returncode}: {run.stderr.strip()[-400:]}")
    lines = {}
    for line in run.stdout.splitlines():
        read = json.loads(line, parse_float=Decimal)
        lines[read["path"]] = read
    wrong += [f"no line for {path}" for path in paths if str(path) not in lines]
    return lines, wrong


def exact(value: str | None) -> Decimal | None:
    """A decimal text as whole micrometres of millimetres."""
    return None if value is None else Decimal(value).quantize(MICROMETRE, ROUND_HALF_UP)


def _shown(value) -> Decimal | None:
    return None if value is None else Decimal(value).quantize(MICROMETRE)


def check_measurement(read: dict, must: dict, number: dict, explained: bool) -> list[str]:
    """What differs in one measurement; `explained`: a dictionary names the side."""
    wrong = []

    def same(what, got, wanted, by):
        if got != wanted:
            wrong.append(f"{what} is {got}, {by} says {wanted}")

    wanted = exact(must.get("value_mm"))
    same("value_mm", _shown(read["value_mm"]), wanted, "about.toml")
    if wanted is not None:
        same("value_mm", _shown(read["value_mm"]), exact(number["value_mm"]), "pydicom")
    same("value_as_sent", read["value_as_sent"], number["value"], "pydicom")
    same("unit_as_sent", read["unit_as_sent"], number["unit"], "pydicom")
    same("concept", read["concept"], number["concept"], "pydicom")
    same("eye", read["eye"], must["eye"], "about.toml")
    if not explained:
        same("eye", read["eye"], number["laterality"], "pydicom")
    for key in ("quantity", "derivation", "usable"):
        if key in must:
            same(key, read[key], must[key], "about.toml")
    if "depth_mm" in must:
        same("depth_mm", _shown(read["depth_mm"]), exact(must["depth_mm"]), "about.toml")
    if "angle_deg" in must:
        geometry = read["geometry"] or {}
        same("angle_deg", _shown(geometry.get("angle_deg")), exact(must["angle_deg"]), "about.toml")
    if not read["usable"] and not read["remarks"]:
        wrong.append("is set aside without a remark")
    return wrong


def check_object(read: dict, about: dict, pydicom_says: dict, explained: bool) -> list[tuple]:
    """Rows of (place, eye, value, verdict) for one object; an empty verdict is good."""
    rows = []

    def note(verdict, place=""):
        rows.append((place, "", "", verdict))

    if read["disposition"] not in about["disposition"]:
        note(f"disposition is {read['disposition']}, not {' or '.join(about['disposition'])}")
    template = (read["template"] or "none").split("@")[0]
    if template != about["template"]:
        note(f"read by {template}, not {about['template']}")
    if pydicom_says["readable"]:
        if read["sop_instance_uid"] != pydicom_says["sop_instance_uid"]:
            note(f"sop_instance_uid is {read['sop_instance_uid']}")
        patient = (read["patient"] or {}).get("id") or None
        if patient != pydicom_says["patient_id"]:
            note(f"patient id is {patient}, pydicom says {pydicom_says['patient_id']}")
        if read.get("predecessors", []) != pydicom_says["predecessors"]:
            note(f"predecessors are {read.get('predecessors')}")
    if read["disposition"] == "quarantined" and not any(
        remark["severity"] == "blocking" for remark in read["remarks"]
    ):
        note("quarantined without a blocking remark")
    codes = {remark["code"] for holder in [read, *read["measurements"]]
             for remark in holder["remarks"]}
    if "remark" in about and about["remark"] not in codes:
        note(f"no remark {about['remark']}")

    numbers = {number["place"]: number for number in pydicom_says.get("numbers", [])}
    found = {measurement["place"]: measurement for measurement in read["measurements"]}
    if len(found) != len(read["measurements"]):
        note("one place is read twice")
    for must in about.get("must_read", []):
        place = must["place"]
        measurement = found.pop(place, None)
        if measurement is None:
            note("is not read", place)
            continue
        wrong = check_measurement(measurement, must, numbers[place], explained)
        value = measurement["value_mm"]
        rows.append((place, measurement["eye"], "none" if value is None else f"{value} mm",
                     "; ".join(wrong)))
    may = {entry["place"]: entry["quantity"] for entry in about.get("may_read", [])}
    why = {entry["place"]: entry["why"] for entry in about.get("must_not_read", [])}
    for place, measurement in found.items():
        if place in may and place in numbers:
            same = _shown(measurement["value_mm"]) == exact(numbers[place]["value_mm"])
            verdict = "" if same else "differs from pydicom"
            if measurement["quantity"] != may[place]:
                verdict = f"is {measurement['quantity']}, may only be {may[place]}"
            rows.append((place, measurement["eye"], f"{measurement['value_mm']} mm", verdict))
        else:
            note(f"must not be read: {why.get(place, 'nothing is known of it')}", place)
    if not rows:
        rows.append(("-", "", "", ""))
    return rows


def check_cases(binary: Path) -> tuple[list[tuple], list[str]]:
    """Table rows of every fixture, and failures of whole runs."""
    folders = sorted(path for path in (ROOT / "fixtures/sr").iterdir() if path.is_dir())
    lines, wrong = run_read(
        binary,
        [folder / "report.dcm" for folder in folders if not (folder / "dictionary.toml").exists()],
    )
    rows = []
    for folder in folders:
        report, dictionary = folder / "report.dcm", folder / "dictionary.toml"
        about = tomllib.loads((folder / "about.toml").read_text(encoding="utf-8"))
        pydicom_says = read_file(report)
        kept = json.loads((folder / "expected.json").read_text(encoding="utf-8"))
        if pydicom_says != kept:
            rows.append((folder.name, "", "", "", "pydicom no longer reads what expected.json says"))
        if dictionary.exists():
            more, failures = run_read(binary, [report], [DICTIONARY_OPTION, str(dictionary)])
            lines |= more
            wrong += failures
        if str(report) in lines:
            checked = check_object(lines[str(report)], about, pydicom_says, dictionary.exists())
            rows += [(folder.name, *row) for row in checked]
    return rows, wrong


def check_hostile(binary: Path) -> list[tuple]:
    """Rows for objects that ask for too much."""
    rows = []
    with tempfile.TemporaryDirectory() as aside:
        for name, content in all_hostile().items():
            path = Path(aside) / f"{name}.dcm"
            path.write_bytes(content)
            start = time.monotonic()
            try:
                lines, wrong = run_read(binary, [path])
            except subprocess.TimeoutExpired:
                lines, wrong = {}, ["does not end"]
            spent = time.monotonic() - start
            # Peak of the largest child so far, in kB on Linux.
            peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1000
            disposition = lines.get(str(path), {}).get("disposition")
            if disposition != "quarantined":
                wrong.append(f"disposition is {disposition}, not quarantined")
            if spent > HOSTILE_SECONDS:
                wrong.append(f"took {spent:.0f} s")
            if peak > HOSTILE_MEGABYTES:
                wrong.append(f"used {peak:.0f} MB")
            rows.append((name, "-", "", f"{spent:.1f} s", "; ".join(wrong)))
    return rows


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("binary", type=Path, help="the sheathline program")
    binary = parser.parse_args().binary.resolve()
    rows, wrong = check_cases(binary)
    rows += check_hostile(binary)
    print(f"{'case':26} {'place':14} {'eye':11} {'value':>10}  verdict")
    for case, place, eye, value, verdict in rows:
        print(f"{case:26} {place:14} {eye:11} {value:>10}  {verdict or 'same'}")
    bad = [row for row in rows if row[-1]]
    for line in wrong:
        print(line, file=sys.stderr)
    print(f"{len(rows)} rows, {len(bad)} differ" + (f", {len(wrong)} runs failed" if wrong else ""))
    return 1 if bad or wrong else 0


if __name__ == "__main__":
    sys.exit(main())
