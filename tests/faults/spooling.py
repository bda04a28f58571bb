"""The spool: kills on the way from it into the database, a database that is away, a disk that is full.

    spooling.py BINARY [--long] [--seed N] [--self-test]

What is received goes into the spool first. SIGKILL at random instants under load, and at the calls by which
the spool writes: everything acknowledged must be in spool or database, in the database once all is
forwarded, and count as often as it was sent. While the server is away senders must be answered with success
until the spool is full, then with A700H; what waits must then go into the database faster than it came, by
itself. What is measured is printed, and judged by nobody here: timings are for benches.
"""

import contextlib
import random
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

from database import Database
from harness import Broken, Daemon, Load, Strace, arguments, end, noticed, send, until
from holds import check
from sender import reports
from served import Served

NO_SPACE = 0xA700
OBJECTS = 120
CALLS = ("pwrite64", "fdatasync", "fsync", "sendto")
QUICK = (1, 14, 50)
# The spool leaves 64 MiB of its disk free: what is beyond is soon full.
DISK = 68 << 20
LEFT = "select count(*) from waiting"


class Spooled(Served):
    """A site whose daemon takes everything into a spool first, as it does unless it is told otherwise."""

    def __init__(self, binary: Path, database: Database, spool: str = "spool.sqlite"):
        keys = f'durability = "spool"\nspool = "{spool}"\nspool_limit_mb = 1000\n'
        super().__init__(binary, database, parent=None, store=keys)
        self.spool = self.folder / spool

    def of_spool(self, sql: str) -> list[tuple]:
        base = sqlite3.connect(f"file:{self.spool}?mode=ro", uri=True, timeout=30)
        with contextlib.closing(base):
            return base.execute(sql).fetchall()

    def kept(self) -> set[bytes]:
        """What is in the spool or in the database; in that order, since objects go from one to the other."""
        spooled = {row[0] for row in self.of_spool("select body_sha256 from waiting")}
        return spooled | self.stored()

    def is_forwarded(self) -> bool:
        return self.of_spool(LEFT) == [(0,)] and self.is_drained()

    def kill(self, daemon: Daemon) -> None:
        """As 20 s ago: nobody waits until the database believes that it is gone."""
        daemon.kill()
        for table in ("owner", "member"):
            self.database.ask(f"update {table} set until = 0")

    def counted(self) -> int:
        """How often objects came, as the database has it."""
        [[times]] = self.database.ask("select coalesce(sum(repeats + 1), 0) from object")
        return int(times)


@contextlib.contextmanager
def site_of(options, spool: str = "spool.sqlite"):
    """A site with an empty database on the one server."""
    database = options.database
    database.empty()
    with Spooled(options.binary, database, spool) as site:
        yield site


def kills(options, dice: random.Random, wanted: int, counts: Counter, mischief=None) -> list[str]:
    """Kills one daemon after the other under load; `mischief` breaks what must hold."""
    objects = reports(OBJECTS)
    by_folder = [one for one in objects if one.by_folder]
    by_network = [one for one in objects if not one.by_folder]
    acknowledged, problems = [], []
    with site_of(options) as site:
        for number in range(wanted):
            daemon = site.serve()
            if lost := {one.sha256 for one in acknowledged} - site.kept():
                problems.append(f"{len(lost)} acknowledged objects are lost after a kill")
            dice.shuffle(by_network)
            load = Load(daemon.address, by_network, pause=0.005)
            for one in by_folder[number::wanted]:
                site.put(one)
            time.sleep(0.02 + dice.choice((0.1, 1.0)) * dice.random())
            site.kill(daemon)
            acknowledged += load.finish()
            acknowledged += filter(site.is_done, by_folder[number::wanted])
            [[waiting]] = site.of_spool(LEFT)
            counts["kills with objects in the spool"] += waiting > 0
        if mischief:
            mischief(site)
        daemon = site.serve()
        known = {one.uid for one in acknowledged}
        rest = [one for one in by_network if one.uid not in known]
        answers = send(daemon.address, rest)
        acknowledged += [one for one in rest if answers.get(one.uid) == 0]
        until("the drop folder", lambda: all(map(site.is_done, by_folder)))
        until("all to be forwarded", site.is_forwarded)
        if (code := daemon.stop()) != 0:
            problems.append(f"the daemon stopped with {code}")
        if site.counted() < len(acknowledged):
            problems.append("an object counts less often than it was acknowledged")
        problems += check(site, objects, acknowledged)
    counts["kills"] += wanted
    counts["acknowledgements"] += len(acknowledged)
    return problems


def at_a_call(options, call: str, number: int, mischief=None) -> tuple[bool, list[str]]:
    """Kills the daemon as a thread of spool or store enters that call for that time. Whether it came so
    far, and what does not hold."""
    first, second = [one for one in reports(8) if not one.by_folder][:2]
    answered, unanswered = 0, 0
    with site_of(options) as site:
        daemon = site.serve()
        strace = Strace(daemon, "store", f"{call}:signal=KILL:when={number}")
        try:
            for one in (first, second, first):
                statuses = send(daemon.address, [one])
                answered += statuses.get(one.uid) == 0
                unanswered += one.uid not in statuses
            if daemon.is_alive():
                until("all to be forwarded", lambda: not daemon.is_alive() or site.is_forwarded())
            was_killed = not daemon.is_alive() or daemon.stop() != 0
        finally:
            strace.stop()
        if was_killed:
            site.kill(daemon)
        problems = []
        daemon = site.serve()
        for one in (first, second):
            if send(daemon.address, [one]).get(one.uid) != 0:
                problems.append(f"{call} {number}: an object is refused after a new start")
            answered += 1
        until("all to be forwarded", site.is_forwarded)
        daemon.stop()
        if mischief:
            mischief(site)
        if not answered <= site.counted() <= answered + unanswered:
            problems.append(
                f"{call} {number}: {answered} answers, {unanswered} sent without one, and the store counts {site.counted()}"
            )
        if {first.sha256, second.sha256} != site.stored():
            problems.append(f"{call} {number}: not every object is in the store")
    return was_killed, problems


def sweep(options, counts: Counter) -> list[str]:
    problems = []
    for call in CALLS:
        for number in range(1, 1000) if options.long else QUICK:
            was_killed, found = at_a_call(options, call, number)
            counts[f"kills at {call}"] += was_killed
            problems += found
            if not was_killed or found:
                break
    return problems


@contextlib.contextmanager
def disk(folder: Path):
    """A small disk of its own."""
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={DISK}", "tmpfs", folder], check=True)
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


def away(options, counts: Counter, mischief=None) -> list[str]:
    """The server is away while senders go on, until the disk of the spool is full."""
    objects = [one for one in reports(60) if not one.by_folder]
    problems, acknowledged = [], []
    with site_of(options, "disk/spool.sqlite") as site, disk(site.folder / "disk"):
        daemon = site.serve()
        acknowledged += [one for one in objects if send(daemon.address, [one]).get(one.uid) == 0]
        until("all to be forwarded", site.is_forwarded)
        site.database.stop()
        began = time.monotonic()
        load = Load(daemon.address, objects, associations=4, pause=0)
        until("the forwarder to tell", lambda: daemon.said("spool-not-forwarded"))
        until("the spool to be full", lambda: load.refused, 180)
        seconds = time.monotonic() - began
        before = len(acknowledged)
        acknowledged += load.finish()
        came = len(acknowledged) - before
        codes = {status for _, status in load.refused}
        if codes != {NO_SPACE}:
            problems.append(f"refused with {[hex(code) for code in codes]}, and not with A700H")
        [[waiting]] = site.of_spool(LEFT)
        if waiting != came:
            problems.append(f"{came} acknowledged while the server was away, {waiting} in the spool")
        status = subprocess.run(
            [site.binary, "status", "--config", site.config], capture_output=True, text=True
        )
        if f"{waiting} objects wait" not in status.stdout + status.stderr:
            problems.append(f"status does not tell what waits: {status.stdout}{status.stderr}")
        if mischief:
            mischief(site)
        site.database.start()
        until("the database to take something", lambda: site.of_spool(LEFT)[0][0] < waiting)
        [[left]], back = site.of_spool(LEFT), time.monotonic()
        until("the spool to be empty", lambda: site.of_spool(LEFT) == [(0,)], 300)
        drained = time.monotonic() - back
        counts["objects a second came while the server was away"] = round(came / seconds)
        counts["objects a second forwarded after that"] = round(left / max(drained, 0.001))
        if set(send(daemon.address, objects[:1]).values()) != {0}:
            problems.append("an object is refused though there is room again")
        acknowledged += objects[:1]
        until("all to be forwarded", site.is_forwarded)
        if site.counted() != len(acknowledged):
            problems.append(f"{len(acknowledged)} acknowledged, the database counts {site.counted()}")
        daemon.stop()
        problems += check(site, objects, acknowledged)
    return problems


def a_row_gone(site: Spooled) -> None:
    """As if its commit had not been on the disk when it was answered, or it had gone before its time."""
    with contextlib.closing(sqlite3.connect(site.spool)) as base, base:
        base.execute("delete from waiting where number = (select max(number) from waiting)")
    site.database.ask("delete from object where id = (select max(id) from object)")


def waits_no_more(site: Spooled) -> None:
    """As if one object had not been on the disk when it was answered."""
    with contextlib.closing(sqlite3.connect(site.spool, timeout=30)) as base, base:
        base.execute("delete from waiting where number = (select max(number) from waiting)")


def counted_twice(site: Spooled) -> None:
    """As if it had been forwarded again and again, more often than anything was sent without an answer."""
    site.database.ask("update object set repeats = repeats + 9 where id = (select min(id) from object)")


def self_test(options) -> list[str]:
    dice = random.Random(options.seed)
    problems = noticed("spooling", "a row gone", kills(options, dice, 2, Counter(), a_row_gone))
    problems += noticed("spooling", "an answer without a row", away(options, Counter(), waits_no_more))
    found = at_a_call(options, "pwrite64", 12, counted_twice)[1]
    return problems + noticed("spooling", "an object counted twice", found)


def all_of(options) -> list[str]:
    dice, counts = random.Random(options.seed), Counter()
    problems = kills(options, dice, 200 if options.long else 4, counts)
    problems += sweep(options, counts)
    try:
        problems += away(options, counts)
    except subprocess.CalledProcessError:
        raise Broken("a small disk needs the right to mount") from None
    print("spooling: " + ", ".join(f"{count} {what}" for what, count in counts.items()))
    return problems


def main() -> int:
    options = arguments(__doc__)
    print(f"spooling: seed {options.seed}")
    with Database() as options.database:
        return end("spooling", self_test(options) if options.self_test else all_of(options))


if __name__ == "__main__":
    sys.exit(main())
