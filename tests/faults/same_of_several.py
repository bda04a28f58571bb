"""Three daemons on one database make the results of one daemon on its own file, in whatever order.

    same_of_several.py BINARY [--seeds 2] [--long] [--seed N] [--self-test]

Each seed is an order of the objects, of their ways in (any daemon's port or drop folder) and of when
merges and labels come between them; some come twice, at two daemons at once. The newest result of each exam must read as
that of a clean run, which one daemon makes of the same set. The long form takes 20 seeds.
"""

import random
import sys
import threading
from collections import Counter

from harness import arguments, attempt, end, noticed, send, until
from holds import check
from kills import MERGES, labelled
from killed_of_several import a_result_twice
from sender import reports
from several import Several
from ways import address, exams, label, merge, say_all

OBJECTS = 120


def a_seed(options, dice: random.Random, counts: Counter, mischief=None) -> list[str]:
    objects, problems, acknowledged = reports(OBJECTS), [], []
    studies = labelled(objects)
    by_folder = [one for one in objects if one.by_folder]
    by_network = [one for one in objects if not one.by_folder]
    # Some are sent to two daemons at the same time.
    parts: list[list] = [[] for _ in range(3)]
    for one in by_network:
        for which in dice.sample(range(3), dice.choice((1, 1, 1, 2))):
            parts[which].append(one)
    with Several(options.binary) as site:
        site.begin()
        answered: list[dict] = [{} for _ in parts]

        def bring(which: int) -> None:
            answered[which] = send(site.daemons[which].address, parts[which])

        threads = []
        for which, part in enumerate(parts):
            dice.shuffle(part)
            threads.append(threading.Thread(target=bring, args=(which,), daemon=True))
        dice.shuffle(by_folder)
        early = dice.randrange(len(MERGES) + 1)
        for thread in threads:
            thread.start()
        for one in MERGES[:early]:
            if not merge(address(dice.choice(site.daemons), "hl7-listening"), one):
                problems.append("a merge is refused")
        for one in by_folder:
            site.put(one, dice)
        for thread in threads:
            thread.join()
        for one in MERGES[early:]:
            if not merge(address(dice.choice(site.daemons), "hl7-listening"), one):
                problems.append("a merge is refused")
        acknowledged += [one for which, part in enumerate(parts) for one in part if answered[which].get(one.uid) == 0]
        if len(acknowledged) != sum(map(len, parts)):
            problems.append(f"{sum(map(len, parts)) - len(acknowledged)} objects were not taken")
        site.settle(objects, by_folder)
        found = exams(site.outbox)
        if not all(label(dice.choice(site.nodes), found[study]) for study in studies):
            problems.append("a label is refused")
        until("the queue to drain", site.is_drained)
        problems += site.stop()
        counts["versions"] += len(list(site.outbox.glob("E*")))
        if mischief:
            mischief(site)
        problems += check(site, objects, acknowledged + by_folder, lambda clean: say_all(clean, MERGES, studies))
    return problems


def self_test(options) -> list[str]:
    found = attempt(a_seed, options, random.Random(options.seed), Counter(), a_result_twice)
    return noticed("same_of_several", "a result twice", found)


def main() -> int:
    options = arguments(__doc__, lambda parser: parser.add_argument("--seeds", type=int))
    print(f"same_of_several: seed {options.seed}")
    if options.self_test:
        return end("same_of_several", self_test(options))
    problems, counts, seeds = [], Counter(), options.seeds or (20 if options.long else 2)
    for number in range(seeds):
        problems += attempt(a_seed, options, random.Random(options.seed + number), counts)
    print(f"same_of_several: {seeds} seeds, {counts['versions']} versions of results, {len(problems)} problems")
    return end("same_of_several", problems)


if __name__ == "__main__":
    sys.exit(main())
