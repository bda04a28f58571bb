"""SIGKILL at random instants under load from eight associations and the drop folder.

    kills.py BINARY [--kills 50] [--long] [--seed N] [--self-test]

Up to 25 kills to a site: after each the daemon starts again, and everything acknowledged must be in
the store. After the last one the rest is sent, and all that must hold is checked. The long form
makes 1000 kills: no failure among them bounds the chance of one by 0.3 % (rule of three).
"""

import random
import shutil
import sqlite3
import sys
import time
from collections import Counter

from harness import Load, Site, arguments, end, noticed, send, until
from holds import check
from sender import reports

OBJECTS = 300
KILLS_A_SITE = 25


def a_site(options, dice: random.Random, kills: int, counts: Counter, mischief=None) -> list[str]:
    """Kills one daemon after the other. Returns what did not hold; `mischief` sees to that."""
    objects = reports(OBJECTS)
    by_network = [one for one in objects if not one.by_folder]
    by_folder = [one for one in objects if one.by_folder]
    acknowledged, problems = [], []
    with Site(options.binary) as site:
        for number in range(kills):
            daemon = site.serve()
            counts["slowest start"] = max(counts["slowest start"], daemon.seconds_to_listen)
            if lost := {one.sha256 for one in acknowledged} - site.stored():
                problems.append(f"{len(lost)} acknowledged objects are lost after a kill")
            dice.shuffle(by_network)
            load = Load(daemon.address, by_network)
            for one in by_folder[number::kills]:
                site.put(one)
            if dice.random() < 0.5:
                time.sleep(0.01 + dice.choice((0.1, 1.0)) * dice.random())
            else:
                # Results are made in the pauses of a load; meet those steps too.
                time.sleep(0.1)
                load.finish()
                time.sleep(0.4 + 0.8 * dice.random())
            daemon.kill()
            acknowledged += load.finish()
            counts["half results"] += any(site.outbox.glob(".partial-*"))
            acknowledged += filter(site.is_done, by_folder[number::kills])
        daemon = site.serve()
        known = {one.uid for one in acknowledged}
        rest = [one for one in by_network if one.uid not in known]
        answers = send(daemon.address, rest)
        acknowledged += [one for one in rest if answers.get(one.uid) == 0]
        until("the drop folder", lambda: all(map(site.is_done, by_folder)))
        until("the queue to drain", site.is_drained)
        if (code := daemon.stop()) != 0:
            problems.append(f"the daemon stopped with {code}")
        if mischief:
            mischief(site)
        problems += check(site, objects, acknowledged)
    counts["kills"] += kills
    counts["acknowledgements"] += len(acknowledged)
    return problems


def an_object_gone(site: Site) -> None:
    """As if its commit had not been on the disk when it was answered."""
    with sqlite3.connect(site.store) as base:
        base.execute("delete from object where id = (select min(id) from object)")


def a_result_twice(site: Site) -> None:
    one = next(entry for entry in sorted(site.outbox.iterdir()) if entry.name.startswith("E"))
    shutil.copytree(one, site.outbox / f"{one.name.partition('-')[0]}-v9")


def a_result_gone(site: Site) -> None:
    one = next(entry for entry in sorted(site.outbox.iterdir()) if entry.name.startswith("E"))
    shutil.rmtree(one)


def self_test(options) -> list[str]:
    problems = []
    for mischief in (an_object_gone, a_result_twice, a_result_gone):
        found = a_site(options, random.Random(options.seed), 2, Counter(), mischief)
        problems += noticed("kills", mischief.__name__.replace("_", " "), found)
    return problems


def main() -> int:
    options = arguments(__doc__, lambda parser: parser.add_argument("--kills", type=int))
    print(f"kills: seed {options.seed}")
    if options.self_test:
        return end("kills", self_test(options))
    dice, problems, counts = random.Random(options.seed), [], Counter()
    wanted = options.kills or (1000 if options.long else 50)
    while counts["kills"] < wanted and not problems:
        kills = min(KILLS_A_SITE, wanted - counts["kills"])
        problems += a_site(options, dice, kills, counts)
        if options.long:
            print(f"kills: {counts['kills']} so far", flush=True)
    print(
        f"kills: {counts['kills']} kills, {counts['half results']} of them left a half result, "
        f"{counts['acknowledgements']} acknowledgements, slowest start "
        f"{counts['slowest start']:.1f} s, {len(problems)} problems"
    )
    return end("kills", problems)


if __name__ == "__main__":
    sys.exit(main())
