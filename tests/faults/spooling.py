"""The spool: kills on the way from it into the store, a store that takes nothing, a disk that is full.

    spooling.py BINARY [--long] [--seed N] [--self-test]

What is received goes into the spool first. SIGKILL at random instants under load, and at the calls by which
spool and store write: everything acknowledged must be in one of the two, in the store once all is forwarded,
and count as often as it was sent. While the store is held by somebody else senders must be answered with
success until the spool is full, then with A700H, and what waits must be forwarded at least ten times as fast as
it came.
"""

import contextlib
import random
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

from harness import Broken, Load, Site, Strace, arguments, end, noticed, send, until
from holds import check
from sender import reports

NO_SPACE = 0xA700
OBJECTS = 120
CALLS = ("pwrite64", "fdatasync", "fsync")
QUICK_STEP = 9
# The spool leaves 64 MiB of its disk free: what is beyond is soon full.
DISK = 70 << 20
TIMES_AS_FAST = 10
LEFT = "select count(*) from waiting"


class Spooled(Site):
    """A site whose daemon takes everything into a spool first."""

    def __init__(self, binary: Path, spool: str = "spool.sqlite"):
        super().__init__(binary)
        keys = f'durability = "spool"\nspool = "{spool}"\nspool_limit_mb = 1000\n'
        self.config.write_text(self.config.read_text().replace("[outbox]", f"{keys}[outbox]"))
        self.spool = self.folder / spool

    def of_spool(self, sql: str) -> list[tuple]:
        base = sqlite3.connect(f"file:{self.spool}?mode=ro", uri=True, timeout=30)
        with contextlib.closing(base):
            return base.execute(sql).fetchall()

    def kept(self) -> set[bytes]:
        """What is in the spool or in the store; in that order, since objects go from one to the other."""
        spooled = {row[0] for row in self.of_spool("select body_sha256 from waiting")}
        return spooled | self.stored()

    def is_forwarded(self) -> bool:
        return self.of_spool("select count(*) from waiting") == [(0,)] and self.is_drained()

    def counted(self) -> int:
        """How often objects came, as the store has it."""
        return self.read(lambda base: base.execute("select sum(repeats + 1) from object").fetchone()[0] or 0)


def kills(options, dice: random.Random, wanted: int, counts: Counter, mischief=None) -> list[str]:
    """Kills one daemon after the other under load; `mischief` breaks what must hold."""
    objects = reports(OBJECTS)
    by_folder = [one for one in objects if one.by_folder]
    by_network = [one for one in objects if not one.by_folder]
    acknowledged, problems = [], []
    with Spooled(options.binary) as site:
        for number in range(wanted):
            daemon = site.serve()
            if lost := {one.sha256 for one in acknowledged} - site.kept():
                problems.append(f"{len(lost)} acknowledged objects are lost after a kill")
            dice.shuffle(by_network)
            load = Load(daemon.address, by_network, pause=0.005)
            for one in by_folder[number::wanted]:
                site.put(one)
            time.sleep(0.02 + dice.choice((0.1, 1.0)) * dice.random())
            daemon.kill()
            acknowledged += load.finish()
            acknowledged += filter(site.is_done, by_folder[number::wanted])
            waiting = site.of_spool("select count(*) from waiting")[0][0]
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
    with Spooled(options.binary) as site:
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
        if was_killed and daemon.is_alive():
            daemon.kill()
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
        number, was_killed = 1, True
        while was_killed and not problems and number < 1000:
            was_killed, problems = at_a_call(options, call, number)
            counts[f"kills at {call}"] += was_killed
            number += QUICK_STEP if not options.long else 1
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


@contextlib.contextmanager
def held(site: Site):
    """Somebody else has the store, and nobody can write there."""
    base = sqlite3.connect(site.store, timeout=30, isolation_level=None)
    base.execute("begin immediate")
    try:
        yield
    finally:
        base.execute("rollback")
        base.close()


def away(options, counts: Counter) -> list[str]:
    """The store takes nothing while senders go on, until the disk of the spool is full."""
    objects = [one for one in reports(60) if not one.by_folder]
    problems, acknowledged = [], []
    with Spooled(options.binary, "disk/spool.sqlite") as site, disk(site.folder / "disk"):
        daemon = site.serve()
        with held(site):
            began = time.monotonic()
            # The answers of one sender after the other: how fast objects come.
            load = Load(daemon.address, objects, associations=2, pause=0.05)
            until("the forwarder to tell", lambda: daemon.said("spool-not-forwarded"))
            until("the spool to be full", lambda: load.refused, 180)
            seconds = time.monotonic() - began
            acknowledged += load.finish()
            codes = {status for _, status in load.refused}
            if codes != {NO_SPACE}:
                problems.append(f"refused with {[hex(code) for code in codes]}, and not with A700H")
            waiting = site.of_spool("select count(*) from waiting")[0][0]
            if waiting != len(acknowledged):
                problems.append(f"{len(acknowledged)} acknowledged, {waiting} in the spool")
            status = subprocess.run(
                [site.binary, "status", "--config", site.config], capture_output=True, text=True
            )
            if "nothing is forwarded to the store" not in status.stdout + status.stderr:
                problems.append("status does not tell that nothing is forwarded")
        until("the store to take something", lambda: site.of_spool(LEFT)[0][0] < waiting)
        left, back = site.of_spool(LEFT)[0][0], time.monotonic()
        until("the spool to be empty", lambda: site.of_spool(LEFT) == [(0,)], 300)
        drained = time.monotonic() - back
        arrival, rate = len(acknowledged) / seconds, left / drained
        counts["arrived a second"], counts["forwarded a second"] = round(arrival), round(rate)
        if rate < TIMES_AS_FAST * arrival:
            problems.append(f"{rate:.0f} objects a second forwarded, {arrival:.0f} came")
        answers = send(daemon.address, objects[:1])
        if set(answers.values()) != {0}:
            problems.append("an object is refused though there is room again")
        acknowledged += objects[:1]
        until("all to be forwarded", site.is_forwarded)
        if site.counted() != len(acknowledged):
            problems.append(f"{len(acknowledged)} acknowledged, the store counts {site.counted()}")
        daemon.stop()
        problems += check(site, objects, acknowledged)
    return problems


def a_row_gone(site: Spooled) -> None:
    """As if its commit had not been on the disk when it was answered, or it had gone before its time."""
    with contextlib.closing(sqlite3.connect(site.spool)) as base, base:
        base.execute("delete from waiting")
    with contextlib.closing(sqlite3.connect(site.store)) as base, base:
        base.execute("delete from object where id = (select max(id) from object)")


def counted_twice(site: Spooled) -> None:
    """As if it had been forwarded once more."""
    with contextlib.closing(sqlite3.connect(site.store)) as base, base:
        base.execute("update object set repeats = repeats + 2 where id = (select min(id) from object)")


def self_test(options) -> list[str]:
    dice = random.Random(options.seed)
    problems = noticed("spooling", "a row gone", kills(options, dice, 2, Counter(), a_row_gone))
    found = at_a_call(options, "pwrite64", 12, counted_twice)[1]
    return problems + noticed("spooling", "an object counted twice", found)


def main() -> int:
    options = arguments(__doc__)
    print(f"spooling: seed {options.seed}")
    if options.self_test:
        return end("spooling", self_test(options))
    dice, counts = random.Random(options.seed), Counter()
    problems = kills(options, dice, 200 if options.long else 12, counts)
    problems += sweep(options, counts)
    try:
        problems += away(options, counts)
    except subprocess.CalledProcessError:
        raise Broken("a small disk needs the right to mount") from None
    print("spooling: " + ", ".join(f"{count} {what}" for what, count in counts.items()))
    return end("spooling", problems)


if __name__ == "__main__":
    sys.exit(main())
