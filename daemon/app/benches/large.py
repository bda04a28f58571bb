"""Whether a store that has grown large is ready as soon and as fast as an empty one.

    cargo build --release
    python daemon/app/benches/large.py target/release/sheathline [--exams 1000 100000 1000000]

A thousand exams go through the program. Then their rows are copied within the store under other
patients and identifiers, which takes minutes instead of hours; the copies are never read again by
the program unless their patient gets another exam. 10^6 exams take about 15 GB of disk. The stores
take turns, so that they are measured under the same load of the machine.
"""

import argparse
import json
import sqlite3
import subprocess
import tempfile
import time
from pathlib import Path
from statistics import median

import corpus
from peers import build_sender, finished, start, until

SEEDS = 1000
# What must differ between an exam and its copies, and how.
OTHER = {
    "sop_instance_uid": "sop_instance_uid || '.' || ?1",
    "study_instance_uid": "study_instance_uid || '.' || ?1",
    "patient_id": "patient_id || '-' || ?1",
    "exam_id": "exam_id || 'c' || ?1",
    "key": "key || '-' || ?1",
    "body_sha256": "randomblob(32)",
}


def copy_rows(store: Path, exams: int) -> None:
    """Copies all rows until there are so many exams."""
    base = sqlite3.connect(store, isolation_level=None)
    base.executescript("pragma journal_mode = off; pragma synchronous = off; pragma cache_size = -2000000")
    base.execute("begin")
    for table in ("object", "result"):
        columns = [row[1] for row in base.execute(f"pragma table_info({table})") if row[1] != "id"]
        values = [OTHER.get(column, column) for column in columns]
        last = base.execute(f"select max(id) from {table}").fetchone()[0]
        for number in range(1, exams // SEEDS):
            base.execute(
                f"insert into {table} ({', '.join(columns)}) select {', '.join(values)}"
                f" from {table} where id <= {last}",
                (number,),
            )
    base.execute("commit")
    base.execute("pragma journal_mode = wal")
    base.close()


def last_object(store: Path) -> int:
    """So that waiting for the results does not count a million rows again and again."""
    base = sqlite3.connect(store)
    try:
        return base.execute("select max(id) from object").fetchone()[0]
    finally:
        base.close()


def send(options, receiver, files: list[Path]) -> float:
    """Objects acknowledged a second over eight associations."""
    command = [options.sender, f"127.0.0.1:{receiver.port}", "BENCH", 8, 0, *files]
    sent = subprocess.run([str(part) for part in command], capture_output=True, text=True, check=True)
    told = json.loads(sent.stdout)
    return told["objects"] / told["seconds"]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("binary", type=lambda text: Path(text).resolve())
    parser.add_argument("--exams", type=int, nargs="+", default=[1000, 100_000, 1_000_000])
    parser.add_argument("--objects", type=int, default=1000, help="sent in each round")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--place", type=Path, help="on the disk to be measured")
    parser.add_argument("--sender", type=Path, help="built already: the benchmark `send`")
    options = parser.parse_args()
    options.sender = options.sender or build_sender()
    with tempfile.TemporaryDirectory(dir=options.place) as folder:
        place = Path(folder)
        files = corpus.make(place / "corpus", SEEDS + options.rounds * options.objects)
        kept: dict[int, Path] = {}
        for exams in options.exams:
            receiver = start("sheathline", options.binary, place)
            send(options, receiver, files[:SEEDS])
            until(lambda: finished(receiver.folder, SEEDS), "the results")
            receiver.halt()
            copy_rows(receiver.folder / "store.sqlite", exams)
            kept[exams] = receiver.folder
        found = {exams: {"ready": [], "rate": [], "through": [], "peak": []} for exams in kept}
        for turn in range(options.rounds):
            for exams, folder in kept.items():
                some = files[SEEDS + turn * options.objects :][: options.objects]
                before = last_object(folder / "store.sqlite")
                begin = time.monotonic()
                receiver = start("sheathline", options.binary, place, folder)
                one = found[exams]
                one["ready"].append(time.monotonic() - begin)
                begin = time.monotonic()
                one["rate"].append(send(options, receiver, some))
                until(lambda: finished(folder, len(some), before), "the results")
                one["through"].append(len(some) / (time.monotonic() - begin))
                one["peak"].append(receiver.peak_mb())
                receiver.halt()
        print(f"{options.objects} reports a round, {options.rounds} rounds, 8 associations")
        print("| exams | MB | ready s | acknowledged/s | results/s | peak MB |")
        print("|---|---|---|---|---|---|")
        for exams, one in found.items():
            size = (kept[exams] / "store.sqlite").stat().st_size >> 20
            cells = [f"{median(one['ready']):.2f}", f"{median(one['rate']):.0f}"]
            cells += [f"{median(one['through']):.0f}", f"{max(one['peak']):.0f}"]
            print(f"| {exams} | {size} | " + " | ".join(cells) + " |")


if __name__ == "__main__":
    main()
