"""An invented clinic whose exports without identities are attacked (attacks.py), with the truth beside
them: which shift each patient has, and how old each is at each exam, to the day.

The clinic examines on weekdays, from 2016 to 2022. Its store is filled in two goes with other settings
in between, so that exams before and behind that day differ wherever a store keeps track of changes: on that
day, too, a table of labels mended those of some patients' exams that were there. Then
settings change once more between two exports of one key. Every attack must find no more than guessing
does; and on the same tables with the leak put back it must find it.
"""

import math
import random
import sys
from collections import defaultdict
from copy import deepcopy
from datetime import date, datetime, timedelta, timezone
from pathlib import Path

import pydicom

import attacks
from attacks import DAYS, SHIFTS

sys.path.append(str(Path(__file__).resolve().parents[2] / "daemon/app/benches"))
import corpus  # noqa: E402

TABLES = ["measurements", "exams", "assessments", "baselines", "objects", "entries", "operators", "devices"]
PATIENTS = 100
LABELLED = 40
FIRST, LAST = date(2016, 1, 4), date(2022, 12, 30)
# Settings changed on this day: exams before it were in the store already.
CHANGED = date(2019, 6, 3)
ISSUER = "TARNHOLT"
# After so long everything was made again, where the leak is put back.
AGAIN = timedelta(days=30)
# A site that writes its ward where the maker belongs; model and issuer are the fixture's.
WARD = "Tarnholt Hospital Wren Ward"
SETTINGS = '[store]\npath = "store.sqlite"\n[outbox]\nfolder = "outbox"\n'


def reports(folder: Path, draw: random.Random) -> tuple[list, dict, list]:
    """Files with the days of their exams, the days of birth by patient id, and days with their studies of
    patients whose exams get labels."""
    base, made, born, studies = pydicom.dcmread(corpus.BASE), [], {}, []
    weekdays = [one for one in (FIRST + timedelta(days=n) for n in range((LAST - FIRST).days)) if one.weekday() < 5]
    folder.mkdir()
    for patient in range(PATIENTS):
        name, sex = f"RE-{patient:04d}", draw.choice("FM")
        days = sorted(draw.sample(weekdays, draw.randint(2, 6)))
        born[name] = days[0] - timedelta(days=draw.randint(30, 12 * 365))
        for day in days:
            one = corpus.report(base, len(made))
            one.PatientID, one.IssuerOfPatientID, one.PatientSex = name, ISSUER, sex
            one.PatientName, one.Manufacturer = f"Invented^Child {patient}", WARD
            one.PatientBirthDate = born[name].strftime("%Y%m%d")
            one.StudyDate = one.ContentDate = day.strftime("%Y%m%d")
            file = folder / f"{len(made):04d}.dcm"
            one.save_as(file)
            made.append((day, file))
            if patient < LABELLED:
                studies.append((day, one.StudyInstanceUID))
    return made, born, studies


class Truth:
    """What only the holder of key and store knows."""

    def __init__(self, born: dict, pseudonym, shift) -> None:
        self.born = {pseudonym(ISSUER, name): day for name, day in born.items()}
        self.shift = {pseudonym(ISSUER, name): shift(ISSUER, name) for name in born}

    def ages(self, tables: dict) -> dict:
        """Days of age at each exam."""
        return {row["exam_id"]: (attacks.day(row["performed_at"]) - self.born[row["patient_id"]]).days
                + self.shift[row["patient_id"]] for row in tables["exams"]}


def found(tables: dict, other: dict, truth: Truth, loaded: date, again: date, shifts=SHIFTS) -> dict:
    """Every attack on an export, and on a later one of the same key: how many are right, of how many, and
    how often guessing is; 0 where any is too many."""
    told, ages = {}, truth.ages(tables)

    def count(name: str, guesses: dict, right: dict, chance: float) -> None:
        told[name] = (attacks.hits(guesses, right), len(guesses), chance)

    def left(name: str, backs: dict) -> None:
        told[name] = (attacks.narrowed(backs, truth.shift, shifts), len(backs), 0)

    one_of = 1 / len(shifts)
    count("day of loading", attacks.shared_day(tables, loaded, shifts), truth.shift, one_of)
    count("day of the settings", attacks.shared_day(tables, CHANGED, shifts), truth.shift, one_of)
    count("two exports", attacks.changed_day(tables, other, again), truth.shift, one_of)
    left("what changed on a day", attacks.switch(tables, CHANGED, shifts))
    left("what was mended on a day", attacks.mended(tables, CHANGED, shifts))
    left("weekends", attacks.possible(tables, shifts))
    exact = {row["exam_id"]: attacks.told_age(row) for row in tables["exams"]}
    # A month has 30 days.
    count("age as told", {exam: age for exam, age in exact.items() if age is not None}, ages, 1 / 30)
    count("age by growth", attacks.grown_age(tables), ages, 1 / 30)
    return told


def planted(tables: dict, truth: Truth, loaded: date) -> tuple[dict, dict]:
    """The same tables with the leaks of the first rule put back: shifts of any number of days, instants of the
    store, versions of rows, exact ages and what follows from them; and as exported after new settings."""
    tables, draw = deepcopy(tables), random.Random(7)
    days = {patient: draw.choice(DAYS) for patient in truth.shift}
    of, ages = attacks.owner(tables), truth.ages(tables)
    earlier = defaultdict(list)
    for row in tables["baselines"]:
        if row["used"]:
            earlier[row["exam_id"]].append(row["earlier_exam_id"])
    measured = {(row["exam_id"], row["eye"]): row["measured_mm"] for row in tables["assessments"]}
    for _, patient, row in attacks.rows_of_patients(tables):
        for name in ("performed_at", "earlier_date", "valid_on"):
            if row.get(name):
                row[name] += timedelta(days=truth.shift[patient] - days[patient])
    date_of = {row["exam_id"]: attacks.day(row["performed_at"]) + timedelta(days=days[row["patient_id"]]) for row in tables["exams"]}
    for row in tables["exams"]:
        patient = row["patient_id"]
        row["age_years"] = round(ages[row["exam_id"]] / 365.25, 4)
        row["recorded_at"] = datetime.combine(loaded - timedelta(days=days[patient]), datetime.min.time())
        row["row_version"] = 2 if attacks.day(row["performed_at"]) + timedelta(days=days[patient]) < CHANGED else 1
    for row in tables["measurements"]:
        row["received_at"] = datetime.combine(CHANGED - timedelta(days=days[of[row["exam_id"]]]), datetime.min.time())
    mended = [row for row in tables["entries"] if date_of[row["exam_id"]] < CHANGED]
    tables["entries"] += [row | {"entry_id": -row["entry_id"], "in_force": False} for row in mended]
    for row in tables["assessments"]:
        before = earlier[row["exam_id"]]
        if row["eye"] == "both" and len(before) == 1 and row["exam_id"] in ages:
            now, then = (min(max(ages[one] / 365.25, 0.25), 10.0) for one in (row["exam_id"], before[0]))
            row["expected_mm"] = measured[before[0], "both"] + 0.18 * math.log(now / then)
    truth.shift = days
    later = deepcopy(tables)
    for row in later["exams"]:
        row["recorded_at"] += AGAIN
    return tables, later


def run(binary: Path, folder: Path, key: Path, make_site, rows_by, check, pseudonym, shift) -> None:
    """Fills the store, exports it twice, and attacks."""
    folder.mkdir()
    config, draw = folder / "clinic.toml", random.Random(20240501)
    made, born, studies = reports(folder / "made", draw)
    labels = folder / "labels.csv"

    def label(word: str, of) -> None:
        rows = [f"{study},{word}" for day, study in studies if of(day)]
        labels.write_text("\n".join(["study_instance_uid,label", *rows, ""]))
        site.run("label", "--table", labels, "--yes")

    config.write_text(SETTINGS)
    site = make_site(binary, config)
    site.run("process", *(file for day, file in made if day < CHANGED))
    label("raised_ruled_out", lambda day: day < CHANGED)
    config.write_text(SETTINGS + "[baseline]\nsigma_w = 0.21\n")
    site.run("process", *(file for day, file in made if day >= CHANGED))
    label("well", lambda day: True)
    exports = []
    for name, sigma in (("one", 0.21), ("other", 0.22)):
        config.write_text(SETTINGS + f"[baseline]\nsigma_w = {sigma}\n")
        site.run("process", made[0][1])
        site.run("export", "--key", key, "--to", folder / name)
        exports.append({table: rows_by(folder / name, table) for table in TABLES})
    tables, other = exports
    loaded = datetime.now(timezone.utc).date()
    truth = Truth(born, pseudonym, shift)
    check("attacks: everybody is there", {row["patient_id"] for row in tables["exams"]}, set(truth.shift))
    check("attacks: the settings made other results", tables["exams"] != other["exams"], True)
    days = {row["exam_id"]: row["performed_at"] for row in tables["exams"]}
    check("attacks: one key, the same days", {row["exam_id"]: row["performed_at"] for row in other["exams"]}, days)
    for name, (right, of, chance) in found(tables, other, truth, loaded, loaded).items():
        is_better = attacks.is_better_than_chance(right, of, chance)
        check(f"attacks: {name}: {right} of {of} are right, guessing {chance:.1%}", is_better, False)
    text = "".join(path.read_text() for path in (folder / "one/current").glob("*.csv"))
    check("attacks: a ward in the place of the maker", WARD in text, False)
    # Where the leak is, each of them finds it.
    leaking, later = planted(tables, truth, loaded)
    for name, (right, of, _) in found(leaking, later, truth, loaded, loaded + AGAIN, DAYS).items():
        # Exams a year and more apart say little of the day in between.
        few = 0.1 if name.endswith("on a day") else 0.8
        check(f"attacks: {name}: {right} of {of} with the leak put back", right >= few * of and of >= 20, True)
