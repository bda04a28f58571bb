"""Exports without identities, searched for identities and worked out again independently.

    python tests/python/check_deidentify.py BINARY

No value of an attribute that DICOM PS3.15 table E.1-1 (2024b, as the package dicom-anonymizer lists it)
names for removal or replacement may stand anywhere in the files, whichever report it came from; sex
and age stay by an option of that Annex. Pseudonyms, UIDs and shifts are worked out again from the key
by Python's `hmac` (RFC 2104) and must turn the export with identities into the one without. Profile
and options are those of CID 7050 as pydicom lists it. Small cells are counted again by pandas. Then an
invented clinic is attacked without the key (attacked.py): day of loading, change of settings, weekends,
two exports, exact ages must come back no more often than by guessing. Exit 1 on any difference.
"""

import hmac
import json
import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from datetime import timedelta
from fractions import Fraction
from pathlib import Path

import pandas as pd
import pydicom
from dicomanonymizer.dicom_anonymization_databases import dicomfields_2024b as annex_e
from pydicom.sr.codedict import codes

import attacked
from check_export import ROOT, TABLES, Site, check, check_manifest, check_package, check_readers, checked, problems, rows_by

KEY = "8d1b6f0ac2e94735b07d5a1e6c39f284d05e7b98213fac6407e9b1d2c8456f3a"
NAMED = {tag for name in ("D", "Z", "X", "U", "Z_D", "X_Z", "X_D", "X_Z_D", "X_Z_U_STAR")
         for tag in getattr(annex_e, f"{name}_TAGS") if len(tag) == 2}
# Patient's Sex and Patient's Age: Retain Patient Characteristics Option. Sequences are looked into.
RETAINED = {(0x0010, 0x0040), (0x0010, 0x1010)}
# Who says something in the tests, and why.
SAID = ("Dr Ilse Farnwick", "seen in the ward of Tarnholt")
# Shorter ones are found in anything.
SHORTEST = 4


def bits(purpose: str, *parts: str) -> int:
    mac = hmac.new(bytes.fromhex(KEY), digestmod="sha256")
    for part in (purpose, *parts):
        mac.update(len(part.encode()).to_bytes(8, "big") + part.encode())
    return int.from_bytes(mac.digest()[:16], "big")


def pseudonym(letter: str, purpose: str, *parts: str) -> str:
    return f"{letter}{bits(purpose, *parts) >> 32:024x}"


def name(text):
    return text and pseudonym("K", "key", text)


def uid(text):
    number = bits("uid", text) & ~(0xF << 76) & ~(3 << 62) | 8 << 76 | 2 << 62
    return f"2.25.{number}"


def shift(issuer: str, patient: str) -> int:
    """Days: whole weeks."""
    return 7 * (1 + bits("shift in weeks", issuer, patient) % 52)


def back(row: dict, at):
    """A date or time of the row's patient as it must stand, a day."""
    days = shift(row["patient_issuer"] or "", row["patient_id"])
    day = at.replace(hour=0, minute=0, second=0, microsecond=0) if hasattr(at, "hour") else at
    return day - timedelta(days=days)


def identities(files: list[Path]) -> set[str]:
    """Values of attributes that the Annex names, of all reports; of names also their parts."""
    found = set()
    for file in files:
        try:
            report = pydicom.dcmread(file, force=True)
            elements = list(report.iterall())
        except Exception:
            continue
        for element in elements:
            tag = (element.tag.group, element.tag.element)
            if tag not in NAMED or tag in RETAINED or element.VR in ("SQ", "OB", "OW"):
                continue
            for value in [element.value] if element.VM < 2 else element.value:
                text = str(value).strip()
                parts = re.split(r"[\^=]", text) if element.VR == "PN" else []
                found |= {one for one in (text, *parts) if len(one) >= SHORTEST}
    return found


def said(folder: Path) -> str:
    """Everything in the files but the names of columns, which are ours."""
    texts = [path.read_text().partition("\n")[2] for path in sorted((folder / "current").glob("*.csv"))]
    return "\n".join([*texts, (folder / "manifest.json").read_text()])


def told(folder: Path, words: set[str]) -> list[str]:
    text = said(folder)
    return [word for word in sorted(words) if re.search(rf"(?<![\w.]){re.escape(word)}(?![\w.])", text)]


def check_nothing_told(without: Path, identified: Path, files: list[Path]) -> None:
    words = identities(files)
    check("identities: told", told(without, words), [])
    # Where identities stand, the same search finds them.
    check("identities: found where they are", len(told(identified, words)) > 10, True)


def check_worked_out(without: Path, identified: Path) -> None:
    """Row by row what the key makes of the export with identities."""
    exams = {row["exam_id"]: row for row in rows_by(without, "exams")}
    for row in rows_by(identified, "exams"):
        found = exams.pop(name(row["exam_id"]), {})
        for column, wanted in {
            "patient_id": pseudonym("P", "patient", row["patient_issuer"] or "", row["patient_id"]),
            "study_instance_uid": uid(row["study_instance_uid"]),
            "operator_id": name(row["operator_id"]),
            "device_id": name(row["device_id"]),
            "performed_at": back(row, row["performed_at"]),
            "age_years": coarse(row),
            **{same: row[same] for same in ("sex", "label", "status", "flagged", "gap_years", "notices", "remarks")},
            **dict.fromkeys(("patient_issuer", "birth_date", "accession", "why", "performed_offset_s")),
            **dict.fromkeys(("row_version", "recorded_at")),
        }.items():
            check(f"exams worked out: {column}", found.get(column), wanted)
    check("exams of nobody", len(exams), 0)
    exams = {row["exam_id"]: row for row in rows_by(without, "exams")}
    days = {row["exam_id"]: exams[name(row["exam_id"])]["performed_at"].date() for row in rows_by(identified, "exams")}
    values = {(row["exam_id"], row["sop_instance_uid"], row["place"]): row for row in rows_by(without, "measurements")}
    for row in rows_by(identified, "measurements"):
        found = values.pop((name(row["exam_id"]), uid(row["sop_instance_uid"]), row["place"]), {})
        for column in ("value_mm", "eye", "plane", "depth_mm", "derivation", "usable", "angle_deg", "remarks"):
            check(f"measurements worked out: {column}", found.get(column), row[column])
        for column in ("received_at", "observed_at", "source", "recorded_at", "row_version"):
            check(f"measurements worked out: {column}", found.get(column), None)
        number = bits("object_id", str(row["object_id"])) >> 75
        check("measurements worked out: object_id", found.get("object_id"), number)
    check("measurements of nobody", len(values), 0)
    entries = {row["entry_id"]: row for row in rows_by(without, "entries")}
    for row in (row for row in rows_by(identified, "entries") if row["in_force"]):
        found = entries.pop(bits("entry_id", str(row["entry_id"])) >> 75, {})
        told = {
            "kind": row["kind"], "value": row["value"], "pressure": row["pressure"], "pressure_unit": row["pressure_unit"],
            "patient_id": pseudonym("P", "patient", row["patient_issuer"] or "", row["patient_id"]),
            "exam_id": name(row["exam_id"]), "exams": row["exams"], "in_force": True, "withdrawn": False,
            "study_instance_uid": row["study_instance_uid"] and uid(row["study_instance_uid"]),
            "valid_on": row["valid_on"] and back(row, row["valid_on"]),
        }
        for column, value in found.items():
            check(f"entries worked out: {column}", value, told.get(column, found["entry_id"] if column == "entry_id" else None))
        # An exam and what was said of it lie on one day.
        if row["exam_id"] in days:
            check("entries worked out: the day of the exam", found["valid_on"], days[row["exam_id"]])
    check("entries of nobody", len(entries), 0)
    for table in TABLES:
        held = [row for row in rows_by(identified, table) if row.get("disposition") != "repeat" and row.get("in_force", True)]
        check(f"rows: {table}", len(rows_by(without, table)), len(held))
    for table in TABLES:
        told = {name for row in rows_by(without, table) for name, value in row.items() if value is not None}
        untold = {"received_at", "recorded_at", "row_version", "observed_at", "source"} & told
        check(f"nothing of when it came: {table}", untold, set())


def coarse(row: dict):
    """Whole years of 365.25 days; below two years twelfths of them; from 90 on 90."""
    if row["birth_date"] is None or row["age_years"] is None:
        return None
    years = Fraction(4 * (row["performed_at"].date() - row["birth_date"]).days, 1461)
    return float(min(int(years), 90)) if years >= 2 else int(years * 12) / 12


def check_manifest_says(folder: Path) -> None:
    manifest = json.loads((folder / "manifest.json").read_text())
    check("identified", manifest["identified"], False)
    told = manifest["deidentified"]
    listed = {code.value: code.meaning for code in (getattr(codes.CID7050, one) for one in codes.CID7050.dir())}
    for method in told["methods"]:
        check(f"CID 7050: {method['code']}", method["meaning"], listed.get(method["code"]))
    check("the basic profile", told["methods"][0]["code"], "113100")
    check("rule", [told[one] for one in ("rule", "days_back", "days_step")], [2, [7, 364], 7])
    check("nothing of how far the store goes", set(manifest["current_through"].values()), {0, ""})
    # Sex and age as they stand there, at any exam.
    exams = pd.read_csv(folder / "current/exams.csv", dtype=str, keep_default_na=False)
    groups = exams.groupby(["sex", "age_years"])["patient_id"].nunique()
    exams["of"] = exams.groupby(["sex", "age_years"])["patient_id"].transform("nunique")
    fewest = exams.groupby("patient_id")["of"].min()
    counted = [told[one] for one in ("patients", "cells", "small_cells", "patients_in_small_cells", "patients_alone")]
    check("small cells", counted, [len(fewest), len(groups), (groups < 5).sum(), (fewest < 5).sum(), (fewest == 1).sum()])


def check_known_devices(site: Site, folder: Path, key: Path, identified: Path) -> None:
    """Maker and model are told of listed machines alone."""
    machines = [row for row in rows_by(identified, "devices") if row["manufacturer"] and row["model"]]
    one, listed, to = machines[0], folder / "known.txt", folder / "listed"
    listed.write_text(f"# common machines\n{one['manufacturer']} | {one['model']}\n")
    site.run("export", "--key", key, "--known-devices", listed, "--to", to)
    wanted = {(row["manufacturer"] if row["manufacturer"] == one["manufacturer"] else name(row["manufacturer"]),
               row["model"] if (row["manufacturer"], row["model"]) == (one["manufacturer"], one["model"]) else name(row["model"]))
              for row in rows_by(identified, "devices")}
    check("devices: listed", {(row["manufacturer"], row["model"]) for row in rows_by(to, "devices")}, wanted)
    listed.write_text("|model\n")
    told = site.run("export", "--key", key, "--known-devices", listed, "--to", folder / "no", code=2).stderr
    check("devices: a line without maker", "line 1" in told, True)


def say(site: Site, folder: Path) -> None:
    """A label that is corrected, one that is taken back, a pressure and events, with names and reasons."""
    who = ["--author", SAID[0], "--reason", SAID[1]]
    results = [json.loads(path.read_text()) for path in sorted((folder / "outbox").glob("E*-v1/result.json"))]
    first, other = (one["exam"]["id"] for one in results[:2])
    for label in ("raised_confirmed", "well"):
        site.run("label", first, label, "--yes", *who)
    for label in ("well", "none"):
        site.run("label", other, label, "--yes", *who)
    site.run("pressure", other, "31", "cm[H2O]", *who)
    patient = results[0]["patient"]
    site.run("event", patient["id"], "2019-05-07", "csf_surgery", "--issuer", patient["issuer"], *who)


def check_wrong_usage(site: Site, folder: Path, without: Path) -> None:
    key = folder / "wrong.key"
    for text, mode, says in [
        (KEY, 0o644, "chmod 600"),
        (KEY[:-1], 0o600, "64 hexadecimal digits"),
        ("0" * 64, 0o600, "placeholder"),
        (KEY[::-1], 0o600, "another key"),
    ]:
        key.write_text(text)
        key.chmod(mode)
        told = site.run("export", "--key", key, "--to", without if says == "another key" else folder / "no", code=2).stderr
        check(f"key: {says}", says in told, True)
        check("key: never quoted", text in told, False)
    check("nothing is written", (folder / "no").exists(), False)
    other = folder / "other-key"
    site.run("export", "--key", key, "--to", other)
    mine = {row["patient_id"] for row in rows_by(without, "exams")}
    check("another key: other pseudonyms", mine & {row["patient_id"] for row in rows_by(other, "exams")}, set())
    site.run("export", "--identified", "--to", without, code=2)


def check_killed(site: Site, key: Path, without: Path) -> None:
    """An export that is cut off leaves the one before, or is done."""
    before = said(without)
    for wait in (0.02, 0.05, 0.1, 0.2):
        run = subprocess.Popen(site.command("export", "--key", key, "--to", without), env=site.env,
                               stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(wait)
        run.send_signal(signal.SIGKILL)
        run.wait()
    again = site.run("export", "--key", key, "--to", without).stderr
    check("the same store makes the same files", said(without), before)
    check("a series of exports: told", "that it was done in between" in again, True)
    # As the first rule left it: a manifest without the words that came later.
    file = without / "manifest.json"
    manifest = json.loads(file.read_text())
    for name in ("rule", "days_step", "patients_alone"):
        del manifest["deidentified"][name]
    file.write_text(json.dumps(manifest))
    older = site.run("export", "--key", key, "--to", without).stderr
    check("files of the first rule: told", "made by rule 1" in older, True)
    check("files of the first rule: made anew", said(without), before)
    check("nothing aside is left", [one.name for one in (without / ".partial").glob("*")], [])
    check_manifest(without)


def main() -> None:
    binary = Path(sys.argv[1]).resolve()
    os.umask(0o077)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        demo = folder / "demo"
        subprocess.run([binary, "demo", "--dir", demo], check=True, capture_output=True)
        fixtures = folder / "fixtures.toml"
        fixtures.write_text('[store]\npath = "store.sqlite"\n[outbox]\nfolder = "outbox"\n')
        key = folder / "secret.key"
        key.write_text(KEY + "\n")
        reports = sorted((ROOT / "fixtures/sr").glob("*/*.dcm"))
        sent = [path for path in demo.rglob("*") if path.is_file() and "outbox" not in path.parts]
        for config, files in ((demo / "demo.toml", sent), (fixtures, reports)):
            site = Site(binary, config)
            if config == fixtures:
                site.run("process", *reports)
            say(site, config.parent)
            identified, without = folder / f"{config.stem}-identified", folder / f"{config.stem}-without"
            site.export(identified)
            site.run("export", "--key", key, "--to", without)
            check("audit", 'csd-code="110106"' in (config.parent / "audit.xml").read_text(), True)
            check_manifest(without)
            check_package(without)
            check_readers(without)
            check_nothing_told(without, identified, files)
            check("people: told", told(without, set(SAID)), [])
            check("people: found where they are", told(identified, set(SAID)), sorted(SAID))
            check_worked_out(without, identified)
            check_manifest_says(without)
        check_known_devices(site, folder, key, identified)
        check_wrong_usage(site, folder, without)
        check_killed(site, key, without)
        patient = lambda issuer, one: pseudonym("P", "patient", issuer, one)  # noqa: E731
        attacked.run(binary, folder / "attacked", key, Site, rows_by, check, patient, shift)
    for problem in problems[:40]:
        print(problem[:2000])
    print(f"{sum(checked.values())} comparisons, {len(problems)} differences")
    sys.exit(bool(problems))


if __name__ == "__main__":
    main()
