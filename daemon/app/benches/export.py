"""Time and memory of exporting a large store.

    cargo build --release
    python daemon/app/benches/export.py target/release/sheathline [--exams 100000 1000000]

A thousand exams go through the program. Then their rows are copied within the store under other
patients, exams and identifiers, in their contents too, with keys and hashes that fit: to the export a
copy is as sound as what it was copied from. Bodies are left out, since an export does not read them; a
million exams take about 22 GB, tables included. The export is timed, and its highest memory is VmHWM
of the process; then a thousand exams more, for a run that only adds.
"""

import argparse
import hashlib
import json
import os
import resource
import sqlite3
import subprocess
import tempfile
import time
from pathlib import Path

import corpus

SEEDS = 1000
SETTINGS = '[store]\npath = "store.sqlite"\n[outbox]\nfolder = "outbox"\n[observe]\naudit = "audit.xml"\n'


def seeds(binary: Path, folder: Path) -> None:
    corpus.make(folder / "corpus", SEEDS)
    config = folder / "site.toml"
    config.write_text(SETTINGS)
    command = [binary, "process", "--json", "--config", config, folder / "corpus"]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


def copied(text: str, number: int) -> str:
    """Other patients, exams and reports, in names of the same length."""
    text = text.replace("BENCH-", f"B{number:05d}-")
    text = text.replace('"2.25.7', f'"2.25.{number + 1000}7').replace(" 2.25.7", f" 2.25.{number + 1000}7")
    return text.replace('"E', f'"E{number:05x}')


def copy_rows(store: Path, first: int, last: int) -> None:
    base = sqlite3.connect(store, isolation_level=None)
    base.executescript("pragma journal_mode = off; pragma synchronous = off; pragma cache_size = -500000")
    base.execute("begin")
    objects = base.execute("select * from object where id <= ?", (SEEDS,)).fetchall()
    names = [one[1] for one in base.execute("pragma table_info(object)")]
    at = {name: number for number, name in enumerate(names)}
    results = base.execute(
        "select exam_id, version, key, content, why, supersedes, created_at, published_at, patient_issuer, patient_id"
        " from result where id <= (select max(id) from result where patient_id like 'BENCH-%')").fetchall()
    insert = f"insert into object ({', '.join(names[1:])}) values ({', '.join('?' * (len(names) - 1))})"
    for number in range(first, last):
        for row in objects:
            row = list(row)
            row[at["body"]] = b""
            for name in ("sop_instance_uid", "study_instance_uid"):
                row[at[name]] = copied('"' + row[at[name]], number)[1:]
            row[at["patient_id"]] = copied(row[at["patient_id"]], number)
            row[at["reading"]] = copied(row[at["reading"]], number)
            row[at["reading_sha256"]] = hashlib.sha256(row[at["reading"]].encode()).digest()
            row[at["body_sha256"]] = os.urandom(32)
            new = base.execute(insert, row[1:]).lastrowid
            base.execute("insert into reading_change (object_id, version, read_at) values (?, 1, ?)",
                         (new, row[at["received_at"]]))
        for exam, version, _, content, why, supersedes, created, published, issuer, patient in results:
            content = copied(content, number)
            exam = json.loads(copied(json.dumps(exam), number))
            key = hashlib.sha256(content.encode()).hexdigest()[:32]
            base.execute(
                "insert into result (exam_id, version, key, content, why, supersedes, created_at, published_at,"
                " patient_issuer, patient_id) values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (exam, version, key, content, why, supersedes, created, published, issuer, copied(patient, number)))
    base.execute("commit")
    base.execute("pragma journal_mode = wal")
    base.close()


def export(binary: Path, folder: Path) -> dict:
    """Seconds, of these by the processor, highest memory in MB, and what the program says of its run."""
    command = [binary, "export", "--identified", "--json", "--config", folder / "site.toml", "--to", folder / "tables"]
    begin, before = time.monotonic(), resource.getrusage(resource.RUSAGE_CHILDREN)
    run = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    peak = 0
    while run.poll() is None:
        try:
            status = Path(f"/proc/{run.pid}/status").read_text()
            peak = max(peak, *(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmHWM")), 0)
        except (OSError, TypeError):
            pass
        time.sleep(0.05)
    seconds, after = time.monotonic() - begin, resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    if run.returncode:
        raise SystemExit("the export failed")
    done = json.loads(run.stdout.read().splitlines()[-1])
    return {"seconds": seconds, "cpu": cpu, "peak": peak / 1024, **done}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("binary", type=lambda text: Path(text).resolve())
    parser.add_argument("--exams", type=int, nargs="+", default=[1000, 100_000, 1_000_000])
    parser.add_argument("--place", type=Path, help="on the disk to be measured")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.place) as place:
        folder = Path(place)
        seeds(options.binary, folder)
        copies = 1
        print("| exams | store MB | run | seconds | processor s | peak MB | parts | rows added | rows that hold | files MB |")
        print("|---|---|---|---|---|---|---|---|---|---|")

        def show(exams: int, what: str) -> None:
            one = export(options.binary, folder)
            if one["damaged"]:
                raise SystemExit("copies that are not sound measure nothing")
            store = (folder / "store.sqlite").stat().st_size >> 20
            files = sum(path.stat().st_size for path in (folder / "tables").rglob("*") if path.is_file()) >> 20
            print(f"| {exams} | {store} | {what} | {one['seconds']:.1f} | {one['cpu']:.1f} | {one['peak']:.0f} | {one['parts']} "
                  f"| {one['rows']} | {one['current_rows']} | {files} |", flush=True)

        for exams in options.exams:
            copy_rows(folder / "store.sqlite", copies, exams // SEEDS)
            copies = max(copies, exams // SEEDS)
            subprocess.run(["rm", "-rf", folder / "tables"], check=True)
            show(exams, "first")
            copy_rows(folder / "store.sqlite", copies, copies + 1)
            copies += 1
            show(exams + SEEDS, "1000 exams more")


if __name__ == "__main__":
    main()
