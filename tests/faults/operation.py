"""A second daemon on one store, a stop under load, a start after a kill, a slow disk.

    operation.py BINARY [--long] [--seed N] [--self-test]

A second daemon has to refuse and name the first. SIGTERM under load has to end in order, with
nothing lost. A large store must not make a start after a kill slow. On a disk where every sync takes long the senders have to wait, not to fail, and
memory must not grow with the wait.
"""

import os
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

from harness import PATIENCE, Load, Site, Strace, arguments, attempt, end, noticed, send, until
from holds import check
from sender import reports

REFUSED_WITHIN_S = 2
READY_WITHIN_S = 2
STOPPED_WITHIN_S = 10
SLOWEST_ANSWER_S = 30
MEMORY_MORE_MB = 64


def second_daemon(options, under: tuple = ()) -> list[str]:
    objects = reports(10)
    with Site(options.binary) as site:
        daemon = site.serve()
        problems, fastest = [], float("inf")
        command = [*under, site.binary, "serve", "--config", site.config]
        for _ in range(3):
            start = time.monotonic()
            second = subprocess.Popen(
                command, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True, start_new_session=True
            )
            try:
                _, said = second.communicate(timeout=5)
            except subprocess.TimeoutExpired:
                # With all that runs under it.
                os.killpg(second.pid, signal.SIGKILL)
                second.communicate()
                return ["two daemons on one store"]
            fastest = min(fastest, time.monotonic() - start)
            if second.returncode == 0 or f"process {daemon.pid}" not in said:
                problems.append(f"ended with {second.returncode}: {said}")
        if fastest > REFUSED_WITHIN_S:
            problems.append(f"refused after {fastest:.1f} s")
        print(f"operation: a second daemon is refused after {fastest:.2f} s", flush=True)
        answers = send(daemon.address, [one for one in objects if not one.by_folder])
        for one in objects:
            if one.by_folder:
                site.put(one)
        until("the drop folder", lambda: not list(site.drop.glob("*.dcm")))
        daemon.stop()
        if any(answers.values()):
            problems.append(f"the first one answers {answers}")
        return problems + check(site, objects, objects)


def stop_under_load(options, count: int, within: float = STOPPED_WITHIN_S, frozen=False) -> list[str]:
    objects = reports(count)
    by_network = [one for one in objects if not one.by_folder]
    by_folder = [one for one in objects if one.by_folder]
    with Site(options.binary) as site:
        daemon = site.serve()
        for one in by_folder:
            site.put(one)
        load = Load(daemon.address, by_network, pause=0)
        until("half of the load", lambda: len(load.acknowledged) >= len(by_network) // 2)
        if frozen:
            os.kill(daemon.pid, signal.SIGSTOP)
        start = time.monotonic()
        code = daemon.stop(within)
        seconds = time.monotonic() - start
        acknowledged = load.finish() + list(filter(site.is_done, by_folder))
        problems = [] if code == 0 else [f"the daemon stopped with {code}"]
        if load.refused:
            problems.append(f"{len(load.refused)} refused while it stopped")
        if left := list(site.outbox.glob(".partial-*")):
            problems.append(f"left in the outbox by an orderly stop: {left[0].name}")
        print(
            f"operation: SIGTERM under load: stopped after {seconds:.1f} s, "
            f"{len(acknowledged)} acknowledged before",
            flush=True,
        )
        daemon = site.serve()
        known = {one.uid for one in acknowledged}
        rest = [one for one in by_network if one.uid not in known]
        answers = send(daemon.address, rest)
        acknowledged += [one for one in rest if answers.get(one.uid) == 0]
        # A debug build reads and publishes some dozen objects a second on a busy machine.
        patience = PATIENCE + count / 10
        until("the drop folder", lambda: all(map(site.is_done, by_folder)), patience)
        until("the queue to drain", site.is_drained, patience)
        daemon.stop()
        return problems + check(site, objects, acknowledged)


def peak_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in status if line.startswith("VmHWM:"))


def slow_disk(options, count: int, inject: str = "fsync:delay_exit=200000") -> list[str]:
    objects = reports(count)
    by_network = [one for one in objects if not one.by_folder]
    by_folder = [one for one in objects if one.by_folder]
    with Site(options.binary) as site:
        daemon = site.serve()
        before = peak_mb(daemon.pid)
        strace = Strace(daemon, "store", inject)
        for one in by_folder:
            site.put(one)
        load = Load(daemon.address, by_network, pause=0, again=False)
        acknowledged = load.wait()
        problems = []
        if daemon.said("store-in-doubt"):
            return [f"the daemon ended with {daemon.process.wait(20)}"]
        more = peak_mb(daemon.pid) - before
        if load.refused or len(acknowledged) != len(by_network):
            problems.append(f"{len(load.refused)} refused, {len(acknowledged)} acknowledged")
        if load.slowest > SLOWEST_ANSWER_S:
            problems.append(f"an answer took {load.slowest:.1f} s")
        if more > MEMORY_MORE_MB:
            problems.append(f"{more:.0f} MB more memory")
        print(
            f"operation: slow disk: {len(acknowledged)} objects, slowest answer "
            f"{load.slowest:.1f} s, {more:.0f} MB more memory",
            flush=True,
        )
        until("the drop folder", lambda: all(map(site.is_done, by_folder)))
        strace.stop()
        until("the queue to drain", site.is_drained)
        daemon.stop()
        return problems + check(site, objects, acknowledged + by_folder)


def ready_again(options, count: int) -> list[str]:
    """Killed under load with many objects in the store; the seconds until it listens again."""
    objects = [one for one in reports(200) if not one.by_folder]
    with Site(options.binary) as site:
        site.serve().stop()
        with sqlite3.connect(site.store) as base:
            base.executemany(
                "insert into object (body, body_bytes, body_sha256, transfer_syntax, source,"
                " default_issuer, received_at, state, sop_instance_uid, disposition, reading)"
                " values (randomblob(2000), 2000, randomblob(32), '1.2', 'dicom:SENDER', '',"
                " '2026-01-01T00:00:00.000000Z', 'read', ?, 'no_sheath_measurement', '{}')",
                ((f"2.25.4{number}",) for number in range(count)),
            )
        base.close()
        seconds = []
        daemon = site.serve()
        for _ in range(3):
            load = Load(daemon.address, objects, pause=0)
            time.sleep(1)
            daemon.kill()
            load.finish()
            daemon = site.serve()
            seconds.append(daemon.seconds_to_listen)
        daemon.stop()
        print(f"operation: {count} objects: ready {max(seconds):.2f} s after a kill", flush=True)
        return [f"ready after {min(seconds):.1f} s"] if min(seconds) > READY_WITHIN_S else []


def self_test(options) -> list[str]:
    no_lock = ("strace", "-f", "-o", "/dev/null", "-e", "inject=flock:retval=0")
    problems = noticed("operation", "a lock that does not lock", attempt(second_daemon, options, no_lock))
    frozen = attempt(stop_under_load, options, 200, within=2, frozen=True)
    problems += noticed("operation", "a daemon that does not stop", frozen)
    failing = attempt(slow_disk, options, 80, inject="fsync:error=EIO:when=2")
    return problems + noticed("operation", "a sync that fails and is not slow", failing)


def main() -> int:
    options = arguments(__doc__)
    print(f"operation: seed {options.seed} (nothing is drawn)")
    if options.self_test:
        return end("operation", self_test(options))
    problems = attempt(second_daemon, options)
    problems += attempt(stop_under_load, options, 8000 if options.long else 1000)
    problems += attempt(ready_again, options, 100_000 if options.long else 10_000)
    problems += attempt(slow_disk, options, 2000 if options.long else 200)
    print(f"operation: {len(problems)} problems")
    return end("operation", problems)


if __name__ == "__main__":
    sys.exit(main())
