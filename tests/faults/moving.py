"""SIGKILL at random instants of `move`, from a file to a server and from there into a new file.

    moving.py BINARY [--kills 8] [--long] [--seed N] [--self-test]

After each kill at most one of the two places opens as a store, and the command that is given again goes on.
In the end every row of every table is at the new place as it was at the old one, read by other means than
the program's own; the old place is as it was and says where the store went; and the service goes on at the
last place as if nothing had been. The long form makes 200 kills.
"""

import dataclasses
import random
import shutil
import sqlite3
import subprocess
import sys
import time
from collections import Counter

from database import Database
from harness import MEMORY, Broken, Site, arguments, attempt, end, noticed, send, until
from holds import check
from sender import reports
from served import Served

# What `process` takes are files.
OBJECTS = [dataclasses.replace(one, by_folder=True) for one in reports(60)]
LATER = [one for one in reports(80)[60:] if not one.by_folder]
# Facts about the store itself: how many commits it counts, where it came from; and who works on a server.
OWN = {"meta", "shape", "owner", "last_commit", "member", "duty"}
KILLS_THERE_AND_BACK = 8


def rows_of(site: Site) -> dict[str, list]:
    """Every row of every table but one, whichever database holds them, in one order."""

    def asked(base) -> tuple[str, str]:
        if isinstance(base, sqlite3.Connection):
            tables = "select name from sqlite_master where type = 'table' and name not like 'sqlite%'"
            return tables, "select name from pragma_table_info('{}')"
        tables = "select tablename from pg_tables where schemaname = 'public'"
        return tables, "select column_name from information_schema.columns where table_name = '{}'"

    def all_of(base) -> dict[str, list]:
        tables, columns, told = *asked(base), {}
        for (name,) in base.execute(tables).fetchall():
            names = sorted(row[0] for row in base.execute(columns.format(name)))
            told[name] = sorted(map(tuple, base.execute(f"select {', '.join(names)} from {name}")), key=repr)
        return told

    return site.read(all_of)


def differ(before: dict, after: dict) -> list[str]:
    """Tables that are other ones now."""
    both = before.keys() | after.keys()
    return sorted(name for name in both - OWN if before.get(name) != after.get(name))


def move(site: Site, into: Site) -> subprocess.Popen:
    command = [site.binary, "move", "--config", site.config, "--into", into.config]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)


def whole_move(site: Site, into: Site) -> str:
    """Empty, unless it failed."""
    running = move(site, into)
    said, _ = running.communicate(timeout=300)
    return "" if running.returncode == 0 else f"ended with {running.returncode}: {said[-300:]}"


def opens(site: Site) -> bool:
    command = [site.binary, "status", "--json", "--config", site.config]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    # Something that needs somebody is no refusal.
    return done.stdout.startswith("{")


def let_go(*sites: Site) -> None:
    """As if the 20 s had passed for which a killed command is believed alive at a server."""
    for site in sites:
        if isinstance(site, Served) and site.database.ask("select to_regclass('owner')")[0][0]:
            site.database.ask("update owner set until = 0")


def moved(site: Site, into: Site, dice, kills: int, takes: float, counts: Counter, mischief=None) -> list[str]:
    """A move that is killed so many times; what did not hold."""
    before, problems = rows_of(site), []
    for _ in range(kills):
        running = move(site, into)
        time.sleep(takes * dice.random())
        running.kill()
        said, _ = running.communicate(timeout=60)
        if running.returncode == 0:
            counts["done before the kill"] += 1
            break
        counts["kills"] += 1
        if running.returncode > 0:
            problems.append(f"a move that is begun again ended with {running.returncode}: {said[-300:]}")
        let_go(site, into)
        both = [opens(site), opens(into)]
        counts["killed between the last two steps"] += both == [False, False]
        if all(both):
            problems.append("after a kill both places open")
    let_go(site, into)
    if not opens(into) and (failed := whole_move(site, into)):
        return [*problems, f"the move {failed}"]
    if mischief:
        mischief(site, into)
    let_go(site, into)
    if opens(site) or not opens(into):
        problems.append(f"after the move the old place opens: {opens(site)}, the new one: {opens(into)}")
    if other := differ(before, rows_of(into)):
        problems.append(f"these tables are not what they were: {other}")
    if other := differ(before, rows_of(site)):
        problems.append(f"these tables changed at the old place: {other}")
    if "was moved to" not in whole_move(site, into):
        problems.append("a store that has left is moved once more")
    let_go(site, into)
    return problems


def seconds_of(site: Site, database: Database) -> float:
    """How long a move takes that nobody disturbs; of a copy, to a place that is thrown away."""
    folder = site.folder.with_name(f"{site.folder.name}-copy")
    shutil.copytree(site.folder, folder)
    with site.moved(folder) as copy, Served(site.binary, database, outbox=copy.outbox) as elsewhere:
        start = time.monotonic()
        if failed := whole_move(copy, elsewhere):
            raise Broken(f"a move that nobody disturbs {failed}")
        took = time.monotonic() - start
    database.empty()
    return took


def there_and_back(options, dice: random.Random, kills: int, counts: Counter, mischief=None) -> list[str]:
    with Site(options.binary, MEMORY) as first, Database() as database:
        files = first.folder / "files"
        files.mkdir()
        for one in OBJECTS:
            (files / f"{one.uid}.dcm").write_bytes(one.file)
        first.process(files)
        takes = seconds_of(first, database)
        outbox = str(first.outbox)
        with Served(first.binary, database, outbox=outbox) as served, Site(first.binary, MEMORY, outbox=outbox) as last:
            problems = moved(first, served, dice, kills // 2, takes, counts, mischief)
            if problems:
                return problems
            problems = moved(served, last, dice, kills - kills // 2, takes, counts)
            daemon = last.serve()
            answers = send(daemon.address, LATER)
            acknowledged = [one for one in LATER if answers.get(one.uid) == 0]
            until("the queue to drain", last.is_drained)
            if (code := daemon.stop()) != 0:
                problems.append(f"the daemon stopped with {code}")
            return problems + check(last, OBJECTS + LATER, OBJECTS + acknowledged)


def a_row_another(_: Site, into: Served) -> None:
    into.database.ask("update object set source = 'dicom:OTHER' where id = (select max(id) from object)")


def a_row_gone(_: Site, into: Served) -> None:
    into.database.ask("delete from reading_change where object_id = (select max(object_id) from reading_change)")


def two_stores(site: Site, _: Served) -> None:
    with sqlite3.connect(site.store) as base:
        base.execute("delete from meta where name = 'moved_to'")


def self_test(options) -> list[str]:
    problems = []
    for mischief in (a_row_another, a_row_gone, two_stores):
        found = attempt(there_and_back, options, random.Random(options.seed), 0, Counter(), mischief)
        problems += noticed("moving", mischief.__name__.replace("_", " "), found)
    return problems


def main() -> int:
    options = arguments(__doc__, lambda parser: parser.add_argument("--kills", type=int))
    print(f"moving: seed {options.seed}")
    if options.self_test:
        return end("moving", self_test(options))
    dice, problems, counts = random.Random(options.seed), [], Counter()
    left = options.kills or (200 if options.long else 8)
    while left > 0 and not problems:
        problems += attempt(there_and_back, options, dice, min(left, KILLS_THERE_AND_BACK), counts)
        left -= KILLS_THERE_AND_BACK
        counts["there and back"] += 1
    told = ", ".join(f"{name} {number}" for name, number in sorted(counts.items()))
    print(f"moving: {told}, {len(problems)} problems")
    return end("moving", problems)


if __name__ == "__main__":
    sys.exit(main())
