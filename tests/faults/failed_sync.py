"""A failed sync or write: no success for what it carried, the daemon stops and says why, recovers.

    failed_sync.py BINARY [--long] [--seed N] [--self-test]

strace makes the k-th fsync of the thread of the store fail with EIO, for k over a load that is
long enough to bring the log over into the file; or its k-th write, or all from the k-th on with
EROFS, as a disk that turned read-only. What Linux does after a failed sync is known:
it may mark the pages clean, and the next sync succeeds (PostgreSQL's note on data_sync_retry). So
the daemon has to stop, with exit code 74 and a reason, and to check its store at the next start.
A failed sync in the outbox is no doubt about the store: the result is written anew.
"""

import random
import sys
from functools import partial
from subprocess import TimeoutExpired

from harness import (
    NOT_WRITTEN,
    PATIENCE,
    Broken,
    Ended,
    Load,
    Site,
    Strace,
    arguments,
    end,
    noticed,
    send,
    until,
)
from holds import check, clean_run
from sender import reports

OBJECTS = reports(120)
BY_NETWORK = [one for one in OBJECTS if not one.by_folder]
BY_FOLDER = [one for one in OBJECTS if one.by_folder]
EX_IOERR = 74


def in_store(options, inject: str, file: str | None = None, patience=PATIENCE) -> list[str]:
    """Load, one failed sync in the store, a start after it."""
    with Site(options.binary) as site:
        daemon = site.serve()
        path = (site.folder / file).resolve() if file else None
        strace = Strace(daemon, "store", inject, path=path)
        # Pauses, so that there are many commits and not a few large ones.
        load = Load(daemon.address, BY_NETWORK, pause=0.005)
        for one in BY_FOLDER:
            site.put(one)
        try:
            code = daemon.process.wait(patience)
        except TimeoutExpired:
            code = None
        acknowledged = load.finish()
        strace.stop()
        problems = []
        if code is None:
            problems.append("a sync failed and the daemon went on")
            daemon.kill()
        elif code != EX_IOERR:
            problems.append(f"the daemon ended with {code} and not with {EX_IOERR}")
        if load.after_refusal or (code is not None and not load.refused):
            problems.append(f"{load.after_refusal} successes after the failure")
        if not daemon.said("store-in-doubt"):
            problems.append("nothing says why")
        if code is not None and not (site.folder / "store.sqlite.doubt").exists():
            problems.append("nothing is left for the next start")
        acknowledged += filter(site.is_done, BY_FOLDER)
        problems += recovered(site, acknowledged, "store-verified" if code is not None else None)
        return [f"{file or 'store'} {inject}: {problem}" for problem in problems]


def recovered(site: Site, acknowledged: list, says: str | None) -> list[str]:
    """Starts again, sends the rest, and checks everything."""
    daemon = site.serve()
    known = {one.uid for one in acknowledged}
    rest = [one for one in BY_NETWORK if one.uid not in known]
    answers = send(daemon.address, rest)
    acknowledged = acknowledged + [one for one in rest if answers.get(one.uid) == 0]
    for one in BY_FOLDER:
        if not site.is_done(one) and not (site.drop / f"{one.uid}.dcm").exists():
            site.put(one)
    until("the drop folder", lambda: all(map(site.is_done, BY_FOLDER)))
    until("the queue to drain", site.is_drained)
    problems = [] if not says or daemon.said(says) else [f"the next start does not say {says}"]
    if (code := daemon.stop()) != 0:
        problems.append(f"the daemon stopped with {code}")
    return problems + check(site, OBJECTS, acknowledged)


def in_outbox(options, inject: str) -> list[str]:
    """A failed sync while results are written: the daemon lives and writes them again. Of those
    that write, the first is made to fail; it writes its share of the results."""
    with Site(options.binary) as site:
        daemon = site.serve()
        strace = Strace(daemon, "pipeline", inject)
        answers = send(daemon.address, BY_NETWORK)
        acknowledged = [one for one in BY_NETWORK if answers.get(one.uid) == 0]
        until("a failed sync", lambda: daemon.said(*NOT_WRITTEN) or not daemon.is_alive(), 15)
        strace.stop()
        problems = [] if daemon.is_alive() else ["the daemon ended"]
        until("the queue to drain", site.is_drained)
        daemon.stop()
        problems += recovered(site, acknowledged, None)
        return [f"outbox {inject}: {problem}" for problem in problems]


def self_test(options) -> list[str]:
    """A daemon to which a failed sync looks like a good one."""
    try:
        found = in_store(options, "fsync:retval=0:when=3", patience=15)
        return noticed("failed_sync", "a failure hidden", found)
    except (Broken, Ended) as error:
        return noticed("failed_sync", "a failure hidden", [str(error)])


def main() -> int:
    options = arguments(__doc__)
    print(f"failed_sync: seed {options.seed}")
    if options.self_test:
        return end("failed_sync", self_test(options))
    clean_run(options.binary, OBJECTS)
    dice, problems = random.Random(options.seed), []

    def some(many: range, few: int) -> list[int]:
        return list(many) if options.long else sorted(dice.sample(many, few))

    # Syncs of the file itself are those that bring the log over into it.
    into_file = partial(in_store, file="store.sqlite")
    over = (1, 2, 3) if options.long else (1,)
    # Writes of commits. That the number of one cannot be noted in the lock file ends nothing.
    into_log = partial(in_store, file="store.sqlite-wal")
    total = 0
    for name, run, inject, numbers in (
        ("sync of the store", in_store, "fsync:error=EIO:when={}", some(range(1, 61), 4)),
        ("sync of log into file", into_file, "fsync:error=EIO:when={}", over),
        ("sync of the outbox", in_outbox, "fsync:error=EIO:when={}", some(range(1, 21), 3)),
        ("write of the store", into_log, "pwrite64:error=EIO:when={}", some(range(1, 21), 1)),
        ("read-only store", in_store, "pwrite64:error=EROFS:when={}+", some(range(21, 41), 1)),
    ):
        for number in numbers:
            try:
                problems += run(options, inject.format(number))
            except (Broken, Ended) as error:
                problems.append(f"{name} at {number}: {error}")
        total += len(numbers)
        print(f"failed_sync: {name}: failed at {list(numbers)}", flush=True)
    print(f"failed_sync: {total} failures, {len(problems)} problems")
    return end("failed_sync", problems)


if __name__ == "__main__":
    sys.exit(main())
