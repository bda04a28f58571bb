"""Exported tables, read by the tools of analysts and held against each other and against the outbox.

    python tests/python/check_export.py BINARY

The demonstration's clinic is exported. `datapackage.json` is validated by frictionless (Frictionless
Data Package and Table Schema, version 1: types, constraints, keys between tables). Each file is read by
pyarrow and DuckDB (Parquet) and by pandas (CSV), and all must say the same; the current view must be
what DuckDB picks from the history by the rule in daemon/docs/data.md; values must be those of the
result.json files of the outbox, and entries those that `entries` tells; a label in force is the label of
the exam that it joins. FHIR resources are read by the models of fhir.resources. Hashes, lengths and rows are those of the manifest. Then a store that
grows between exports, by reports, labels, merges and other rules, and one whose exports are killed at
random instants, and one that is exported while the daemon works: the rows must be those of one run. Exit 1 on any difference.
"""

import hashlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from datetime import date, datetime, timezone
from pathlib import Path

import duckdb
import pandas as pd
import pyarrow.parquet as pq
from fhir.resources.R4B import get_fhir_model_class
from frictionless import Package
from lxml import etree

ROOT = Path(__file__).resolve().parents[2]
sys.path.append(str(ROOT / "daemon/app/benches"))
import corpus  # noqa: E402

TABLES = ["measurements", "exams", "assessments", "baselines", "objects", "entries", "operators", "devices"]
KILLS = 20
REPORTS = 60
PATIENCE = 120
problems = []
checked = Counter()


def check(what: str, found, expected) -> None:
    checked[what.split(":")[0]] += 1
    if found != expected:
        problems.append(f"{what}: {found!r} instead of {expected!r}")


class Site:
    """A store with its outbox, and a trail for the exports."""

    def __init__(self, binary: Path, config: Path) -> None:
        self.binary, self.config = binary, config
        trail = config.parent / "audit.xml"
        self.env = os.environ | {"SHEATHLINE__OBSERVE__AUDIT": str(trail)}

    def command(self, *words) -> list[str]:
        return [str(self.binary), *map(str, words), "--config", str(self.config)]

    def run(self, *words, code: int = 0) -> subprocess.CompletedProcess:
        done = subprocess.run(self.command(*words), env=self.env, capture_output=True, text=True)
        check(f"exit code of {words[0]}: {done.stderr}", done.returncode, code)
        return done

    def export(self, to: Path, *more) -> list[dict]:
        done = self.run("export", "--identified", "--json", "--to", to, *more)
        return [json.loads(line) for line in done.stdout.splitlines()]


def manifest_of(folder: Path) -> dict:
    return json.loads((folder / "manifest.json").read_text())


def check_manifest(folder: Path, current: bool = True) -> None:
    """Every file that the manifest names, by its bytes; and no other file stands beside them."""
    manifest = manifest_of(folder)
    named = set()
    for one in manifest["history"] + manifest["current"]:
        data = (folder / one["path"]).read_bytes()
        check("manifest sha256: " + one["path"], hashlib.sha256(data).hexdigest(), one["sha256"])
        check("manifest bytes: " + one["path"], len(data), one["bytes"])
        if one["format"] == "parquet":
            check("manifest rows: " + one["path"], pq.read_metadata(folder / one["path"]).num_rows, one["rows"])
        else:
            rows = len(pd.read_csv(folder / one["path"], dtype=str))
            check("manifest rows: " + one["path"], rows, one["rows"])
        named.add(one["path"])
    if current:
        there = {str(path.relative_to(folder)) for kind in ("history", "current")
                 for path in (folder / kind).rglob("*.*") if path.is_file()}
        check("files beside the manifest", there, named)


def plain(value) -> str:
    """A value of Parquet as CSV has it, numbers aside."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, datetime):
        text = value.replace(tzinfo=None).isoformat(timespec="microseconds")
        return text + ("Z" if value.tzinfo else "")
    if isinstance(value, date):
        return value.isoformat()
    return str(value)


def same(text: str, value) -> bool:
    if isinstance(value, float):
        return text != "" and float(text) == value
    return text == plain(value)


def check_readers(folder: Path) -> None:
    """pandas on the CSV, pyarrow and DuckDB on the Parquet."""
    for one in manifest_of(folder)["history"] + manifest_of(folder)["current"]:
        if one["format"] != "csv":
            continue
        path = folder / one["path"]
        parquet = path.with_suffix(".parquet")
        # Without the partition that a folder name tells, which is no column of the file.
        arrow = pq.ParquetFile(parquet).read()
        duck = duckdb.sql(f"select * from read_parquet('{parquet}', hive_partitioning = false)")
        frame = pd.read_csv(path, dtype=str, keep_default_na=False, na_filter=False)
        check("columns: " + one["path"], list(frame.columns), arrow.column_names)
        check("columns: " + one["path"], duck.columns, arrow.column_names)
        rows = list(zip(*(column.to_pylist() for column in arrow.columns)))
        ducks = [tuple(v.astimezone(timezone.utc) if isinstance(v, datetime) and v.tzinfo else v for v in row)
                 for row in duck.fetchall()]
        check("DuckDB against pyarrow: " + one["path"], ducks, rows)
        texts = list(frame.itertuples(index=False, name=None))
        check("rows: " + one["path"], len(texts), len(rows))
        wrong = [(t, v) for a, b in zip(texts, rows) for t, v in zip(a, b) if not same(t, v)]
        check("pandas against pyarrow: " + one["path"], wrong, [])
        # Without any option: numbers are numbers.
        loose = pd.read_csv(path)
        for name in arrow.column_names:
            if pd.api.types.is_float_dtype(loose[name]) and str(arrow.schema.field(name).type) == "double":
                mine = arrow.column(name).to_pandas()
                check(f"numbers of pandas: {one['path']} {name}", loose[name].dropna().tolist(), mine.dropna().tolist())


def keys(folder: Path, table: str) -> list[str]:
    package = json.loads((folder / "datapackage.json").read_text())
    one = next(one for one in package["resources"] if one["name"] == table)
    return one["schema"]["primaryKey"]


def history(folder: Path, table: str) -> list[tuple]:
    files = [one["path"] for one in manifest_of(folder)["history"]
             if one["table"] == table and one["format"] == "parquet"]
    rows = []
    for file in files:
        arrow = pq.ParquetFile(folder / file).read()
        rows += zip(*(column.to_pylist() for column in arrow.columns))
    return rows


def current(folder: Path, table: str) -> list[tuple]:
    arrow = pq.ParquetFile(folder / "current" / f"{table}.parquet").read()
    return list(zip(*(column.to_pylist() for column in arrow.columns)))


def check_current(folder: Path) -> None:
    """The rule of the manual, in SQL: of each key the highest version, unless it is withdrawn."""
    for table in TABLES:
        key = ", ".join(keys(folder, table))
        picked = duckdb.sql(f"""
            select * from (select * exclude (month) from
                           read_parquet('{folder}/history/{table}/*/*.parquet', hive_partitioning = true)
                           qualify row_number() over (partition by {key} order by row_version desc) = 1)
            where not withdrawn""")
        holds = duckdb.sql(f"select * from read_parquet('{folder}/current/{table}.parquet')")
        check(f"current view: {table}", Counter(map(str, picked.fetchall())), Counter(map(str, holds.fetchall())))


def check_package(folder: Path) -> None:
    report = Package(str(folder / "datapackage.json")).validate()
    for task in report.tasks:
        for error in task.errors[:3]:
            problems.append(f"frictionless: {task.name}: {error.message}")
    checked["frictionless resources"] += len(report.tasks)
    problems.extend(f"frictionless: {error.message}" for error in report.errors)


def rows_by(folder: Path, table: str) -> list[dict]:
    return pq.ParquetFile(folder / "current" / f"{table}.parquet").read().to_pylist()


def check_outbox(folder: Path, outbox: Path) -> None:
    """Newest versions against the current view, all versions against the history."""
    results = [json.loads(path.read_text()) for path in outbox.glob("*/result.json")]
    told = {(one["exam"]["id"], one["version"], one["key"]) for one in results}
    names = pq.ParquetFile(folder / "current/exams.parquet").schema_arrow.names
    at = [names.index(name) for name in ("exam_id", "row_version", "result_key")]
    check("versions: in the outbox and in the history", {tuple(row[i] for i in at) for row in history(folder, "exams")}, told)
    newest = {}
    for one in results:
        held = newest.setdefault(one["exam"]["id"], one)
        if one["version"] > held["version"]:
            newest[one["exam"]["id"]] = one
    newest = {exam: one for exam, one in newest.items() if one["assessment"]["reason"] != "withdrawn"}
    exams = {row["exam_id"]: row for row in rows_by(folder, "exams")}
    check("exams: current", set(exams), set(newest))
    operators = {row["operator_id"]: row["operator"] for row in rows_by(folder, "operators")}
    devices = {row["device_id"]: row for row in rows_by(folder, "devices")}
    values, rows, earlier = Counter(), Counter(), Counter()
    for exam, one in newest.items():
        row, answer = exams.get(exam, {}), one["assessment"]
        for name, wanted in {
            "result_key": one["key"],
            "patient_id": one["patient"]["id"],
            "patient_issuer": one["patient"]["issuer"] or None,
            "birth_date": one["patient"]["birth_date"] and date.fromisoformat(one["patient"]["birth_date"]),
            "sex": one["patient"]["sex"],
            "study_instance_uid": one["exam"]["study_instance_uid"],
            "performed_at": datetime.fromisoformat(one["exam"]["performed_at"]).replace(tzinfo=None),
            "label": one["exam"]["label"],
            "status": answer["status"],
            "flagged": answer["flagged"],
            "reason": answer["reason"],
            "notices": " ".join(answer["notices"]) or None,
            "basis": answer["basis"],
            "decided_by": answer["decided_by"],
            "since_last_mm": ((one.get("course") or {}).get("since_last") or {}).get("mm"),
            "after_event": ((one.get("course") or {}).get("after_event") or {}).get("state"),
            "earlier_flags": ((one.get("course") or {}).get("flags") or {}).get("count", 0),
            "gap_years": answer["gap_years"],
            "baseline_exams": len(one["baseline"]),
            "values_used": len(one["measurements_used"]),
            "values_not_used": len(one["measurements_not_used"]),
            "remarks": " ".join(remark["code"] for remark in one["remarks"]) or None,
        }.items():
            check(f"exams against result.json: {exam} {name}", row.get(name), wanted)
        check(f"operators: {exam}", operators.get(row.get("operator_id")), one["exam"]["operator"])
        device = one["exam"]["device"]
        if any(device.values()):
            found = devices.get(row.get("device_id"), {})
            check(f"devices: {exam}", {name: found.get(name) for name in device}, device)
        for kind, usable in (("measurements_used", True), ("measurements_not_used", False)):
            for m in one[kind]:
                check(f"usable: {exam} {m['place']}", m["usable"], usable)
                values[(exam, m["object"], m["place"], m["eye"], m["value_mm"], m["value_as_sent"], m["unit_as_sent"],
                        m["plane"], m["depth_mm"], m["derivation"], usable,
                        " ".join(remark["code"] for remark in m["remarks"]) or None,
                        (m["geometry"] or {}).get("angle_deg"))] += 1
        for eye, found in answer["rows"].items():
            if found:
                rows[(exam, eye, *(found[name] for name in NUMBERS))] += 1
        for other in one["baseline"]:
            earlier[(exam, other["exam"], True, other["date"])] += 1
        for other in one["not_compared"]:
            earlier[(exam, other["exam"], False, other["date"])] += 1
    names = ["exam_id", "sop_instance_uid", "place", "eye", "value_mm", "value_as_sent", "unit_as_sent", "plane",
             "depth_mm", "derivation", "usable", "remarks", "angle_deg"]
    check("measurements against result.json", Counter(tuple(row[n] for n in names) for row in rows_by(folder, "measurements")), values)
    found = Counter((row["exam_id"], row["eye"], *(row[n] for n in NUMBERS))
                    for row in rows_by(folder, "assessments") if row["measured_mm"] is not None)
    check("assessments against result.json", found, rows)
    found = Counter((row["exam_id"], row["earlier_exam_id"], row["used"], row["earlier_date"].isoformat())
                    for row in rows_by(folder, "baselines"))
    check("baselines against result.json", found, earlier)
    for row in rows_by(folder, "measurements"):
        check("provenance: a report, a template and their arrival",
              all(row[name] is not None for name in ("object_id", "source", "received_at", "template", "template_hash",
                                                     "parameters_key", "software")), True)


NUMBERS = ["measured_mm", "expected_mm", "sd_mm", "z", "lower_mm", "upper_mm", "change_mm", "change_percent",
           "smallest_change_mm", "probability_high", "status"]


def check_same(what: str, one: Path, other: Path, but: tuple = ()) -> None:
    """The same rows, whatever files they stand in; `but` for the history of these tables, and of entries
    also the number of the version."""
    for table in TABLES:
        rows = [current(folder, table) for folder in (one, other)]
        if table == "entries" and table in but:
            rows = [[row[:-3] for row in of_one] for of_one in rows]
        check(f"{what}: current {table}", Counter(rows[0]), Counter(rows[1]))
        if table not in but:
            check(f"{what}: history {table}", Counter(history(one, table)), Counter(history(other, table)))


def check_entries(site: Site, folder: Path) -> None:
    """What people said, against `entries` of every patient; and the joins of an analyst."""
    rows = rows_by(folder, "entries")
    told = []
    for key in {(row["given_issuer"] or "", row["given_patient_id"]) for row in rows}:
        said = site.run("entries", key[1], "--issuer", key[0], "--json").stdout
        told += [line for line in map(json.loads, said.splitlines()) if (line["patient"]["issuer"], line["patient"]["id"]) == key]
    wanted, found = {}, {}
    for one in told:
        exams = one["exam_ids"]
        wanted[one["entry"]] = (one["act"], one["kind"], one["value"], exams[0] if len(exams) == 1 else None, len(exams),
                                one["study_instance_uid"], one["readings"], one["recorded_at"], one["author"] or None,
                                one["author_kind"], one["entered_by"] or None, one["source"], one["reason"] or None,
                                one["corrects"], min(one["corrected_by"], default=None), one["counts"])
    for row in rows:
        value = row["value"] if row["pressure"] is None else f"{row['pressure']:g} {row['pressure_unit']}"
        found[row["entry_id"]] = (row["act"], row["kind"], value, row["exam_id"], row["exams"], row["study_instance_uid"],
                                  row["readings"], row["said_at"].strftime("%Y-%m-%dT%H:%M:%SZ"), row["author"],
                                  row["author_kind"], row["entered_by"], row["source"], row["reason"], row["corrects"],
                                  row["corrected_by"], row["in_force"])
    check("entries: told", found, wanted)
    ended = {row["entry_id"]: row["taken_back"] for row in rows if row["corrected_by"] is not None}
    naming = {row["corrects"]: row["value"] is None and row["pressure"] is None for row in rows if row["corrects"]}
    check("entries: taken back", ended, naming)
    days = {row["entry"]: row["date"] for row in map(dict, told) if row["date"]}
    check("entries: days of events", {row["entry_id"]: row["valid_on"].isoformat() for row in rows if row["kind"] == "event"}, days)
    # By the exam: its label, its pressure and its day are those of the entries in force.
    joined = duckdb.sql(f"""
        select e.exam_id, e.label, n.value, e.opening_pressure, n.pressure, cast(e.performed_at as date), n.valid_on
        from '{folder}/current/exams.parquet' e
        join '{folder}/current/entries.parquet' n on n.exam_id = e.exam_id and n.in_force""").fetchall()
    for exam, label, value, pressure, said, done, valid in joined:
        check(f"entries: of exam {exam}", (label if value else pressure, done), (value or said, valid))
    labelled = {row["exam_id"] for row in rows_by(folder, "exams") if row["label"]}
    check("entries: every label has an author", labelled, {exam for exam, _, value, *_ in joined if value})
    # By the patient: as many events up to the exam as its row counts.
    counted = duckdb.sql(f"""
        select e.exam_id, any_value(e.events), count(n.entry_id)
        from '{folder}/current/exams.parquet' e
        left join '{folder}/current/entries.parquet' n
          on n.kind = 'event' and n.in_force and n.patient_id = e.patient_id
         and n.patient_issuer is not distinct from e.patient_issuer and n.valid_on <= cast(e.performed_at as date)
        group by e.exam_id""").fetchall()
    check("entries: events up to the exam", [(exam, events) for exam, events, _ in counted],
          [(exam, joined) for exam, _, joined in counted])


def growing(binary: Path, folder: Path) -> None:
    """A store that grows and is corrected between exports."""
    config = folder / "site.toml"
    settings = '[store]\npath = "store.sqlite"\n[outbox]\nfolder = "outbox"\n'
    config.write_text(settings)
    site, many = Site(binary, config), folder / "many"
    cases = ["tid1500", "two-time-points", "amended-first", "side-conflict", "not-dicom", "amended-second"]
    for case in cases:
        site.run("process", ROOT / "fixtures/sr" / case)
        site.export(many)
        check_manifest(many)
    study = json.loads(next((folder / "outbox").glob("*/result.json")).read_text())["exam"]["study_instance_uid"]
    site.run("label", study, "well", "--author", "Dr Ilse Farnwick", "--reason", "=seen, in clinic")
    site.export(many, "--part", 1)
    site.run("label", study, "raised_confirmed")
    site.export(many)
    site.run("label", study, "none")
    site.run("label", study, "well")
    site.run("pressure", study, "32", "cm[H2O]")
    site.export(many)
    patient = json.loads(next((folder / "outbox").glob("*/result.json")).read_text())["patient"]
    site.run("event", patient["id"], "2019-05-06", "shunt_revision")
    site.export(many)
    check("entries: rows of the history", len(history(many, "entries")), 6 + 2)
    check_entries(site, many)
    merged = f"{patient['issuer']}|{patient['id']}"
    site.run("patient", "merge", "--from", merged, "--into", f"{patient['issuer']}|SL-7001", "--why", "one child")
    site.export(many)
    # Other rules: values that were plausible are not any more, and reports are read again.
    config.write_text(settings + "[baseline]\nplausible_max = 5.0\n")
    site.run("process", ROOT / "fixtures/sr/tid1500")
    site.export(many)
    check("nothing new", site.export(many)[-1]["parts"], 0)
    check_manifest(many)
    check_current(many)
    check_package(many)
    check_outbox(many, folder / "outbox")
    check_entries(site, many)
    site.export(many, "--fhir")
    check_fhir(many, folder / "outbox")
    withdrawn = [row for table in TABLES for row in history(many, table) if row[-1]]
    check("some rows were withdrawn", bool(withdrawn), True)
    changed = [row for row in history(many, "objects") if row[-3] > 1]
    check("some objects were read again", bool(changed), True)
    site.export(folder / "once")
    check("entries: rows of the history at once", len(history(folder / "once", "entries")), 6 + 2)
    # What was read before of an object is not kept, nor the exam that an entry was for and the id that
    # survived, so only runs at that time know it.
    check_same("one run and many", folder / "once", many, but=("objects", "entries"))


def killed(site: Site, folder: Path, once: Path, rng: random.Random) -> None:
    """Exports cut off at random instants."""
    to, cut, parts = folder / "killed", 0, ("--part", "2")
    begin = time.monotonic()
    site.export(folder / "whole", *parts)
    whole = time.monotonic() - begin
    for _ in range(5 * KILLS):
        run = subprocess.Popen(site.command("export", "--identified", "--to", to, *parts), env=site.env,
                               stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(rng.uniform(0, whole / 2))
        run.send_signal(signal.SIGKILL)
        if run.wait() != -signal.SIGKILL:
            # It was done before: another one begins.
            shutil.rmtree(to)
            continue
        cut += 1
        if (to / "manifest.json").exists():
            check_manifest(to, current=False)
        if cut == KILLS:
            break
    check("runs that were cut off", cut, KILLS)
    site.export(to, *parts)
    check_manifest(to)
    check_current(to)
    check_same("killed and whole", once, to)


def check_fhir(folder: Path, outbox: Path) -> None:
    """Lines by the models of fhir.resources (R4B), references by the resources beside them, and the list
    by the fields of the Bulk Data Access output manifest (hl7.org/fhir/uv/bulkdata, 2.0.0)."""
    listed = json.loads((folder / "fhir/manifest.json").read_text())
    check("bulk manifest", set(listed), {"transactionTime", "request", "requiresAccessToken", "output", "deleted", "error"})
    check("bulk manifest: errors", listed["error"], [])
    datetime.fromisoformat(listed["transactionTime"])
    names, references, reports = set(), set(), set()

    def follow(value) -> None:
        if isinstance(value, dict):
            if isinstance(value.get("reference"), str):
                references.add(value["reference"])
            list(map(follow, value.values()))
        elif isinstance(value, list):
            list(map(follow, value))

    for one in listed["output"]:
        lines = (folder / "fhir" / one["url"]).read_text().splitlines()
        check("bulk manifest: count of " + one["type"], len(lines), one["count"])
        for line in lines:
            resource = json.loads(line)
            check("bulk: type", resource["resourceType"], one["type"])
            get_fhir_model_class(one["type"]).model_validate(resource)
            check("bulk: no resource twice", (name := f"{one['type']}/{resource['id']}") in names, False)
            names.add(name)
            follow(resource)
            if one["type"] == "DiagnosticReport":
                reports.add(resource["identifier"][0]["value"].split("/")[0])
    check("bulk: references lead to resources", references - names, set())
    # What a status rests on is an Observation of every exam, also of one without a width.
    types = {"Device", "DiagnosticReport", "Observation", "Patient", "Provenance"}
    check("bulk: types", {one["type"] for one in listed["output"]}, types)
    exams = {json.loads(path.read_text())["exam"]["id"] for path in outbox.glob("*/result.json")}
    held = {row["exam_id"] for row in rows_by(folder, "exams")}
    check("bulk: reports", reports, exams & held)
    patients = {(row["patient_issuer"], row["patient_id"]) for row in rows_by(folder, "exams")}
    check("bulk: patients", sum(name.startswith("Patient/") for name in names), len(patients))
    for one in manifest_of(folder)["fhir"]:
        data = (folder / one["path"]).read_bytes()
        check("manifest sha256: " + one["path"], hashlib.sha256(data).hexdigest(), one["sha256"])


def check_audit(trail: Path, folder: Path) -> None:
    """Export (110106) of the folder, valid by the grammar of DICOM PS3.15 A.5.1: history, view, FHIR."""
    grammar = etree.RelaxNG(etree.parse(ROOT / "fixtures/audit/message.rng"))
    messages = [etree.fromstring(line) for line in trail.read_text().splitlines()]
    for one in messages:
        check(f"audit grammar: {grammar.error_log}", grammar.validate(one), True)
    told = [(one.find(".//EventID").get("csd-code"),
             one.find("ParticipantObjectIdentification").get("ParticipantObjectID")) for one in messages]
    check("audit", told, [("110106", str(folder))] * 3)


def beside_the_daemon(binary: Path, folder: Path) -> None:
    """Exports one after the other while reports come in and exams are labelled; then one of everything."""
    config = folder / "site.toml"
    config.write_text('[receive.dicom]\nlisten = "127.0.0.1:0"\n[receive.folder]\npath = "drop"\nscan_every_ms = 100\nsettle_ms = 100\n'
                      '[store]\npath = "store.sqlite"\n[outbox]\nfolder = "outbox"\n')
    (folder / "drop").mkdir()
    site, many = Site(binary, config), folder / "many"
    files = corpus.make(folder / "made", REPORTS)
    with (folder / "log").open("w") as log:
        daemon = subprocess.Popen(site.command("serve"), env=site.env, stdout=log, stderr=log)
    try:
        exports, until = 0, time.monotonic() + PATIENCE
        labelled = set()

        def exams() -> list[str]:
            return sorted(path.name.removesuffix("-v1") for path in (folder / "outbox").glob("E*-v1"))

        while len(exams()) < REPORTS and time.monotonic() < until:
            if daemon.poll() is not None:
                raise SystemExit("the daemon ended: " + (folder / "log").read_text())
            # Each lot once the results of those before are there, so that exports come between.
            if len(exams()) >= REPORTS - len(files):
                part, files = files[:10], files[10:]
                for file in part:
                    shutil.copy(file, folder / "drop")
            if (folder / "store.sqlite").exists():
                done = subprocess.run(site.command("export", "--identified", "--to", many), env=site.env,
                                      capture_output=True, text=True)
                # A store that is being made is none yet.
                exports += done.returncode == 0
            for exam in [one for one in exams() if one not in labelled][:1]:
                site.run("label", exam, "well", "--yes")
                if len(labelled) % 2:
                    site.run("label", exam, "raised_ruled_out", "--yes")
                labelled.add(exam)
        check("results beside exports", len(exams()) >= REPORTS, True)
        check("labels beside exports", len(labelled) > 3, True)
        check("exports beside the daemon", exports > 3, True)
    finally:
        daemon.send_signal(signal.SIGTERM)
        daemon.wait(60)
    site.export(many)
    site.export(folder / "once")
    check("parts of exports beside the daemon", manifest_of(many)["parts"] > 3, True)
    check_manifest(many)
    check_current(many)
    check_entries(site, many)
    check_same("beside the daemon and after", folder / "once", many)


def wrong_usage(site: Site, folder: Path) -> None:
    check("without --identified", "--identified" in site.run("export", "--to", folder / "no", code=2).stderr, True)
    untold = subprocess.run(site.command("export", "--identified", "--to", folder / "no"), capture_output=True, text=True)
    check("without a trail", (untold.returncode, "[observe] audit" in untold.stderr), (2, True))
    check("nothing is written", (folder / "no").exists(), False)
    other = folder / "other"
    other.mkdir()
    (other / "mine.txt").write_text("mine")
    told = site.run("export", "--identified", "--to", other, code=2).stderr
    check("a folder that holds something else", "holds no export" in told, True)
    check("it is left alone", [path.name for path in other.iterdir() if path.name != ".lock"], ["mine.txt"])


def main() -> None:
    binary = Path(sys.argv[1]).resolve()
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else random.randrange(10**6)
    print(f"seed {seed}")
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        demo = folder / "demo"
        subprocess.run([binary, "demo", "--dir", demo], check=True, capture_output=True)
        site, once = Site(binary, demo / "demo.toml"), folder / "once"
        events = site.export(once, "--fhir")
        check("the last event", events[-1]["event"], "done")
        check_audit(demo / "audit.xml", once)
        check_manifest(once)
        check_package(once)
        check_readers(once)
        check_current(once)
        check_outbox(once, demo / "outbox")
        check_entries(site, once)
        check_fhir(once, demo / "outbox")
        wrong_usage(site, folder)
        killed(site, folder, once, random.Random(seed))
        for what in (growing, beside_the_daemon):
            (folder / what.__name__).mkdir()
            what(binary, folder / what.__name__)
    for problem in problems[:40]:
        print(problem[:2000])
    print(f"{sum(checked.values())} comparisons, {len(problems)} differences")
    sys.exit(bool(problems))


if __name__ == "__main__":
    main()
