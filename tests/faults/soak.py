"""Many reports through one daemon: memory and descriptors must not grow with their number.

    soak.py BINARY [--objects N] [--seed N] [--self-test]

Reports come in waves, each over associations of its own and with a pause until all of it is in
results. Between waves resident memory and open descriptors are read. At the end memory may be at
most 16 MiB over that after the first tenth, and no descriptors may be left open. Times of answers are
printed and not judged.
"""

import sys
import time
from collections import Counter
from pathlib import Path

from harness import Broken, Daemon, Load, Site, arguments, attempt, end, noticed, until
from holds import check
from sender import Association, reports

WAVE = 100
MORE_MB = 16
# Four connections that read the store are opened when several are wanted at once, and kept: two
# descriptors each. A closed one may keep its own while others are open (POSIX locks; from memory).
MORE_DESCRIPTORS = {"store": 12, "other": 8}
# Less than the daemon's own limit for idle associations.
CLOSED_WITHIN_S = 20


def resident_mb(daemon: Daemon) -> float:
    status = Path(f"/proc/{daemon.pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in status if line.startswith("VmRSS:"))


def descriptors(daemon: Daemon) -> Counter:
    """How many are open: `store` on files of the store, `other` on anything else."""
    count = Counter()
    for one in Path(f"/proc/{daemon.pid}/fd").iterdir():
        try:
            count["store" if "store.sqlite" in str(one.readlink()) else "other"] += 1
        except FileNotFoundError:
            pass
    return count


def soak(options, count: int, held: int = 0) -> list[str]:
    """`held`: associations that each wave leaves open, as a receiver that leaks would."""
    objects = reports(count)
    waves = [objects[start : start + WAVE] for start in range(0, count, WAVE)]
    left, memory, opened, slowest, rates = [], [], [], [], []
    with Site(options.binary) as site:
        daemon = site.serve()
        acknowledged = []
        for wave in waves:
            start = time.monotonic()
            for one in wave:
                if one.by_folder:
                    site.put(one)
            by_network = [one for one in wave if not one.by_folder]
            load = Load(daemon.address, by_network, pause=0, again=False)
            acknowledged += load.wait()
            if load.refused or len(load.acknowledged) != len(by_network):
                return [f"{len(load.refused)} refused of a wave, {len(load.acknowledged)} taken"]
            for _ in range(held):
                left.append(Association(daemon.address, [wave[0].sop_class]))
            acknowledged += [one for one in wave if one.by_folder]
            until("a wave in the drop folder", lambda: all(site.is_done(one) for one in wave if one.by_folder))
            until("a wave in results", site.is_drained)
            rates.append(len(wave) / (time.monotonic() - start))
            slowest.append(load.slowest)
            memory.append(resident_mb(daemon))
            opened.append(descriptors(daemon))
        tenth = max(len(waves) // 10, 1)
        print(
            f"soak: {count} reports; resident {memory[tenth - 1]:.1f} MB after a tenth, "
            f"{max(memory):.1f} at most, {memory[-1]:.1f} at the end; "
            f"slowest answer of the first tenth {max(slowest[:tenth]) * 1000:.0f} ms, of the last "
            f"{max(slowest[-tenth:]) * 1000:.0f} ms; {min(rates):.0f} to {max(rates):.0f} reports/s",
            flush=True,
        )
        problems = []
        # The last connections may still be closing.
        for of, more in MORE_DESCRIPTORS.items():
            base = min(one[of] for one in opened[:tenth])
            try:
                until("descriptors to be closed", lambda: descriptors(daemon)[of] <= base + more, CLOSED_WITHIN_S)
            except Broken:
                now = descriptors(daemon)[of]
                problems.append(f"{now} descriptors ({of}) at the end, {base} after a tenth")
        for one in left:
            one.socket.close()
        if (more := memory[-1] - memory[tenth - 1]) > MORE_MB:
            problems.append(f"{more:.0f} MB more memory at the end than after a tenth")
        daemon.stop()
        return problems + check(site, objects, acknowledged)


def main() -> int:
    options = arguments(__doc__, lambda parser: parser.add_argument("--objects", type=int))
    print(f"soak: seed {options.seed} (nothing is drawn)")
    if options.self_test:
        leaking = attempt(soak, options, 3 * WAVE, held=8)
        return end("soak", noticed("soak", "associations that nobody closes", leaking))
    return end("soak", attempt(soak, options, options.objects or (20_000 if options.long else 600)))


if __name__ == "__main__":
    sys.exit(main())
