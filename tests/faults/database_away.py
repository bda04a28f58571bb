"""The database goes away under load, for all daemons or for one.

    database_away.py BINARY [--long] [--seed N] [--self-test]

Two daemons with a spool each, senders at both: the server is crashed and starts again, its connections
are ended, it stands still, one daemon alone loses its way to it. Meanwhile every sender is answered with
success, up to the spool's limit, then with A700H; afterwards what waits is handed over at ten times the
rate at which it came. Then all that must hold is checked. The long form: 50 crashes, 20 times all
connections ended, a minute of silence, and a spool that becomes full.
"""

import random
import sys
import time
from collections import Counter

from harness import PATIENCE, Load, arguments, attempt, end, noticed, send, until
from holds import check
from sender import reports
from several import Several

OBJECTS = 160
OUT_OF_RESOURCES = 0xA700


def crash(site: Several, dice: random.Random) -> None:
    site.database.crash()


def connections_ended(site: Several, dice: random.Random) -> None:
    site.database.end_connections()


def silence(site: Several, dice: random.Random, seconds: float = 6) -> None:
    site.database.freeze()
    time.sleep(seconds)
    site.database.thaw()


def cut_off(site: Several, dice: random.Random) -> None:
    """One daemon alone; the other goes on."""
    site.relay.cut()
    time.sleep(1 + 2 * dice.random())
    site.relay.join()


def a_site(options, dice: random.Random, faults: list, counts: Counter, mischief=None) -> list[str]:
    objects = reports(OBJECTS)
    by_folder = [one for one in objects if one.by_folder]
    by_network = [one for one in objects if not one.by_folder]
    acknowledged, problems = [], []
    with Several(options.binary, 2, relayed=1) as site:
        site.begin()
        for number, fault in enumerate(faults):
            loads = [Load(daemon.address, by_network, associations=4, stay=(1, 20)) for daemon in site.daemons]
            for one in by_folder[number :: len(faults)]:
                site.put(one, dice)
            time.sleep(0.5 * dice.random())
            fault(site, dice)
            counts[fault.__name__] += 1
            time.sleep(0.5 * dice.random())
            for load in loads:
                acknowledged += load.finish()
                # A spool that takes is all that a sender needs.
                if load.refused:
                    one, status = load.refused[0]
                    problems.append(f"{fault.__name__}: a sender was refused with {status:04X}H")
            if dead := [daemon for daemon in site.daemons if not daemon.is_alive()]:
                problems.append(f"{fault.__name__}: {len(dead)} daemons ended")
                break
        if not problems:
            acknowledged += site.send_rest(by_network, acknowledged)
            site.settle(objects, by_folder)
            problems += site.stop()
            if mischief:
                mischief(site)
            problems += check(site, objects, acknowledged + by_folder)
    counts["acknowledgements"] += len(acknowledged)
    return problems


def until_full(options, counts: Counter) -> list[str]:
    """The database stays away until a small spool is full; then everything is handed over."""
    problems = []
    with Several(options.binary, 1, spool_limit_mb=16) as site:
        site.begin()
        site.database.stop()
        objects, taken, start = reports(14_000), [], time.monotonic()
        load = Load(site.daemons[0].address, objects, associations=4, pause=0, again=False)
        until("the spool to be full", lambda: len(load.refused) > 20, 10 * PATIENCE)
        taken, arrival = load.finish(), time.monotonic() - start
        if not taken:
            problems.append("nothing was taken while the database was away")
        if wrong := {status for _, status in load.refused} - {OUT_OF_RESOURCES}:
            problems.append(f"a full spool refuses with {[f'{one:04X}H' for one in wrong]}")
        start = time.monotonic()
        site.database.start()
        until("the spool to be handed over", lambda: site.has(taken), 10 * PATIENCE)
        drained = time.monotonic() - start
        counts["in a full spool"] = len({one.uid for one in taken})
        counts["seconds to drain"] = drained
        status = send(site.daemons[0].address, objects[-1:])
        if list(status.values()) != [0]:
            problems.append("a spool that is empty again takes nothing")
        print(
            f"database_away: {len(taken)} objects came in {arrival:.1f} s and were handed over in {drained:.1f} s"
        )
    return problems


def an_object_gone(site: Several) -> None:
    last = "(select max(id) from object where reading is not null)"
    site.database.ask(f"delete from reading_change where object_id = {last}")
    site.database.ask(f"delete from object_blocking where object_id = {last}")
    site.database.ask(f"delete from object where id = {last}")


def self_test(options) -> list[str]:
    found = attempt(a_site, options, random.Random(options.seed), [crash], Counter(), an_object_gone)
    return noticed("database_away", "an object gone", found)


def main() -> int:
    options = arguments(__doc__)
    print(f"database_away: seed {options.seed}")
    if options.self_test:
        return end("database_away", self_test(options))
    dice, problems, counts = random.Random(options.seed), [], Counter()
    faults = [crash, connections_ended, silence, cut_off] * 2
    if options.long:
        faults = [crash] * 50 + [connections_ended] * 20 + [cut_off] * 20
        faults += [lambda site, dice: silence(site, dice, 60)]
    dice.shuffle(faults)
    while faults and not problems:
        problems += attempt(a_site, options, dice, faults[:10], counts)
        faults = faults[10:]
    if options.long and not problems:
        problems += attempt(until_full, options, counts)
    print("database_away: " + ", ".join(f"{name}: {number}" for name, number in sorted(counts.items())))
    return end("database_away", problems)


if __name__ == "__main__":
    sys.exit(main())
