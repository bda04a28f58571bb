"""SIGKILL at random instants while results are delivered to four receivers.

    deliveries.py BINARY [--kills 10] [--long] [--seed N] [--self-test]

A hook, a FHIR server, an archive (pynetdicom) and an HL7 receiver take their time, put off, and lose
answers. At the end each has every version of every result under a key of its own, and what came twice
came with the same bytes; of each patient the versions came in order. The long form makes 200 kills.

Before that, results that an older version of the program (schema 1) left waiting for all four: the
program of today delivers each, and the same bytes when they are asked for once more.
"""

import gzip
import random
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

from harness import Site, arguments, end, noticed, send, until
from receivers import Archive, Mllp, fhir, hook
from sender import reports

# What the last version of the program whose results had schema 1 left.
OLDER = Path(__file__).resolve().parents[2] / "fixtures/store/shape-7.sqlite.gz"
OBJECTS = 60
KILLS_A_SITE = 10

DESTINATIONS = """
[[destination]]
name = "hook"
kind = "hook"
url = "http://127.0.0.1:{hook}/results"
first_wait_s = 1
longest_wait_s = 1
[[destination]]
name = "fhir"
kind = "fhir"
url = "http://127.0.0.1:{fhir}/r4"
first_wait_s = 1
longest_wait_s = 1
[[destination]]
name = "archive"
kind = "dicom"
host = "127.0.0.1"
port = {archive}
called = "ARCHIVE"
first_wait_s = 1
longest_wait_s = 1
[[destination]]
name = "engine"
kind = "hl7"
host = "127.0.0.1"
port = {engine}
first_wait_s = 1
longest_wait_s = 1
"""

# Those whose key says which version of which result it is.
NAMED = ("hook", "fhir")


def rows(site: Site, sql: str) -> list[tuple]:
    base = sqlite3.connect(f"file:{site.store}?mode=ro", uri=True, timeout=30)
    try:
        return base.execute(sql).fetchall()
    finally:
        base.close()


def is_delivered(site: Site) -> bool:
    return rows(site, "select count(*) from delivery where state = 'waiting'") == [(0,)]


def change(site: Site, sql: str) -> None:
    with sqlite3.connect(site.store) as base:
        base.execute(sql)
    base.close()


def check(site: Site, receivers: list) -> list[str]:
    problems = []
    results = rows(site, "select key || '-v' || version, patient_id from result order by id")
    keys = [key for key, _ in results]
    if not results or len(set(keys)) != len(keys):
        problems.append(f"{len(results)} results, {len(set(keys))} keys")
    if left := rows(site, "select destination, state, code from delivery where state <> 'delivered'"):
        problems.append(f"{len(left)} deliveries have not arrived, as {left[0]}")
    for one in receivers:
        if len(one.taken) != len(results):
            problems.append(f"{one.name} has {len(one.taken)} of {len(results)} results")
        if changed := [key for key, came in one.taken.items() if len(set(came)) > 1]:
            problems.append(f"{one.name} got {len(changed)} keys with different bytes, as {changed[0]}")
        if one.name not in NAMED:
            continue
        if differ := set(keys) ^ set(one.taken):
            problems.append(f"{one.name}: {len(differ)} keys are only on one side, as {min(differ)}")
        # A dictionary keeps the order in which its keys came first.
        place = {key: number for number, key in enumerate(one.taken)}
        last: dict[str, int] = {}
        for key, patient in results:
            if place.get(key, 0) < last.get(patient, 0):
                problems.append(f"{one.name} got {key} after a later one of its patient")
            last[patient] = place.get(key, 0)
    return problems


def a_site(options, dice: random.Random, kills: int, counts: Counter, before=None, after=None):
    """Kills one daemon after the other while it delivers. Returns what did not hold; `before` and
    `after`, SQL, see to that."""
    objects = [one for one in reports(OBJECTS) if not one.by_folder]
    receivers = [hook(dice.random()), fhir(dice.random()), Archive(dice.random()), Mllp(dice.random())]
    try:
        with Site(options.binary) as site:
            ports = {one.name: one.port for one in receivers}
            with open(site.config, "a") as config:
                config.write(DESTINATIONS.format(**ports))
            # Some wait from the start, so that there is something to deliver at the first kill.
            files = site.folder / "files"
            files.mkdir()
            for one in objects[:20]:
                (files / f"{one.uid}.dcm").write_bytes(one.file)
            site.process(files)
            if before:
                change(site, before)
            share = len(objects[20:]) // kills + 1
            for number in range(kills):
                daemon = site.serve()
                send(daemon.address, objects[20:][number * share : (number + 1) * share])
                time.sleep(dice.choice((0.1, 1.0)) * dice.random())
                came = sum(len(one.taken) for one in receivers)
                counts["kills under way"] += not is_delivered(site)
                daemon.kill()
                counts["delivered before"] = max(counts["delivered before"], came)
            daemon = site.serve()
            # What was not acknowledged before a kill comes again.
            send(daemon.address, objects[20:])
            until("the queue to drain", site.is_drained)
            until("every delivery", lambda: is_delivered(site))
            if (code := daemon.stop()) != 0:
                return [f"the daemon stopped with {code}\n{daemon.log.read_text()}"]
            if after:
                change(site, after)
                daemon = site.serve()
                until("every delivery", lambda: is_delivered(site))
                daemon.stop()
            problems = check(site, receivers)
            counts["kills"] += kills
            counts["results"] += len(rows(site, "select id from result"))
            counts["repeats"] += sum(len(came) - 1 for one in receivers for came in one.taken.values())
            return problems
    finally:
        for one in receivers:
            one.close()


# Results of schema 1 say nothing of what the baseline rests on.
OF_SCHEMA_1 = "content not like '%\"basis\":%'"


def after_an_update(options, dice: random.Random, counts: Counter, before_repeat=None) -> list[str]:
    """Results of schema 1 that wait while the program is replaced. Returns what did not hold."""
    receivers = [hook(dice.random()), fhir(dice.random()), Archive(dice.random()), Mllp(dice.random())]
    try:
        with Site(options.binary) as site:
            site.store.write_bytes(gzip.decompress(OLDER.read_bytes()))
            with open(site.config, "a") as config:
                config.write(DESTINATIONS.format(**{one.name: one.port for one in receivers}))
            for one in receivers[1:]:
                change(site, "insert into delivery (destination, result_id, since) select "
                             f"'{one.name}', result_id, since from delivery where destination = 'hook'")
            daemon = site.serve()
            until("the queue to drain", site.is_drained)
            until("every delivery", lambda: is_delivered(site))
            daemon.stop()
            (older,), = rows(site, f"select count(*) from result where {OF_SCHEMA_1}")
            (newer,), = rows(site, f"select count(*) from result where not {OF_SCHEMA_1}")
            if not older or not newer:
                return [f"{older} results of schema 1 and {newer} of today prove nothing"]
            problems = check(site, receivers)
            had = [{key: len(came) for key, came in one.taken.items()} for one in receivers]
            # Asked for once more, by another process of the program.
            if before_repeat:
                change(site, before_repeat)
            for one in receivers:
                command = [site.binary, "outbox", "replay", "--config", site.config, "--destination", one.name,
                           "--from", "2000-01-01", "--to", "2100-01-01"]
                subprocess.run(command, check=True, capture_output=True)
            daemon = site.serve()
            until("every repeat", lambda: is_delivered(site))
            daemon.stop()
            problems += check(site, receivers)
            for one, before in zip(receivers, had):
                if short := [key for key, times in before.items() if len(one.taken[key]) <= times]:
                    problems.append(f"{one.name} did not get {len(short)} again, as {short[0]}")
            counts["of schema 1"] += older
            return problems
    finally:
        for one in receivers:
            one.close()


FIRST = "(select min(result_id) from delivery)"
AGAIN = f"update delivery set state = 'waiting' where result_id = {FIRST}"


def self_test(options) -> list[str]:
    """Each with a state that a broken program would have left."""
    mischief = {
        "a delivery noted that never was": (
            f"update delivery set state = 'delivered' where destination = 'hook' and result_id = {FIRST}",
            None,
        ),
        "a result overtaken by later ones": (
            f"update delivery set state = 'dropped' where destination = 'fhir' and result_id = {FIRST}",
            AGAIN,
        ),
        "a delivery given up": (
            f"update delivery set state = 'dead' where destination = 'engine' and result_id = {FIRST}",
            None,
        ),
    }
    problems = []
    for what, (before, after) in mischief.items():
        found = a_site(options, random.Random(options.seed), 1, Counter(), before, after)
        problems += noticed("deliveries", what, found)
    # Delivered again, but not the same: another time of making, then another number.
    for what, sql in (
        ("a repeat with other bytes", "update result set created_at = '2020-01-01T00:00:00.000000Z'"),
        ("a result under a second key", "update result set version = version + 50"),
    ):
        dice = random.Random(options.seed)
        trigger = (
            "create trigger broken after update of state on delivery when new.state = 'waiting' "
            f"begin {sql} where id = new.result_id; end"
        )
        found = a_site(options, dice, 1, Counter(), trigger, AGAIN)
        problems += noticed("deliveries", what, found)
        sql = f"{sql} where id in (select result_id from delivery)"
        found = after_an_update(options, random.Random(options.seed), Counter(), sql)
        problems += noticed("deliveries", f"after an update, {what}", found)
    return problems


def main() -> int:
    options = arguments(__doc__, lambda parser: parser.add_argument("--kills", type=int))
    print(f"deliveries: seed {options.seed}")
    if options.self_test:
        return end("deliveries", self_test(options))
    dice, problems, counts = random.Random(options.seed), [], Counter()
    problems += after_an_update(options, dice, counts)
    wanted = options.kills or (200 if options.long else 10)
    while counts["kills"] < wanted and not problems:
        problems += a_site(options, dice, min(KILLS_A_SITE, wanted - counts["kills"]), counts)
    print(
        f"deliveries: {counts['kills']} kills, {counts['kills under way']} of them with deliveries "
        f"waiting; {counts['of schema 1']} results of schema 1 and {counts['results']} of today to 4 receivers, {counts['repeats']} repeats with the "
        f"same bytes, {len(problems)} problems"
    )
    return end("deliveries", problems)


if __name__ == "__main__":
    sys.exit(main())
