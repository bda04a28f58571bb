"""A power cut at random instants, on ext4 and xfs: what was acknowledged is on the disk.

    power_cut.py BINARY [--cuts N] [--long] [--seed N] [--self-test]

The disk is a loop-mounted image that lies on an xfs with reflinks. A cut stops the daemon, notes
what was acknowledged, and clones the image, which is atomic: the clone holds what was pushed to
the block layer, and nothing of what only the page cache knew. The clone is mounted (its journal
is replayed) and the daemon started on it. ext4 alone would forgive a missing sync of a folder, so
both are tried. Needs root and loop devices.

The self-test does the same with syncs switched off by libeatmydata: that must lose objects.
"""

import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from contextlib import ExitStack, contextmanager
from pathlib import Path

from harness import Broken, Ended, Load, Site, arguments, end, noticed, send, until
from holds import check, clean_run
from sender import reports

OBJECTS = reports(120)
BY_NETWORK = [one for one in OBJECTS if not one.by_folder]
BY_FOLDER = [one for one in OBJECTS if one.by_folder]
FILE_SYSTEMS = {
    "ext4": (["mkfs.ext4", "-q", "-F"], "loop"),
    # A clone has the identity of its original, which xfs does not mount twice without being told.
    "xfs": (["mkfs.xfs", "-q"], "loop,nouuid"),
}


@contextmanager
def mounted(image: Path, path: Path, how: str):
    path.mkdir(exist_ok=True)
    subprocess.run(["mount", "-o", how, image, path], check=True)
    try:
        yield path
    finally:
        subprocess.run(["umount", path], check=True)


@contextmanager
def ground():
    """An xfs with reflinks, on which images can be cloned at once."""
    with tempfile.TemporaryDirectory(prefix="faults-cut-") as name, ExitStack() as stack:
        image = Path(name) / "ground.img"
        with open(image, "wb") as file:
            file.truncate(2 << 30)
        subprocess.run(["mkfs.xfs", "-q", "-m", "reflink=1", image], check=True)
        yield stack.enter_context(mounted(image, Path(name) / "ground", "loop"))


def cut(options, base: Path, kind: str, dice: random.Random, counts: Counter, env: dict) -> list[str]:
    """One cut on one file system; what does not hold after it."""
    make, how = FILE_SYSTEMS[kind]
    disk, clone = base / "disk.img", base / "clone.img"
    with open(disk, "wb") as file:
        file.truncate(320 << 20)
    subprocess.run([*make, disk], check=True)
    with mounted(disk, base / "disk", how) as path, Site(options.binary, path) as site:
        # The folder made for the test is none of the daemon's to sync.
        os.sync()
        daemon = site.serve(env=env)
        load = Load(daemon.address, dice.sample(BY_NETWORK, len(BY_NETWORK)), again=False)
        for one in BY_FOLDER:
            site.put(one)
        os.sync()
        if dice.random() < 0.5:
            time.sleep(0.05 + dice.random())
        else:
            # Results are made in the pauses of a load.
            time.sleep(0.2)
            load.finish()
            until("the first result", site.outbox.exists)
            time.sleep(0.4 * dice.random())
        os.kill(daemon.pid, signal.SIGSTOP)
        acknowledged = list(load.acknowledged) + [one for one in BY_FOLDER if site.is_done(one)]
        subprocess.run(["cp", "--reflink=always", disk, clone], check=True)
        daemon.kill()
        load.finish()
    with mounted(clone, base / "clone", how) as path, site.moved(path / site.folder.name) as after:
        counts["acknowledged"] += len(acknowledged)
        counts["half results"] += any(after.outbox.glob(".partial-*"))
        try:
            daemon = after.serve()
            lost = {one.sha256 for one in acknowledged} - after.stored()
            counts["lost"] += len(lost)
            counts["cuts that lost"] += bool(lost)
            known = {one.uid for one in acknowledged}
            rest = [one for one in BY_NETWORK if one.uid not in known]
            answers = send(daemon.address, rest)
            acknowledged += [one for one in rest if answers.get(one.uid) == 0]
            for one in BY_FOLDER:
                if not after.is_done(one) and not (after.drop / f"{one.uid}.dcm").exists():
                    after.put(one)
            until("the drop folder", lambda: all(map(after.is_done, BY_FOLDER)))
            until("the queue to drain", after.is_drained)
            if (code := daemon.stop()) != 0:
                raise Broken(f"the daemon stopped with {code}")
            acknowledged += [one for one in BY_FOLDER if one.uid not in known]
            return check(after, OBJECTS, acknowledged)
        except (Broken, Ended) as error:
            counts["cuts that lost"] += 1
            return [str(error)]


def cuts(options, dice: random.Random, kind: str, number: int, env: dict) -> tuple[Counter, list[str]]:
    counts, problems = Counter(), []
    with ground() as base:
        for n in range(number):
            problems += [f"{kind}, cut {n}: {p}" for p in cut(options, base, kind, dice, counts, env)]
    print(
        f"power_cut: {kind}: {number} cuts, {counts['acknowledged']} acknowledged, "
        f"{counts['lost']} lost, {counts['half results']} cuts in a half result",
        flush=True,
    )
    return counts, problems


def self_test(options) -> list[str]:
    library = "libeatmydata.so"
    found = subprocess.run(["sh", "-c", f"ls /usr/lib/*/{library}"], capture_output=True, text=True)
    if found.returncode != 0:
        return ["eatmydata is not installed; ./.ci/setup installs it"]
    number, dice, problems = options.cuts or 3, random.Random(options.seed), []
    for kind in FILE_SYSTEMS:
        counts, found_problems = cuts(options, dice, kind, number, {"LD_PRELOAD": found.stdout.strip()})
        # Now and then the system writes everything by itself just before a cut: of a few cuts, one
        # must lose something, of many nine in ten.
        if counts["cuts that lost"] < (number * 9 // 10 if number >= 10 else 1):
            found_problems = []
        problems += noticed("power_cut", f"{kind} without syncs", found_problems)
    return problems


def main() -> int:
    options = arguments(__doc__, lambda parser: parser.add_argument("--cuts", type=int))
    print(f"power_cut: seed {options.seed}")
    missing = [tool for tool in ("mkfs.xfs", "mkfs.ext4", "mount") if not shutil.which(tool)]
    if os.geteuid() != 0 or missing or not Path("/dev/loop-control").exists():
        why = f"needs root, loop devices and mkfs.xfs, mkfs.ext4 (missing: {missing})"
        print(f"power_cut: NOT RUN: {why}")
        return 1 if os.environ.get("CI") else 0
    if options.self_test:
        return end("power_cut", self_test(options))
    clean_run(options.binary, OBJECTS)
    dice, problems = random.Random(options.seed), []
    for kind in FILE_SYSTEMS:
        number = options.cuts or ((300 if kind == "ext4" else 100) if options.long else 3)
        problems += cuts(options, dice, kind, number, {})[1]
    return end("power_cut", problems)


if __name__ == "__main__":
    sys.exit(main())
