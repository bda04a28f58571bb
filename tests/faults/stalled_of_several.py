"""A daemon that stands still longer than it is believed alive, and clocks that disagree.

    stalled_of_several.py BINARY [--stalls 2] [--long] [--seed N] [--self-test]

Of three daemons on one database one is stopped (SIGSTOP) for longer than its lease of 20 s, under load,
at a random instant of its work; the others put it out and take its work over. Then it goes on
(SIGCONT), with whatever it was about to write. Nothing that it writes under its old epoch may be taken, to
which triggers in the database bear witness; it joins again by itself, and the results are those of one
daemon. The clocks of the three differ by an hour either way. The long form stalls 200 times.
"""

import random
import signal
import sys
import time
from collections import Counter

from harness import PATIENCE, Load, arguments, attempt, end, noticed, until
from holds import check
from sender import reports
from several import Several

OBJECTS = 120
LEASE_S = 20
# The system clock alone jumps: timers of a process go by the other one.
CLOCKS = [{"FAKETIME": f"{hours:+d}h", "FAKETIME_DONT_FAKE_MONOTONIC": "1"} for hours in (-1, 0, 1)]


def a_stall(site: Several, dice: random.Random, by_network, counts: Counter) -> list:
    """One daemon stands still and goes on; what was acknowledged."""
    all_of_them = len(site.nodes)
    load = Load(site.address, by_network, associations=4, stay=(1, 20))
    time.sleep(1.5 * dice.random())
    which = dice.randrange(all_of_them)
    start = time.monotonic()
    site.signal(which, signal.SIGSTOP)
    # Where it stood still in a transaction the server ends that first.
    until("the others to hold everything", lambda: site.is_shared_by(all_of_them - 1), 3 * PATIENCE)
    took = time.monotonic() - start
    counts["slowest takeover, s"] = max(counts["slowest takeover, s"], round(took))
    time.sleep(max(0.0, LEASE_S + 2 * dice.random() - took))
    site.signal(which, signal.SIGCONT)
    counts["stalls"] += 1
    time.sleep(1 + dice.random())
    taken = load.finish()
    if not site.daemons[which].is_alive():
        # Rather ended than wrong, and a supervisor starts it again.
        counts["ended"] += 1
        site.serve(which)
    until("all to be members", lambda: site.is_shared_by(all_of_them), 3 * PATIENCE)
    return taken


def a_site(options, dice: random.Random, stalls: int, counts: Counter, mischief=None) -> list[str]:
    objects = reports(OBJECTS)
    by_network = [one for one in objects if not one.by_folder]
    by_folder = [one for one in objects if one.by_folder]
    acknowledged, problems = [], []
    with Several(options.binary) as site:
        for number, clock in enumerate(CLOCKS):
            site.serve(number, under=["faketime", "-f", clock["FAKETIME"]], env=clock)
        site.begin()
        for number in range(stalls):
            for one in by_folder[number:-1:stalls]:
                site.put(one, dice)
            acknowledged += a_stall(site, dice, by_network, counts)
        for one in by_folder[-1:] if stalls else by_folder:
            site.put(one, dice)
        acknowledged += site.send_rest(by_network, acknowledged)
        site.settle(objects, by_folder)
        problems += site.stop()
        if mischief:
            mischief(site)
        problems += check(site, objects, acknowledged + by_folder)
    return problems


def an_old_epoch(site: Several) -> None:
    """As if a daemon that was put out had written all the same."""
    site.write_as("sheathline nobody 0")


def self_test(options) -> list[str]:
    found = attempt(a_site, options, random.Random(options.seed), 0, Counter(), an_old_epoch)
    # Nothing else is wrong with it.
    found = [one for one in found if "an epoch that is over" in one]
    return noticed("stalled_of_several", "a write under an old epoch", found)


def main() -> int:
    options = arguments(__doc__, lambda parser: parser.add_argument("--stalls", type=int))
    print(f"stalled_of_several: seed {options.seed}")
    if options.self_test:
        return end("stalled_of_several", self_test(options))
    dice, problems, counts = random.Random(options.seed), [], Counter()
    wanted = options.stalls or (200 if options.long else 2)
    while counts["stalls"] < wanted and not problems:
        problems += attempt(a_site, options, dice, min(10, wanted - counts["stalls"]), counts)
        if options.long:
            print(f"stalled_of_several: {counts['stalls']} so far", flush=True)
    told = ", ".join(f"{name}: {number}" for name, number in sorted(counts.items()))
    print(f"stalled_of_several: {told}, {len(problems)} problems")
    return end("stalled_of_several", problems)


if __name__ == "__main__":
    sys.exit(main())
