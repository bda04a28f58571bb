"""One daemon on its own file beside one and three on a PostgreSQL: rate, answers, processor time.

    cargo build --release
    python daemon/app/benches/several.py target/release/sheathline [--objects 3000] [--rounds 3]

The same reports over eight associations, a third of them to each daemon where there are three (no balancer:
its time is not ours). `acknowledged`: until the last answer; `results`: until all are in the outbox. CPU seconds
are those of all daemons, and of the database apart, for 1,000 reports. All of them
carry sheath values, which is far more than in life. The kinds take turns.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from statistics import median

import corpus
from peers import TICKS, build_sender, until

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "tests" / "faults"))

from harness import Site  # noqa: E402
from several import Several  # noqa: E402

ASSOCIATIONS = 9
# Heading, daemons, durability; none: on a file of its own.
KINDS = [
    ("one daemon, file", 0, None),
    ("one daemon, server, spool", 1, "spool"),
    ("one daemon, server, cluster", 1, "cluster"),
    ("three daemons, server, spool", 3, "spool"),
]


def cpu_s(pid: int) -> float:
    """Its own processor time and that of children which have ended."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return sum(map(int, fields[11:15])) / TICKS


def send(options, daemons: list, files: list[Path]) -> list[dict]:
    """What the sender told of each daemon's share."""

    def share(which: int) -> dict:
        host, port = daemons[which].address
        each = ASSOCIATIONS // len(daemons)
        command = [options.sender, f"{host}:{port}", "SHEATHLINE", each, 0, *files[which :: len(daemons)]]
        done = subprocess.run([str(part) for part in command], capture_output=True, text=True, check=True)
        return json.loads(done.stdout)

    with ThreadPoolExecutor(len(daemons)) as pool:
        return list(pool.map(share, range(len(daemons))))


def read(site, wanted: int) -> bool:
    """Whether so many objects have come in and all results are out."""
    query = "select count(*) from object where state = 'read'"
    return site.read(lambda base: base.execute(query).fetchone()[0]) == wanted and site.is_drained()


def take(options, kind: tuple, files: list[Path]) -> dict[str, float]:
    _, count, durability = kind
    if count:
        site = Several(options.binary, count, durability, durable=True, parent=options.place)
    else:
        site = Site(options.binary, options.place)
    with site:
        if count:
            # Without triggers, which would be measured too.
            site.begin(watched=False)
            daemons = site.daemons
        else:
            daemons = [site.serve()]
        pids = [daemon.pid for daemon in daemons]
        before = sum(map(cpu_s, pids))
        before_of_server = sum(map(cpu_s, site.database.pids())) if count else 0.0
        begin = time.monotonic()
        told = send(options, daemons, files)
        acknowledged = time.monotonic() - begin
        until(lambda: read(site, len(files)), "the results")
        through = time.monotonic() - begin
        # A connection's process ends with its connection, and its time goes to its parent then.
        of_server = sum(map(cpu_s, site.database.pids())) - before_of_server if count else 0.0
        return {
            "rate": len(files) / max(one["seconds"] for one in told),
            "p50": median(one["p50_ms"] for one in told),
            "p99": max(one["p99_ms"] for one in told),
            "through": len(files) / through,
            "cpu": (sum(map(cpu_s, pids)) - before) * 1000 / len(files),
            "database": of_server * 1000 / len(files),
            "answered": acknowledged,
        }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("binary", type=lambda text: Path(text).resolve())
    parser.add_argument("--objects", type=int, default=3000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--place", type=Path, help="on the disk to be measured")
    parser.add_argument("--sender", type=Path, help="built already: the benchmark `send`")
    options = parser.parse_args()
    options.sender = options.sender or build_sender()
    with tempfile.TemporaryDirectory(dir=options.place) as folder:
        files = corpus.make(Path(folder) / "corpus", options.objects)
        found: dict[str, list[dict]] = {kind[0]: [] for kind in KINDS}
        for _ in range(options.rounds):
            for kind in KINDS:
                found[kind[0]].append(take(options, kind, files))
    print(f"{options.objects} reports, {options.rounds} rounds, {ASSOCIATIONS} associations, {os.cpu_count()} cores")
    print("| | acknowledged/s | p50 ms | p99 ms | results/s | CPU s per 1,000 | of the database |")
    print("|---|---|---|---|---|---|---|")
    for name, rounds in found.items():
        middle = {what: median(one[what] for one in rounds) for what in rounds[0]}
        cells = [f"{middle['rate']:.0f}", f"{middle['p50']:.1f}", f"{middle['p99']:.1f}"]
        cells += [f"{middle['through']:.0f}", f"{middle['cpu']:.2f}", f"{middle['database']:.2f}"]
        print(f"| {name} | " + " | ".join(cells) + " |")


if __name__ == "__main__":
    main()
