"""A daemon that stands still longer than it is believed alive, and clocks that disagree.

    stalled_of_several.py BINARY [--stalls 2] [--long] [--seed N] [--self-test]

Of three daemons on one database one is stopped (SIGSTOP) for longer than its lease of 20 s, under load,
at a random instant of its work; the others put it out and take its work over. Then it goes on
(SIGCONT), with whatever it was about to write. Nothing that it writes under its old epoch may be taken:
the member's epochs rise, each commit is by a member of its time, and the results are those of one daemon.
The clocks of the three differ by an hour either way. The long form stalls 200 times.
"""

import random
import signal
import sys
import time
from collections import Counter

from harness import Load, arguments, end, noticed, send, until
from holds import check
from sender import reports
from several import Several

OBJECTS = 240
LEASE_S = 20
# The system clock alone jumps: timers of a process go by the other one.
CLOCKS = [{"FAKETIME": f"{hours:+d}h", "FAKETIME_DONT_FAKE_MONOTONIC": "1"} for hours in (-1, 0, 1)]


def a_stall(site: Several, dice: random.Random, by_network, counts: Counter) -> tuple[list, list[str]]:
    """One daemon stands still and goes on; what was acknowledged, and what did not hold."""
    problems = []
    load = Load(site.address, by_network, stay=(1, 20))
    time.sleep(1.5 * dice.random())
    which = dice.randrange(len(site.nodes))
    site.signal(which, signal.SIGSTOP)
    time.sleep(LEASE_S + 6)
    site.signal(which, signal.SIGCONT)
    counts["stalls"] += 1
    time.sleep(2 + dice.random())
    taken = load.finish()
    daemon = site.daemons[which]
    if not daemon.is_alive():
        # Rather ended than wrong, and a supervisor starts it again.
        counts["ended"] += 1
        site.serve(which)
    elif daemon.said("put-out"):
        counts["put out"] += 1
    else:
        problems.append("a daemon that stood still for longer than its lease was not put out")
    return taken, problems


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
            for one in by_folder[number::stalls]:
                site.put(one, dice)
            taken, found = a_stall(site, dice, by_network, counts)
            acknowledged += taken
            problems += found
        known = {one.uid for one in acknowledged}
        rest = [one for one in by_network if one.uid not in known]
        answers = send(site.address(), rest)
        acknowledged += [one for one in rest if answers.get(one.uid) == 0]
        until("the drop folders", lambda: all(map(site.is_done, by_folder)))
        until("everything to be stored and drained", lambda: site.has(objects) and site.is_drained())
        problems += site.stop()
        if mischief:
            mischief(site)
        problems += check(site, objects, acknowledged + by_folder)
    return problems


def an_old_epoch(site: Several) -> None:
    """As if a daemon that was put out had written all the same."""
    site.write_as("sheathline nobody 0")


def self_test(options) -> list[str]:
    found = a_site(options, random.Random(options.seed), 0, Counter(), an_old_epoch)
    return noticed("stalled_of_several", "a write under an old epoch", found)


def main() -> int:
    options = arguments(__doc__, lambda parser: parser.add_argument("--stalls", type=int))
    print(f"stalled_of_several: seed {options.seed}")
    if options.self_test:
        return end("stalled_of_several", self_test(options))
    dice, problems, counts = random.Random(options.seed), [], Counter()
    wanted = options.stalls or (200 if options.long else 2)
    while counts["stalls"] < wanted and not problems:
        problems += a_site(options, dice, min(10, wanted - counts["stalls"]), counts)
        if options.long:
            print(f"stalled_of_several: {counts['stalls']} so far", flush=True)
    print(
        f"stalled_of_several: {counts['stalls']} stalls, {counts['put out']} put out and joined anew, "
        f"{counts['ended']} ended, {len(problems)} problems"
    )
    return end("stalled_of_several", problems)


if __name__ == "__main__":
    sys.exit(main())
