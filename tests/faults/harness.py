"""What the fault harnesses share: a site of its own, the daemon in it, strace at it, and a load.

Every harness is a program: `NAME.py BINARY [--long] [--seed N] [--self-test]`. It prints its seed
and its counts, and exits 1 when anything that must hold did not. With `--self-test` it runs
against a daemon or a store that was broken on purpose, and exits 1 unless it notices.
"""

import argparse
import copy
import json
import os
import random
import shutil
import signal
import socket
import sqlite3
import subprocess
import tempfile
import threading
import time
from pathlib import Path

from sender import Association, Refused, Report

CONFIG = """\
[receive.dicom]
listen = "127.0.0.1:0"
[receive.folder]
path = "drop"
scan_every_ms = 100
settle_ms = {settle}
[store]
path = "{store}/store.sqlite"
[outbox]
folder = "{outbox}"
[observe]
log = "info"
log_format = "json"
"""

# Nothing waits this long when it works; long enough for a loaded machine.
PATIENCE = 90


# Where nothing depends on a disk: no waiting for syncs.
MEMORY = Path("/dev/shm") if Path("/dev/shm").is_dir() else None

# What the log says where results cannot be written, one of them or none at all.
NOT_WRITTEN = ("outbox-unwritable", "result-not-written")


class Broken(Exception):
    """Something that must hold did not."""


def until(what: str, holds, patience: float = PATIENCE) -> float:
    """Waits until `holds()`; returns the seconds it took."""
    start = time.monotonic()
    while not holds():
        if time.monotonic() - start > patience:
            raise Broken(f"waited more than {patience:.0f} s for {what}")
        time.sleep(0.01)
    return time.monotonic() - start


class Daemon:
    """A running `serve`, alone or under another program that runs it."""

    def __init__(self, site: "Site", under: list[str] = (), env: dict = {}, log: Path | None = None):
        self.log = log or site.folder / f"log-{site.starts}"
        site.starts += 1
        start = time.monotonic()
        with open(self.log, "wb") as out:
            self.process = subprocess.Popen(
                [*under, site.binary, "serve", "--config", site.config],
                stdout=out,
                stderr=subprocess.STDOUT,
                env={**os.environ, **env},
                start_new_session=True,
            )
        site.daemons.append(self)
        self.address = None
        while self.address is None:
            for event in self.events():
                if event.get("code") == "listening":
                    host, _, port = event["address"].rpartition(":")
                    self.address = (host, int(port))
            if self.address is None:
                if self.process.poll() is not None:
                    raise Ended(self.process.returncode, self.log.read_text())
                if time.monotonic() - start > PATIENCE:
                    raise Broken(f"the daemon does not listen\n{self.log.read_text()}")
                time.sleep(0.005)
        self.seconds_to_listen = time.monotonic() - start
        self.pid = site.pid_of(self)

    def events(self) -> list[dict]:
        """What the log says so far; a last line that is cut off or not JSON is left out."""
        told = []
        for line in self.log.read_bytes().splitlines():
            try:
                told.append(json.loads(line)["fields"])
            except (ValueError, KeyError, TypeError):
                pass
        return told

    def said(self, *codes: str) -> bool:
        return any(event.get("code") in codes for event in self.events())

    def is_alive(self) -> bool:
        return self.process.poll() is None

    def threads(self, name: str) -> list[int]:
        """Ids of the daemon's threads of this name."""
        found = []
        for task in Path(f"/proc/{self.pid}/task").iterdir():
            try:
                if (task / "comm").read_text().strip() == name:
                    found.append(int(task.name))
            except OSError:
                pass  # ended meanwhile
        return found

    def kill(self) -> None:
        try:
            os.kill(self.pid, signal.SIGKILL)
        except ProcessLookupError:
            pass
        self.process.wait(PATIENCE)

    def stop(self, patience: float = PATIENCE) -> int:
        os.kill(self.pid, signal.SIGTERM)
        try:
            return self.process.wait(patience)
        except subprocess.TimeoutExpired:
            raise Broken(f"no stop within {patience} s\n{self.log.read_text()}") from None


class Strace:
    """strace at the threads of this name in a running daemon, and at threads they start."""

    def __init__(self, daemon: Daemon, name: str, inject: str, path: Path | None = None):
        until(f"a thread called {name}", lambda: daemon.threads(name))
        threads = daemon.threads(name)
        command = ["strace", "-o", "/dev/null", "-e", "signal=none", "-e", f"inject={inject}"]
        command += ["-P", str(path)] if path else []
        # Where there are several they come and go: all threads of the process, with new ones.
        command += ["-p", str(threads[0])] if len(threads) == 1 else ["-f", "-p", str(daemon.pid)]
        self.process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
        line = self.process.stderr.readline()
        if "attached" not in line:
            raise Broken(f"strace did not attach: {line}")
        threading.Thread(target=self.process.stderr.read, daemon=True).start()

    def stop(self) -> None:
        """Lets go of the threads; what was injected ends here."""
        self.process.terminate()
        self.process.wait()


class Ended(Exception):
    """The daemon ended before it listened."""

    def __init__(self, code: int, text: str):
        super().__init__(f"the daemon ended with {code} before it listened\n{text}")
        self.code, self.text = code, text


class Site:
    """A folder with a configuration, a store, a drop folder and an outbox."""

    def __init__(self, binary: Path, parent: Path | None = None, store=".", outbox="outbox", settle=100):
        self.binary = binary
        self.folder = Path(tempfile.mkdtemp(prefix="faults-", dir=parent))
        self.config = self.folder / "site.toml"
        self.config.write_text(CONFIG.format(store=store, outbox=outbox, settle=settle))
        self.drop = self.folder / "drop"
        self.drop.mkdir()
        self.store = self.folder / store / "store.sqlite"
        self.outbox = self.folder / outbox
        self.daemons: list[Daemon] = []
        self.starts = 0

    def __enter__(self):
        return self

    def __exit__(self, *_):
        for daemon in self.daemons:
            if daemon.is_alive():
                daemon.kill()
        shutil.rmtree(self.folder, ignore_errors=True)

    def moved(self, folder: Path) -> "Site":
        """The same site, found in another place."""
        other = copy.copy(self)
        for name in ("config", "drop", "store", "outbox"):
            setattr(other, name, folder / getattr(self, name).relative_to(self.folder))
        other.folder, other.daemons = folder, []
        return other

    def serve(self, **how) -> Daemon:
        return Daemon(self, **how)

    def pid_of(self, _: Daemon) -> int:
        """What a daemon was started under has another pid."""
        return int(self.store.with_name("store.sqlite.lock").read_text().split()[0])

    def process(self, *paths: Path) -> dict:
        """`process` over the files, then the sum of everything."""
        reports = sum(1 for path in paths for _ in path.iterdir())
        folder = self.folder / "nothing"
        folder.mkdir(exist_ok=True)
        command = [self.binary, "process", "--json", "--config", self.config, *(paths or [folder])]
        done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE * 4 + reports / 10)
        if done.returncode != 0:
            raise Broken(f"process ended with {done.returncode}: {done.stdout}{done.stderr}")
        return json.loads(done.stdout)["sum"]

    def put(self, one: Report) -> None:
        """Into the drop folder, renamed in."""
        part = self.drop / f".{one.uid}"
        part.write_bytes(one.file)
        part.rename(self.drop / f"{one.uid}.dcm")

    def is_done(self, one: Report) -> bool:
        return (self.drop / "done" / f"{one.uid}.dcm").exists()

    def stored(self) -> set[bytes]:
        """SHA-256 of every object in the store, which may be in use."""
        return self.read(lambda base: {row[0] for row in base.execute("select body_sha256 from object")})

    def is_drained(self) -> bool:
        """Nothing waits to be read, assessed or published."""
        return self.read(waiting) == 0

    def read(self, work):
        base = sqlite3.connect(f"file:{self.store}?mode=ro", uri=True, timeout=30)
        try:
            return work(base)
        except sqlite3.DatabaseError as error:
            raise Broken(f"the store cannot be read: {error}") from None
        finally:
            base.close()


    def unsound(self) -> str | None:
        """What the database finds wrong in its own file."""
        sound = self.read(lambda base: base.execute("pragma integrity_check").fetchone()[0])
        return None if sound == "ok" else sound


def waiting(base) -> int:
    return base.execute(
        "select (select count(*) from object where state = 'received')"
        " + (select count(*) from dirty)"
        " + (select count(*) from result where published_at is null)"
    ).fetchone()[0]


def send(address, objects: list[Report], patience: float = 60) -> dict[str, int]:
    """Over one association; statuses by UID, as far as answers came."""
    statuses = {}
    try:
        with Association(address, sorted({one.sop_class for one in objects}), patience) as peer:
            for one in objects:
                statuses[one.uid] = peer.store(one)
            peer.release()
    except (OSError, Refused):
        pass
    return statuses


class Load:
    """Associations that send until told to stop, or until all is acknowledged and `again` is off.

    `address` may be a function that says where to now. With `stay` each sender makes an association after
    the other, of that many objects at least and at most.
    """

    def __init__(self, address, todo: list[Report], associations=8, pause=0.02, again=True, stay=None):
        self.todo, self.again, self.pause = todo, again, pause
        self.acknowledged: list[Report] = []
        self.refused: list[tuple[Report, int]] = []
        # Associations that were begun; why some of them did not end in order.
        self.associations, self.lost = 0, []
        # Connections that were refused: nothing had begun.
        self.turned_away = 0
        self.slowest = 0.0
        # Successes to what was sent after somebody had been refused.
        self.after_refusal = 0
        self._next, self._mutex, self._stop = 0, threading.Lock(), threading.Event()
        classes = sorted({one.sop_class for one in todo})
        where = address if callable(address) else lambda: address
        self.threads = [
            threading.Thread(target=self._send, args=(where, classes, stay), daemon=True)
            for _ in range(associations)
        ]
        for thread in self.threads:
            thread.start()

    def _take(self) -> Report | None:
        with self._mutex:
            if self._next >= len(self.todo) and not self.again:
                return None
            self._next += 1
            return self.todo[(self._next - 1) % len(self.todo)]

    def _send(self, where, classes, stay) -> None:
        while not self._stop.is_set():
            try:
                over = socket.create_connection(where(), 60)
            except OSError:
                with self._mutex:
                    self.turned_away += 1
                if stay is None:
                    return
                time.sleep(0.01)
                continue
            try:
                with self._mutex:
                    self.associations += 1
                with Association(None, classes, over=over) as peer:
                    left = random.randint(*stay) if stay else -1
                    while left and not self._stop.is_set() and (one := self._take()):
                        self._store(peer, one)
                        left -= 1
                    peer.release()
            except (OSError, Refused) as error:
                with self._mutex:
                    self.lost.append(f"{type(error).__name__}: {error}")
            if stay is None:
                return

    def _store(self, peer: Association, one: Report) -> None:
        start, was_refused = time.monotonic(), bool(self.refused)
        status = peer.store(one)
        with self._mutex:
            self.after_refusal += was_refused and status == 0
            self.slowest = max(self.slowest, time.monotonic() - start)
            if status == 0:
                self.acknowledged.append(one)
            else:
                self.refused.append((one, status))
        if self.pause:
            time.sleep(self.pause)

    def finish(self) -> list[Report]:
        """Waits for the senders; what was acknowledged, with repeats."""
        self._stop.set()
        return self.wait()

    def wait(self) -> list[Report]:
        for thread in self.threads:
            thread.join(PATIENCE)
        return self.acknowledged


def arguments(doc: str, more=None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=doc.splitlines()[0])
    parser.add_argument("binary", type=lambda text: Path(text).resolve())
    parser.add_argument("--long", action="store_true", help="the long form")
    parser.add_argument("--self-test", action="store_true", help="does it notice what is broken?")
    parser.add_argument("--seed", type=int, default=random.SystemRandom().randrange(10**6))
    if more:
        more(parser)
    return parser.parse_args()


def attempt(run, *how, **more) -> list[str]:
    """What is wrong after it; what it cannot get over is a problem too."""
    try:
        return [f"{run.__name__}: {problem}" for problem in run(*how, **more)]
    except (Broken, Ended) as error:
        return [f"{run.__name__}: {error}"]


def end(name: str, problems: list[str]) -> int:
    for problem in problems[:20]:
        print(f"{name}: {problem}")
    return 1 if problems else 0


def noticed(name: str, what: str, problems: list[str]) -> list[str]:
    """For self-tests: problems are wanted."""
    if problems:
        print(f"{name}: {what}: noticed ({problems[0][:160]})")
        return []
    return [f"{what}: NOT noticed"]
