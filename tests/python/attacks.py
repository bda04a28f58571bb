"""Attacks on exports without identities: what somebody tries who has the files and knows the rules, but
not the key. Pure functions of tables, each a list of rows (name of column to value).

Every attack answers by pseudonym with what it takes for true, or with the shifts that it leaves. `hits` and
`narrowed` count against the truth, and `is_better_than_chance` says whether so many hits are more than
guessing finds.
"""

import math
from collections import Counter, defaultdict
from datetime import date, datetime, timedelta

# What the rules allow: whole weeks, 1 to 52 (daemon/docs/research.md).
SHIFTS = range(7, 365, 7)
# Shifts before there were weeks, for tables in which the leak is put back.
DAYS = range(1, 366)
# Guessing is called better than chance when luck does as well once in a million.
LUCK = 1e-6


def day(value):
    """The day of a date, a wall clock or an instant; `None` for anything else."""
    if isinstance(value, datetime):
        return value.date()
    return value if isinstance(value, date) else None


def owner(tables: dict) -> dict:
    """Whose an exam is."""
    return {row["exam_id"]: row["patient_id"] for row in tables["exams"]}


def rows_of_patients(tables: dict):
    """Every row of a table that is somebody's, with whose it is."""
    owners = owner(tables)
    for table, rows in tables.items():
        for row in rows:
            patient = row.get("patient_id") or owners.get(row.get("exam_id"))
            if patient:
                yield table, patient, row


def exam_days(tables: dict) -> dict:
    """Days of a patient's exams as they are told, in order."""
    days = defaultdict(set)
    for row in tables["exams"]:
        days[row["patient_id"]].add(day(row["performed_at"]))
    return {patient: sorted(days) for patient, days in days.items()}


def shared_day(tables: dict, known: date, shifts=SHIFTS) -> dict:
    """Something happened to everybody on one known day: the store was filled, or settings changed. A column
    whose newest days all lie back from it by a shift that is allowed is taken for that day, shifted.
    """
    best = {}
    columns = defaultdict(lambda: defaultdict(set))
    for table, patient, row in rows_of_patients(tables):
        for name, value in row.items():
            if day(value):
                columns[table, name][patient].add(day(value))
    everybody = len(owner(tables)) and len(exam_days(tables))
    for by_patient in columns.values():
        guesses = {patient: (known - max(days)).days for patient, days in by_patient.items()}
        allowed = {patient: days for patient, days in guesses.items() if days in shifts}
        if len(allowed) > max(len(best), 0.5 * everybody):
            best = allowed
    return best


def changed_day(before: dict, after: dict, known: date) -> dict:
    """Two exports of one key, settings changed on a known day in between: a day that became another one is
    taken for that of the change, shifted."""
    guesses = {}
    for table, rows in before.items():
        held = {identity(table, row): row for row in rows}
        for row in after[table]:
            old = held.get(identity(table, row))
            patient = row.get("patient_id") or owner(after).get(row.get("exam_id"))
            for name, value in row.items():
                if old and patient and day(value) and day(value) != day(old[name]):
                    guesses[patient] = (known - day(value)).days
    return guesses


def identity(table: str, row: dict):
    """What a row is called; the same in every export of one key."""
    names = {"measurements": ("exam_id", "sop_instance_uid", "place"), "exams": ("exam_id",),
             "assessments": ("exam_id", "eye"), "baselines": ("exam_id", "earlier_exam_id"),
             "objects": ("object_id",), "entries": ("entry_id",), "operators": ("operator_id",), "devices": ("device_id",)}
    return tuple(row[name] for name in names[table])


def possible(tables: dict, shifts=SHIFTS, works=lambda at: at.weekday() < 5) -> dict:
    """Nobody examines on some days, such as weekends: the shifts that put no exam of the patient there."""
    return {patient: [back for back in shifts if all(works(at + timedelta(days=back)) for at in days)]
            for patient, days in exam_days(tables).items()}


def switch(tables: dict, known: date, shifts=SHIFTS) -> dict:
    """Something became another thing on a known day, for exams from then on: version of a row, way of
    arrival, a remark. A column of two words, of which each patient has one up to some day and the other
    from then on, leaves the shifts that put the known day there; for everybody at least one, or it is
    no such column. The fewest that any leaves."""
    dates = {row["exam_id"]: day(row["performed_at"]) for row in tables["exams"]}
    columns = defaultdict(lambda: defaultdict(list))
    for table, patient, row in rows_of_patients(tables):
        at = dates.get(row.get("exam_id"))
        for name, value in row.items():
            if at and not day(value) and not isinstance(value, float):
                columns[table, name][patient].append((at, value))
    left = {}
    for by_patient in columns.values():
        words = {value for rows in by_patient.values() for _, value in rows}
        for old in words if len(words) == 2 else ():
            found = {}
            for patient, rows in by_patient.items():
                last = max((at for at, value in rows if value == old), default=date.min)
                first = min((at for at, value in rows if value != old), default=date.max)
                found[patient] = [back for back in shifts if last < known - timedelta(days=back) <= first]
            if all(found.values()):
                left |= {patient: backs for patient, backs in found.items()
                         if len(backs) < len(left.get(patient, shifts))}
    return left


def mended(tables: dict, known: date, shifts=SHIFTS) -> dict:
    """A table of labels mended on a known day what was said of the exams that were there: where exams have
    more than one entry up to some day and one from then on, the shifts that put the known day there."""
    entries = Counter(row["exam_id"] for row in tables["entries"])
    often, once = defaultdict(list), defaultdict(list)
    for row in tables["exams"]:
        if count := entries[row["exam_id"]]:
            (often if count > 1 else once)[row["patient_id"]].append(day(row["performed_at"]))
    left = {}
    for patient in set(often) & set(once):
        last, first = max(often[patient]), min(once[patient])
        left[patient] = [back for back in shifts if last < known - timedelta(days=back) <= first]
    return left


def told_age(row: dict):
    """Age in days, where an age tells it: one of whole years or months says no day."""
    age = row["age_years"]
    if age is None or abs(age * 12 - round(age * 12)) < 1e-9:
        return None
    return round(age * 365.25)


def grown_age(tables: dict, growth=0.18, least=0.25, most=10.0) -> dict:
    """What is expected of a child beyond its only earlier exam is `growth` times the logarithm of how many
    times older it is, and the days in between are told: so the age at the exam follows, in days.
    """
    exams = {row["exam_id"]: row for row in tables["exams"]}
    measured = {(row["exam_id"], row["eye"]): row["measured_mm"] for row in tables["assessments"]}
    used = defaultdict(list)
    for row in tables["baselines"]:
        if row["used"]:
            used[row["exam_id"]].append(row["earlier_exam_id"])
    ages = {}
    for row in tables["assessments"]:
        earlier = used[row["exam_id"]]
        if row["eye"] != "both" or len(earlier) != 1 or row["expected_mm"] is None:
            continue
        days = (day(exams[row["exam_id"]]["performed_at"]) - day(exams[earlier[0]]["performed_at"])).days
        grown = row["expected_mm"] - measured[earlier[0], "both"]
        if days <= 0 or grown <= 0:
            continue
        then = days / 365.25 / math.expm1(grown / growth)
        if least < then and then + days / 365.25 < most:
            ages[row["exam_id"]] = round(then * 365.25) + days
    return ages


def narrowed(left: dict, truth: dict, shifts=SHIFTS) -> int:
    """Of how many patients some shifts are ruled out, and not the true one."""
    return sum(truth[patient] in backs and len(backs) < len(shifts) for patient, backs in left.items())


def hits(guesses: dict, truth: dict) -> int:
    """How many are right."""
    return sum(truth[one] == guess for one, guess in guesses.items())


def is_better_than_chance(right: int, of: int, chance: float) -> bool:
    """Whether guessing has so many right once in a million times at most (binomial distribution)."""
    at_least = sum(math.comb(of, k) * chance**k * (1 - chance) ** (of - k) for k in range(right, of + 1))
    return at_least < LUCK
