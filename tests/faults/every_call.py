"""SIGKILL at every state-changing system call of an object's life, one run for each call.

    every_call.py BINARY [--long] [--seed N] [--self-test]

strace kills the daemon as it enters the k-th call, for k = 1, 2, … until a run ends without a
kill. It counts for each thread alone, so the threads that change something are swept one by one:
the start on nothing, the start on a store of the first shape (migration), the thread of the
store, the thread that publishes, and the drop folder with moving and with deleting. After each
kill the daemon starts again, the sender repeats what was not acknowledged, and all that must
hold is checked. The quick form takes every seventh of the many writes into the store's file, and
every one of the rest.
"""

import sqlite3
import sys
import zlib
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial

from harness import (
    MEMORY,
    Broken,
    Daemon,
    Ended,
    Site,
    Strace,
    arguments,
    end,
    noticed,
    send,
    until,
)
from holds import check, clean_run
from sender import EXPLICIT_LITTLE, ROOT, report

AT_ONCE = 6
QUICK_STEP = 7
NETWORK, FOLDER = report(0), report(7)
OBJECTS = [NETWORK, FOLDER]
CALLS_OF_START = ("openat", "write", "pwrite64", "fsync", "ftruncate", "mkdir", "unlink", "renameat2")
CALLS_OF_STORE = ("pwrite64", "fsync", "fdatasync", "ftruncate", "unlink", "openat")
CALLS_OF_PUBLISHING = ("mkdir", "openat", "write", "fsync", "renameat2", "rmdir", "unlinkat")
CALLS_OF_FOLDER = ("renameat2", "unlink")


def at_start(inject: str, site: Site) -> tuple[bool, list]:
    """Starts and stops under strace. Whether it was killed, and what was acknowledged."""
    strace = ["strace", "-f", "-o", "/dev/null", "-e", f"inject={inject}", "-e", "signal=none"]
    try:
        daemon = site.serve(under=strace)
    except Ended as ended:
        if ended.code != -9:
            raise
        return True, []
    return stopped(daemon) == -9, []


def in_work(thread: str, inject: str, site: Site) -> tuple[bool, list]:
    """Sends, drops a file and stops, with strace at the threads of this name."""
    daemon = site.serve()
    strace = Strace(daemon, thread, inject)
    try:
        answers = send(daemon.address, [NETWORK])
        acknowledged = [NETWORK] if answers.get(NETWORK.uid) == 0 else []
        site.put(FOLDER)
        until("the drop folder", lambda: not dropped(site) or not daemon.is_alive())
        code = stopped(daemon)
    finally:
        strace.stop()
    if not dropped(site):
        acknowledged.append(FOLDER)
    if code not in (0, -9):
        raise Broken(f"the daemon ended with {code}\n{daemon.log.read_text()}")
    return code == -9, acknowledged


def stopped(daemon: Daemon) -> int:
    """Asks it to stop, unless it is dead; how it ended."""
    try:
        return daemon.stop()
    except ProcessLookupError:
        return daemon.process.wait()


def dropped(site: Site) -> list[str]:
    """Files in the drop folder, hidden ones as well."""
    return [entry.name for entry in site.drop.iterdir() if entry.is_file()]


def deleting(site: Site) -> None:
    text = site.config.read_text()
    site.config.write_text(text.replace("settle_ms", 'after = "delete"\nsettle_ms'))


def first_shape(site: Site) -> None:
    """A store of the first shape with an object that nobody has read yet."""
    schema = (ROOT / "daemon/store/src/schema/001.sql").read_text()
    with sqlite3.connect(site.store) as base:
        base.execute("pragma journal_mode = wal")
        base.executescript(schema)
        base.execute("pragma application_id = 0x53484c4e")
        base.execute("pragma user_version = 1")
        base.execute(
            "insert into object (body, body_bytes, body_sha256, transfer_syntax, source,"
            " default_issuer, received_at) values (?, ?, ?, ?, 'dicom:SENDER', '', ?)",
            (
                zlib.compress(NETWORK.data_set),
                len(NETWORK.data_set),
                NETWORK.sha256,
                EXPLICIT_LITTLE,
                "2026-01-01T00:00:00.000000Z",
            ),
        )
    base.close()


def one(options, prepare: Callable, act: Callable, inject: str) -> tuple[bool, list[str]]:
    """One run and its recovery: whether there was a kill, and what does not hold after it."""
    with Site(options.binary, MEMORY, settle=0) as site:
        prepare(site)
        try:
            was_killed, acknowledged = act(inject, site)
            daemon = site.serve()
            if NETWORK not in acknowledged:
                acknowledged += [NETWORK] if send(daemon.address, [NETWORK]) else []
            if FOLDER not in acknowledged and not dropped(site):
                site.put(FOLDER)
            until("the drop folder", lambda: not dropped(site))
            if (code := daemon.stop()) != 0:
                raise Broken(f"the daemon stopped with {code}\n{daemon.log.read_text()}")
            problems = check(site, OBJECTS, acknowledged)
        except (Broken, Ended) as error:
            return True, [f"{inject}: {error}"]
        return was_killed, [f"{inject}: {problem}" for problem in problems]


def sweep(options, pool, what: str, call: str, prepare: Callable, act: Callable, step: int):
    """Kills at each `step`-th call until a run has no kill. Returns the kills, and problems."""
    kills, problems, number = 0, [], 1
    while not problems:
        numbers = range(number, number + step * AT_ONCE, step)
        injected = [f"{call}:signal=KILL:when={k}" for k in numbers]
        runs = list(pool.map(partial(one, options, prepare, act), injected))
        kills += sum(was_killed for was_killed, _ in runs)
        problems += [f"{what}: {problem}" for _, found in runs for problem in found]
        if not all(was_killed for was_killed, _ in runs):
            break
        number = numbers[-1] + step
    return kills, problems


def as_made(site: Site) -> None:
    """A new site."""


SWEEPS = (
    ("start on nothing", CALLS_OF_START, as_made, at_start),
    ("start with migration", CALLS_OF_START, first_shape, at_start),
    ("store", CALLS_OF_STORE, as_made, partial(in_work, "store")),
    ("publishing", CALLS_OF_PUBLISHING, as_made, partial(in_work, "pipeline")),
    ("folder, moving", CALLS_OF_FOLDER, as_made, partial(in_work, "tokio-rt-worker")),
    ("folder, deleting", CALLS_OF_FOLDER, deleting, partial(in_work, "tokio-rt-worker")),
)


def self_test(options) -> list[str]:
    """Calls that do nothing and say that they did."""
    problems = []
    for thread, swallowed in (("pipeline", "renameat2:retval=0"), ("store", "pwrite64:retval=4096")):
        _, found = one(options, as_made, partial(in_work, thread), swallowed)
        problems += noticed("every_call", f"{thread} with {swallowed}", found)
    return problems


def main() -> int:
    options = arguments(__doc__)
    print(f"every_call: seed {options.seed} (nothing is drawn)")
    if options.self_test:
        return end("every_call", self_test(options))
    clean_run(options.binary, OBJECTS)
    problems, total = [], 0
    with ThreadPoolExecutor(AT_ONCE) as pool:
        for what, calls, prepare, act in SWEEPS:
            counts = {}
            for call in calls:
                step = 1 if options.long or call != "pwrite64" else QUICK_STEP
                counts[call], found = sweep(options, pool, what, call, prepare, act, step)
                problems += found
            total += sum(counts.values())
            print(f"every_call: {what}: kills at {counts}", flush=True)
    print(f"every_call: {total} kills, {len(problems)} problems")
    return end("every_call", problems)


if __name__ == "__main__":
    sys.exit(main())
