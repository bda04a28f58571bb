"""A full disk, and one that turns read-only: nothing is answered with success that is not kept,
the daemon lives, and goes on by itself within ten seconds of there being room again.

    full_disk.py BINARY [--long] [--seed N] [--self-test]

Small disks are tmpfs mounts (as root, or in a user namespace of its own). Where a disk is full to
the byte at the right step is left to strace: every write of the store from the n-th on fails with
ENOSPC, so that keeping, reading, assessing and marking as published each meet it.
"""

import contextlib
import os
import random
import shutil
import subprocess
import sys
import time
from contextlib import contextmanager
from functools import partial
from pathlib import Path

from harness import NOT_WRITTEN, Broken, Daemon, Ended, Site, Strace, arguments, end, noticed, send, until
from holds import check, clean_run
from sender import Report, reports

OBJECTS = reports(40)
BY_NETWORK = [one for one in OBJECTS if not one.by_folder]
BY_FOLDER = [one for one in OBJECTS if one.by_folder]
# PS3.7 C.5.8: refused, out of resources.
OUT_OF_RESOURCES = 0xA700
RESUMED_WITHIN_S = 10


@contextmanager
def disk(path: Path, size: str):
    """A file system of so many bytes at `path`."""
    path.mkdir(exist_ok=True)
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", path], check=True)
    try:
        yield path
    finally:
        subprocess.run(["umount", "-l", path], check=True)


def fill(path: Path, leave: int = 0) -> Path:
    """Takes all room but `leave` bytes; deleting the file gives it back."""
    ballast = path / "ballast"
    with open(ballast, "wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(4096))
        except OSError:
            pass
        file.truncate(max(0, file.tell() - leave))
    return ballast


def remount(path: Path, how: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{how}", path], check=True)


class Course:
    """One run: what was acknowledged, and what did not hold on the way."""

    def __init__(self, site: Site, daemon: Daemon):
        self.site, self.daemon = site, daemon
        self.acknowledged: list[Report] = []
        self.problems: list[str] = []

    def send(self, objects: list[Report], may_refuse: bool) -> int:
        """Sends once each; how many were refused."""
        answers = send(self.daemon.address, objects)
        self.acknowledged += [one for one in objects if answers.get(one.uid) == 0]
        allowed = {0, OUT_OF_RESOURCES} if may_refuse else {0}
        if odd := {f"{status:04X}" for status in answers.values() if status not in allowed}:
            self.problems.append(f"answered with {odd}")
        if len(answers) != len(objects):
            self.problems.append("an association broke")
        return sum(status != 0 for status in answers.values())

    def finish(self) -> list[str]:
        """There is room again: all goes on, and all that must hold is checked."""
        if not self.daemon.is_alive():
            return [*self.problems, f"the daemon ended\n{self.daemon.log.read_text()}"]
        start = time.monotonic()
        probe = [BY_NETWORK[0]]
        until("a success after the disk had room", lambda: self.send(probe, True) == 0, RESUMED_WITHIN_S)
        known = {one.uid for one in self.acknowledged}
        self.send([one for one in BY_NETWORK if one.uid not in known], False)
        until("the drop folder", lambda: all(map(self.site.is_done, BY_FOLDER)))
        until("the queue to drain", self.site.is_drained, RESUMED_WITHIN_S + 20)
        self.seconds = time.monotonic() - start
        if (code := self.daemon.stop()) != 0:
            self.problems.append(f"the daemon stopped with {code}")
        return self.problems + check(self.site, OBJECTS, self.acknowledged + BY_FOLDER)

    def put_files(self) -> None:
        for one in BY_FOLDER:
            self.site.put(one)


def store_full(options, leave: int) -> list[str]:
    with Site(options.binary, store="disk") as site, disk(site.folder / "disk", "8m") as small:
        course = Course(site, site.serve())
        course.send(BY_NETWORK[:5], False)
        until("the first results", site.is_drained)
        ballast = fill(small, leave)
        course.put_files()
        refused = sum(course.send(BY_NETWORK[5:], True) for _ in range(2))
        if not refused:
            course.problems.append("nothing was refused on a full disk")
        time.sleep(1)
        ballast.unlink()
        return course.finish()


def store_full_from(options, number: int, inject: str = "error=ENOSPC") -> list[str]:
    with Site(options.binary) as site:
        course = Course(site, site.serve())
        strace = Strace(course.daemon, "store", f"pwrite64:{inject}:when={number}+")
        course.put_files()
        course.send(BY_NETWORK, True)
        time.sleep(1.5)
        strace.stop()
        return course.finish()


def outbox_full(options, leave: int) -> list[str]:
    with Site(options.binary, outbox="disk/outbox") as site:
        with disk(site.folder / "disk", "4m") as small:
            ballast = fill(small, leave)
            course = Course(site, site.serve())
            course.put_files()
            course.send(BY_NETWORK, False)
            until("a failed write", lambda: course.daemon.said(*NOT_WRITTEN))
            course.send(BY_NETWORK[:3], False)
            ballast.unlink()
            return course.finish()


def log_full(options, leave: int) -> list[str]:
    with Site(options.binary) as site, disk(site.folder / "disk", "1m") as small:
        course = Course(site, site.serve(log=small / "log"))
        ballast = fill(small, leave)
        course.put_files()
        course.send(BY_NETWORK, False)
        until("the queue to drain", site.is_drained)
        ballast.unlink()
        return course.finish()


def log_full_from_the_start(options, leave: int) -> list[str]:
    """All of standard output and error goes to a full device; only the exit code speaks."""
    with Site(options.binary) as site:
        with open("/dev/full", "wb") as full:
            command = [site.binary, "serve", "--config", site.config]
            daemon = subprocess.Popen(command, stdout=full, stderr=full)
        try:
            for one in OBJECTS:
                site.put(one)
            done = site.drop / "done"
            until("the drop folder", lambda: len(list(done.glob("*.dcm"))) == len(OBJECTS), 30)
            until("the queue to drain", site.is_drained)
            daemon.terminate()
            return [] if daemon.wait(20) == 0 else [f"the daemon stopped with {daemon.returncode}"]
        finally:
            daemon.kill()
            daemon.wait()


def outbox_read_only(options, _) -> list[str]:
    with Site(options.binary) as site, disk(site.outbox, "8m") as small:
        remount(small, "ro")
        course = Course(site, site.serve())
        course.put_files()
        course.send(BY_NETWORK, False)
        until("a failed write", lambda: course.daemon.said(*NOT_WRITTEN))
        remount(small, "rw")
        return course.finish()


def outbox_without_inodes(options, _) -> list[str]:
    """Room is left, and not a single new file."""
    with Site(options.binary) as site, disk(site.outbox, "8m,nr_inodes=40") as small:
        course = Course(site, site.serve())
        ballast = small / "E-no-result"
        ballast.mkdir()
        names = iter(range(1000))
        with contextlib.suppress(OSError):
            for name in names:
                (ballast / str(name)).touch()
        course.put_files()
        course.send(BY_NETWORK, False)
        until("a failed write", lambda: course.daemon.said("outbox-unwritable"))
        shutil.rmtree(ballast)
        remount(small, "nr_inodes=100k")
        return course.finish()


def folder_read_only(options, _) -> list[str]:
    with Site(options.binary) as site, disk(site.drop, "8m") as small:
        course = Course(site, site.serve())
        course.put_files()
        remount(small, "ro")
        course.send(BY_NETWORK, False)
        time.sleep(1)
        remount(small, "rw")
        return course.finish()


def self_test(options) -> list[str]:
    """Writes that do nothing and say that they did: a success without an object."""
    found = attempt(partial(store_full_from, inject="retval=4096"), options, 30)
    return noticed("full_disk", "writes swallowed", found)


def attempt(run, options, number: int) -> list[str]:
    try:
        return run(options, number)
    except (Broken, Ended) as error:
        return [str(error)]


def main() -> int:
    options = arguments(__doc__)
    if os.geteuid() != 0:
        own = ["unshare", "--user", "--map-root-user", "--mount", sys.executable, *sys.argv]
        os.execvp(own[0], own)
    print(f"full_disk: seed {options.seed}")
    if options.self_test:
        return end("full_disk", self_test(options))
    clean_run(options.binary, OBJECTS)
    dice, problems, total = random.Random(options.seed), [], 0
    for run, numbers, few, many in (
        (store_full, range(0, 400_000), 2, 20),
        (store_full_from, range(1, 150), 5, 60),
        (outbox_full, range(0, 200_000), 1, 20),
        (log_full, range(0, 2_000), 1, 5),
        (log_full_from_the_start, range(1), 1, 1),
        (outbox_read_only, range(10), 1, 5),
        (outbox_without_inodes, range(10), 1, 5),
        (folder_read_only, range(10), 1, 5),
    ):
        drawn = sorted(dice.sample(numbers, many if options.long else few))
        for number in drawn:
            problems += [f"{run.__name__} {number}: {p}" for p in attempt(run, options, number)]
        total += len(drawn)
        print(f"full_disk: {run.__name__.replace('_', ' ')}: {drawn}", flush=True)
    print(f"full_disk: {total} full or read-only disks, {len(problems)} problems")
    return end("full_disk", problems)


if __name__ == "__main__":
    sys.exit(main())
