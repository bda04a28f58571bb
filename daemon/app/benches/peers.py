"""Receives and reads the same reports with this program and with general DICOM toolkits.

    cargo build --release
    python daemon/app/benches/peers.py receive target/release/sheathline [--objects 1000] [--rounds 3]
    python daemon/app/benches/peers.py read target/release/sheathline [--objects 2000] [--rounds 5]

`receive`: one and eight associations, and one file per association, sent by `send.rs`. Ours answers
after the object is synced to the disk, and is also timed until every result is in the outbox; the
others write files and do not sync. `read`: processor time of reading all reports.

Timings drift with the machine: compare within one run. Everything is taken as the median of the
rounds, in which the receivers take turns. Peers that are not installed are left out by name:
DCMTK (`apt install dcmtk`), dicom-rs (`cargo install dicom-storescp`), pynetdicom and pydicom
(`pip install pynetdicom`).
"""

import argparse
import json
import os
import resource
import shutil
import socket
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

import corpus

ROOT = Path(__file__).resolve().parents[3]
TICKS = os.sysconf("SC_CLK_TCK")
# Nothing takes this long when it works.
PATIENCE = 600

# Heading, associations at once, files each carries (0: all of its share).
MODES = [
    ("1 association", 1, 0),
    ("8 associations", 8, 0),
    ("a file each", 1, 1),
    ("a file each x8", 8, 1),
]

CONFIG = """\
[receive.dicom]
listen = "127.0.0.1:{port}"
ae_title = "BENCH"
[store]
path = "store.sqlite"
[outbox]
folder = "outbox"
[observe]
log = "warn"
"""


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


def installed(program: str) -> str | None:
    return shutil.which(program, path=f"{os.environ['PATH']}:{Path.home() / '.cargo/bin'}")


class Receiver:
    """A running receiver with its files in a folder of its own."""

    def __init__(self, name: str, command: list[str], folder: Path, port: int, env: dict):
        self.name, self.folder, self.port = name, folder, port
        self.process = subprocess.Popen(
            command,
            cwd=folder,
            env=os.environ | env,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        until(self.listens, f"{name} to listen")

    def listens(self) -> bool:
        if self.process.poll() is not None:
            raise SystemExit(f"{self.name} ended with {self.process.returncode}")
        with socket.socket() as one:
            return one.connect_ex(("127.0.0.1", self.port)) == 0

    def cpu_seconds(self) -> float:
        """Its own processor time and that of children which have ended."""
        text = Path(f"/proc/{self.process.pid}/stat").read_text()
        fields = text.rpartition(")")[2].split()
        return sum(map(int, fields[11:15])) / TICKS

    def peak_mb(self) -> float:
        text = Path(f"/proc/{self.process.pid}/status").read_text()
        return int(text.partition("VmHWM:")[2].split()[0]) / 1024

    def halt(self) -> None:
        self.process.terminate()
        try:
            self.process.wait(30)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()

    def stop(self) -> None:
        self.halt()
        shutil.rmtree(self.folder)


def until(condition, what: str) -> None:
    start = time.monotonic()
    while not condition():
        if time.monotonic() - start > PATIENCE:
            raise SystemExit(f"waited for {what} in vain")
        time.sleep(0.01)


def start(name: str, binary: Path, place: Path, folder: Path | None = None) -> Receiver:
    """Starts a receiver in a folder of its own, or in one that it has left before."""
    folder = folder or Path(tempfile.mkdtemp(prefix="receive-", dir=place))
    port, env = free_port(), {}
    files = folder / "files"
    files.mkdir(exist_ok=True)
    if name == "sheathline":
        (folder / "sheathline.toml").write_text(CONFIG.format(port=port))
        command = [str(binary), "serve", "--config", "sheathline.toml"]
    elif name.startswith("DCMTK"):
        # Debian's build leaves Nagle's delay on, 40 ms an answer, unless told otherwise.
        env = {"TCP_NODELAY": "1"}
        options = {"DCMTK": [], "DCMTK +B": ["+B"], "DCMTK --fork": ["--fork"]}[name]
        command = ["storescp", *options, "-aet", "BENCH", "-od", str(files), str(port)]
    elif name.startswith("dicom-rs"):
        mode = ["--non-blocking"] if name.endswith("async") else []
        command = ["dicom-storescp", *mode, "-p", str(port), "-o", str(files)]
    else:
        command = [sys.executable, "-m", "pynetdicom", "storescp", str(port), "-od", str(files)]
    command[0] = installed(command[0]) or command[0]
    return Receiver(name, command, folder, port, env)


def finished(folder: Path, reports: int, after: int = 0) -> bool:
    """Whether so many objects were received after that one and are in results in the outbox."""
    base = sqlite3.connect(f"file:{folder / 'store.sqlite'}?mode=ro", uri=True, timeout=30)
    try:
        query = (
            "select (select count(*) from object where state = 'read' and id > ?),"
            " (select count(*) from dirty),"
            # As the index of them says it; else this reads a million results while it waits.
            " (select count(*) from result where published_at is null and damaged_at is null)"
        )
        return base.execute(query, (after,)).fetchone() == (reports, 0, 0)
    finally:
        base.close()


def take(name: str, mode: tuple, files: list[Path], options) -> dict[str, float]:
    """One receiver, freshly started, one way of sending."""
    _, associations, each = mode
    one = start(name, options.binary, options.place)
    try:
        command = [options.sender, f"127.0.0.1:{one.port}", "BENCH", associations, each, *files]
        begin = time.monotonic()
        sent = subprocess.run([str(part) for part in command], capture_output=True, text=True)
        if sent.returncode:
            raise SystemExit(f"{name}, {mode[0]}: {sent.stderr}")
        told = json.loads(sent.stdout)
        found = {
            "rate": told["objects"] / told["seconds"],
            "p50": told["p50_ms"],
            "p99": told["p99_ms"],
        }
        if name == "sheathline":
            # The sender reads its files first, which is not part of it.
            reading = time.monotonic() - begin - told["seconds"]
            until(lambda: finished(one.folder, len(files)), "the results")
            found["through"] = len(files) / (time.monotonic() - begin - reading)
        found["cpu"] = one.cpu_seconds() * 1000 / len(files)
        found["peak"] = one.peak_mb()
        return found
    finally:
        one.stop()


def receive(options) -> None:
    files = corpus.make(options.corpus, options.objects)
    names = ["sheathline"]
    if installed("storescp"):
        names += ["DCMTK", "DCMTK +B", "DCMTK --fork"]
    if installed("dicom-storescp"):
        names += ["dicom-rs", "dicom-rs async"]
    names.append("pynetdicom")
    print(f"{len(files)} reports, {options.rounds} rounds; objects/s (p50, p99 of an answer in ms)")
    print("| receiver | " + " | ".join(mode[0] for mode in MODES) + " | CPU ms | peak MB |")
    print("|---" * (len(MODES) + 3) + "|")
    table: dict[str, dict[str, list]] = {name: {mode[0]: [] for mode in MODES} for name in names}
    for _ in range(options.rounds):
        for mode in MODES:
            for name in names:
                # Slow by nature, and its rate does not depend on the number.
                some = files[: options.objects // 10] if name == "pynetdicom" else files
                table[name][mode[0]].append(take(name, mode, some, options))
    middle = lambda found, what: median(one[what] for one in found)
    for name, by_mode in table.items():
        cells = [
            f"{middle(found, 'rate'):.0f} ({middle(found, 'p50'):.1f}, {middle(found, 'p99'):.1f})"
            for found in by_mode.values()
        ]
        every = [one for found in by_mode.values() for one in found]
        cells += [f"{middle(every, 'cpu'):.2f}", f"{max(one['peak'] for one in every):.0f}"]
        print(f"| {name} | " + " | ".join(cells) + " |")
    cells = [f"{middle(found, 'through'):.0f}" for found in table["sheathline"].values()]
    print("| until its result is in the outbox | " + " | ".join(cells) + " | | |")
    for mode in ("1 association", "8 associations"):
        rates = {name: middle(by_mode[mode], "rate") for name, by_mode in table.items()}
        best = max((name for name in rates if name.startswith("DCMTK")), key=rates.get, default=None)
        if best:
            print(f"{mode}: {rates['sheathline'] / rates[best]:.2f} times {best}")


# Reads like its users do: every element, every item.
WALK = """
import sys, pydicom
def walk(data):
    for element in data:
        if element.VR == "SQ":
            for item in element.value:
                walk(item)
        else:
            element.value
for file in sys.argv[1:]:
    walk(pydicom.dcmread(file))
"""


def cpu_of(command: list) -> float:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([str(part) for part in command], stdout=subprocess.DEVNULL, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def read(options) -> None:
    files = corpus.make(options.corpus, options.objects)
    commands = {
        "sheathline read --json": [options.binary, "read", "--json", *files],
        "DCMTK dsrdump": [installed("dsrdump"), "-q", *files],
        "pydicom, walked": [sys.executable, "-c", WALK, *files],
    }
    taken = {name: [] for name, command in commands.items() if command[0]}
    for _ in range(options.rounds):
        for name, seconds in taken.items():
            seconds.append(cpu_of(commands[name]))
    print(f"{len(files)} reports, {options.rounds} rounds, one core")
    print("| reader | reports/s | us of a core each | ours is so many times as fast |")
    print("|---|---|---|---|")
    ours = median(taken["sheathline read --json"])
    for name, seconds in taken.items():
        one = median(seconds)
        print(f"| {name} | {len(files) / one:.0f} | {one / len(files) * 1e6:.0f} | {one / ours:.1f} |")


def build_sender() -> Path:
    command = ["cargo", "build", "--release", "--locked", "--bench", "send", "--message-format=json"]
    built = subprocess.run(command, cwd=ROOT, stdout=subprocess.PIPE, text=True, check=True)
    for line in built.stdout.splitlines():
        message = json.loads(line)
        if message.get("target", {}).get("name") == "send" and message.get("executable"):
            return Path(message["executable"])
    raise SystemExit("cargo built no sender")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=["receive", "read"])
    parser.add_argument("binary", type=lambda text: Path(text).resolve())
    parser.add_argument("--objects", type=int, default=2000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--sender", type=Path, help="built already: the benchmark `send`")
    parser.add_argument("--place", type=Path, help="where receivers write: on the disk to be measured")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.place) as folder:
        options.place = Path(folder)
        options.corpus = options.place / "corpus"
        if options.what == "receive":
            options.sender = options.sender or build_sender()
            receive(options)
        else:
            read(options)


if __name__ == "__main__":
    main()
