"""The server of the store is killed under load, and connections are lost in their commit.

    database_killed.py BINARY [--kills 5] [--commits 20] [--long] [--seed N] [--self-test]

C-STORE, the drop folder and merges by HL7 go on while the server is stopped at once and recovers from its
log, or loses one of its processes; and while a relay cuts the connection of whoever changes the store in
the commit itself: before it comes to the server, in the middle of it, after it without waiting, and after
the server has decided. The daemon lives through all of it. Nothing that was acknowledged may be lost or
there twice, and the results are those of a daemon on a file to which nothing happens. The long form: 50
kills, 200 commits.
"""

import random
import sys
import time
from collections import Counter

from database import Database
from harness import PATIENCE, Broken, Load, arguments, attempt, end, noticed, send, until
from holds import check
from kills import MERGES, unsaid
from relay import AFTER, FORGED, SIDES, AtCommits
from sender import reports
from served import Served
from ways import Hl7, address, control_id, merge, say_all

OBJECTS = 80
KILLS_A_SITE, COMMITS_A_SITE = 10, 40
# One answer is one commit: what waits elsewhere first would hide what is lost here.
STORE = 'durability = "cluster"'


class Course:
    """One daemon on one server, and what it acknowledged."""

    def __init__(self, site: Served, dice: random.Random):
        self.site, self.dice, self.daemon = site, dice, site.serve()
        self.objects = reports(OBJECTS)
        self.by_folder = [one for one in self.objects if one.by_folder]
        self.by_network = [one for one in self.objects if not one.by_folder]
        dice.shuffle(self.by_network)
        self.acknowledged, self.merged, self.problems = [], set(), []

    def under_load(self, work, share: slice) -> None:
        """Does something while everything comes in; files from a share of those for the folder."""
        load = Load(self.daemon.address, self.by_network, associations=4, stay=(1, 20))
        hl7 = Hl7(self.daemon, MERGES)
        for one in self.by_folder[share]:
            self.site.put(one)
        work()
        self.acknowledged += load.finish()
        self.merged |= {control_id(one) for one in hl7.finish()}
        if not self.daemon.is_alive():
            log = self.daemon.log.read_text()[-2000:]
            raise Broken(f"the daemon ended with {self.daemon.process.returncode}\n{log}")
        if lost := {one.sha256 for one in self.acknowledged} - self.site.stored():
            self.problems.append(f"{len(lost)} acknowledged objects are lost")
        self.problems += unsaid(self.site, self.merged, set())

    def finish(self) -> list[str]:
        """All that did not come yet comes, and all that must hold is checked."""
        known = {one.uid for one in self.acknowledged}
        rest = [one for one in self.by_network if one.uid not in known]
        answers = send(self.daemon.address, rest)
        self.acknowledged += [one for one in rest if answers.get(one.uid) == 0]
        until("the drop folder", lambda: all(map(self.site.is_done, self.by_folder)))
        hl7 = address(self.daemon, "hl7-listening")
        if not all(merge(hl7, one) for one in MERGES if control_id(one) not in self.merged):
            self.problems.append("a merge is refused")
        until("the queue to drain", self.site.is_drained, 3 * PATIENCE)
        if (code := self.daemon.stop()) != 0:
            self.problems.append(f"the daemon stopped with {code}")
        acknowledged = self.acknowledged + self.by_folder
        return self.problems + check(
            self.site, self.objects, acknowledged, lambda clean: say_all(clean, MERGES, [])
        )


def kills(options, dice: random.Random, number: int, counts: Counter, how=None) -> list[str]:
    with Database() as database, Served(options.binary, database, store=STORE) as site:
        course = Course(site, dice)

        def kill() -> None:
            time.sleep(dice.choice((0.2, 1.0)) * dice.random())
            one = how or dice.choice((database.crash, database.crash, database.lose_a_child))
            one()
            counts[one.__name__] += 1
            time.sleep(0.5 * dice.random())

        for one in range(number):
            course.under_load(kill, slice(one, None, number))
        counts["acknowledged"] += len(course.acknowledged)
        return course.finish()


def commits(options, dice: random.Random, number: int, counts: Counter, sides=SIDES) -> list[str]:
    with Database() as database:
        relay = AtCommits(database.port)
        with Served(options.binary, database, database.url_by(relay.port), store=STORE) as site:
            course = Course(site, dice)

            def cut() -> None:
                for _ in range(min(10, number)):
                    side = dice.choice(sides)
                    was_heard = relay.cut_next(side)
                    counts[side] += 1
                    if side == AFTER and not was_heard:
                        course.problems.append("the server did not answer a commit; internal to the harness")
                    if dice.random() < 0.3:
                        # And cannot be reached for a moment.
                        relay.cut()
                        time.sleep(0.4 * dice.random())
                        relay.join()
                    time.sleep(0.1 * dice.random())

            rounds = max(1, number // 10)
            for one in range(rounds):
                course.under_load(cut, slice(one, None, rounds))
            counts["acknowledged"] += len(course.acknowledged)
            return course.finish()


def put_back(options) -> list[str]:
    """A server that comes back without what it stored last, and nobody sends that again."""
    with Database() as database, Served(options.binary, database, store=STORE) as site:
        course = Course(site, random.Random(options.seed))
        first, second = course.by_network[::2], course.by_network[1::2]
        course.by_network = first
        course.under_load(lambda: time.sleep(1), slice(0, None))
        kept = database.keep()
        course.by_network = second
        course.under_load(lambda: time.sleep(2), slice(0, 0))
        database.put_back(kept)
        course.by_network = first
        course.under_load(lambda: time.sleep(0.5), slice(0, 0))
        return course.problems


def self_test(options) -> list[str]:
    problems = noticed("database_killed", "a server put back to before", attempt(put_back, options))
    forged = attempt(commits, options, random.Random(options.seed), 4, Counter(), (FORGED,))
    return problems + noticed("database_killed", "commits that never were", forged)


def more(parser) -> None:
    parser.add_argument("--kills", type=int)
    parser.add_argument("--commits", type=int)


def main() -> int:
    options = arguments(__doc__, more)
    print(f"database_killed: seed {options.seed}")
    if options.self_test:
        return end("database_killed", self_test(options))
    dice, problems, counts = random.Random(options.seed), [], Counter()
    both = (
        (kills, options.kills or (50 if options.long else 5), KILLS_A_SITE),
        (commits, options.commits or (200 if options.long else 20), COMMITS_A_SITE),
    )
    for run, left, of_a_site in both:
        while left > 0 and not problems:
            number = min(of_a_site, left)
            problems += attempt(run, options, dice, number, counts)
            left -= number
            if options.long:
                print(f"database_killed: {run.__name__}: {left} left", flush=True)
    told = ", ".join(f"{name} {number}" for name, number in sorted(counts.items()))
    print(f"database_killed: {told}, {len(problems)} problems")
    return end("database_killed", problems)


if __name__ == "__main__":
    sys.exit(main())
