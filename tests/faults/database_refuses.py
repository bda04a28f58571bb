"""The server refuses what is changed: crossed transactions, deadlocks, a full disk.

    database_refuses.py BINARY [--conflicts 20] [--long] [--seed N] [--self-test]

Under load from C-STORE, the drop folder and HL7 a trigger fails changes with 40001, in the middle of a
transaction or in its commit; another session crosses the one that changes, so that the server finds a real
deadlock and refuses the program's side of it with 40P01; and the tables lie on a disk that becomes full
(53100) and gets room again. What crosses another is done again and nobody hears of it; what finds no room
is answered with A700H and never with success; afterwards the service goes on by itself. Nothing that was
acknowledged is lost, nothing is there twice, and the results are those of a daemon on a file to which
nothing happens. The long form: 200 of each, and 20 full disks.
"""

import os
import random
import shutil
import sys
import tempfile
import threading
import time
from collections import Counter
from pathlib import Path

import full_disk
import psycopg
from database import ROLE, Database
from database_killed import STORE, Course
from full_disk import disk
from harness import MEMORY, arguments, attempt, end, noticed, until
from served import Served

# Tables that much is written into; of two that come after one another in most changes.
BUSY = ("object", "reading_change", "dirty", "result", "id_statement")

# The first row of every third transaction; a number is used up whatever becomes of the transaction. In the
# commit itself what fails is a constraint that is looked at last.
REFUSING = """
create sequence refused;
create sequence looked_at;
create function refuse() returns trigger language plpgsql as $$
declare
    mark text := 'harness.' || tg_argv[0];
begin
    if current_setting(mark, true) is distinct from pg_current_xact_id()::text then
        perform set_config(mark, pg_current_xact_id()::text, true);
        if nextval('looked_at') % 3 = 0 then
            perform nextval('refused');
            raise exception 'crossed' using errcode = '40001';
        end if;
    end if;
    return null;
end $$;
"""
AT_ONCE = "create trigger refused after insert or update on {table} for each row execute function refuse('once')"
AT_COMMIT = (
    "create constraint trigger refused_last after insert on {table} deferrable initially deferred"
    " for each row execute function refuse('last')"
)


def crossed(options, dice: random.Random, number: int, counts: Counter) -> list[str]:
    """Serialization failures."""
    with Database() as database, Served(options.binary, database, store=STORE) as site:
        course = Course(site, dice)
        database.ask(REFUSING)
        for table in BUSY:
            database.ask(AT_ONCE.format(table=table))
            database.ask(AT_COMMIT.format(table=table))

        def refused() -> int:
            return database.ask("select case when is_called then last_value else 0 end from refused")[0][0]

        def wait() -> None:
            until(f"{number} refusals", lambda: refused() >= number)

        course.under_load(wait, slice(0, None))
        problems = course.finish()
        counts["40001"] += refused()
        return problems


class Crossing:
    """A session that takes a table first and the turn to change last, the other way round than the
    program: so it comes to deadlocks, of which the server lets the program's side go."""

    def __init__(self, database: Database, dice: random.Random):
        self.database, self.dice, self.failure = database, dice, None
        self._stop = threading.Event()
        self.thread = threading.Thread(target=self._run, daemon=True)
        self.thread.start()

    def _run(self) -> None:
        try:
            with self.database.connect() as base:
                base.execute("set application_name = 'crossing'")
                # Whoever looks first is refused: never this one.
                base.execute("set deadlock_timeout = '20s'")
                while not self._stop.is_set():
                    with base.transaction():
                        base.execute(f"lock table {self.dice.choice(BUSY)} in share row exclusive mode")
                        # Until the program waits for it, with its turn to change.
                        for _ in range(50):
                            sql = "select 1 from pg_locks where not granted and locktype = 'relation'"
                            if base.execute(sql).fetchone() or self._stop.is_set():
                                break
                            time.sleep(0.01)
                        base.execute("select value from meta where name = 'commits' for update")
                    time.sleep(0.2 * self.dice.random())
        except psycopg.Error as error:
            self.failure = str(error)

    def finish(self) -> list[str]:
        self._stop.set()
        self.thread.join(60)
        return [f"the session that crosses failed; internal to the harness: {self.failure}"] if self.failure else []


def deadlocks(options, dice: random.Random, number: int, counts: Counter) -> list[str]:
    with Database() as database, Served(options.binary, database, store=STORE) as site:
        course = Course(site, dice)

        def found() -> int:
            return database.ask(f"select deadlocks from pg_stat_database where datname = '{ROLE}'")[0][0]

        def cross() -> None:
            crossing = Crossing(database, dice)
            until(f"{number} deadlocks", lambda: found() >= number or crossing.failure)
            course.problems += crossing.finish()

        course.under_load(cross, slice(0, None))
        counts["40P01"] += found()
        return course.finish()


def full(options, dice: random.Random, number: int, counts: Counter, leave: int = 100_000) -> list[str]:
    """The disk of the tables becomes full, and gets room again."""
    problems = []
    for _ in range(number):
        folder = Path(tempfile.mkdtemp(prefix="faults-", dir=MEMORY))
        folder.chmod(0o755)
        with disk(folder / "disk", "32m") as small, Database(tables=small) as database:
            with Served(options.binary, database, store=STORE) as site:
                course = full_disk.Course(site, site.serve())
                course.send(full_disk.BY_NETWORK[:5], False)
                until("the first results", site.is_drained)
                ballast = full_disk.fill(small, dice.randrange(leave // 2, leave))
                course.put_files()
                refused = sum(course.send(full_disk.BY_NETWORK[5:], True) for _ in range(2))
                if not refused:
                    course.problems.append("nothing was refused on a full disk")
                counts["53100, answered with A700H"] += refused
                ballast.unlink()
                problems += course.finish()
        shutil.rmtree(folder, ignore_errors=True)
    counts["full disks"] += number
    return problems


def self_test(options) -> list[str]:
    dice = random.Random(options.seed)
    swallowed = attempt(swallow, options, dice)
    problems = noticed("database_refuses", "rows that are said to be stored and are not", swallowed)
    roomy = attempt(full, options, dice, 1, Counter(), 12 << 20)
    return problems + noticed("database_refuses", "a full disk that has room", roomy)


def swallow(options, dice: random.Random) -> list[str]:
    """As if a server that cannot store something said that it did."""
    with Database() as database, Served(options.binary, database, store=STORE) as site:
        course = Course(site, dice)

        def gone() -> None:
            until("some objects", lambda: len(site.stored()) > 20)
            for table in ("reading_change", "object_blocking"):
                database.ask(f"delete from {table} where object_id = (select max(object_id) from reading_change)")
            database.ask("delete from object where id = (select min(id) from object where reading is null)")
            database.ask("delete from object where state = 'received'")

        course.under_load(gone, slice(0, None))
        return course.finish()


def main() -> int:
    options = arguments(__doc__, lambda parser: parser.add_argument("--conflicts", type=int))
    # Only root mounts; in a space of one's own everybody does.
    if os.geteuid() != 0:
        own = ["unshare", "--user", "--map-root-user", "--mount", sys.executable, *sys.argv]
        os.execvp(own[0], own)
    print(f"database_refuses: seed {options.seed}")
    if options.self_test:
        return end("database_refuses", self_test(options))
    dice, problems, counts = random.Random(options.seed), [], Counter()
    conflicts = options.conflicts or (200 if options.long else 20)
    for run, number in ((crossed, conflicts), (deadlocks, conflicts), (full, 20 if options.long else 2)):
        problems += attempt(run, options, dice, number, counts)
    told = ", ".join(f"{name}: {number}" for name, number in sorted(counts.items()))
    print(f"database_refuses: {told}, {len(problems)} problems")
    return end("database_refuses", problems)


if __name__ == "__main__":
    sys.exit(main())
