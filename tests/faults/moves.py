"""Reloads that move the DICOM port under load, over and over.

    moves.py BINARY [--moves 20] [--long] [--seed N] [--self-test]

Eight senders follow the addresses: each keeps an association for some objects, then makes another
one at an address of that moment; four are quick, four outlive moves. One more association stays open from before the first move to after
the last. A connection that is refused had not begun. Whatever had begun must end as if nothing moved:
the association is accepted, every object is answered with success, the release is answered. In the end
only the last addresses are open, and all that must hold is checked. The long form makes 200 moves.
"""

import os
import random
import signal
import socket
import sqlite3
import sys
import time

from harness import Broken, Daemon, Load, Site, Strace, arguments, attempt, end, noticed, send, until
from holds import check
from sender import Association, Refused, reports

OBJECTS = 300
PORTS = 5
SENDERS = 8
# Seconds between objects, and objects of an association. Many short ones meet the instant at which a
# port is closed; long ones outlive moves.
SHORT, LONG = (0, (1, 3)), (0.02, (5, 60))
# A move may take that long on a loaded machine; it waits for the step that the pipeline is at.
MOVED_WITHIN_S = 60
# What the log must not tell: whoever sends here keeps every rule.
NEVER = ("association-lost", "association-aborted", "association-stopped", "accept-failed", "reload-refused")


def free(count: int) -> list[tuple[str, int]]:
    """Addresses that nobody listens at, outside the ports that connections are given."""
    found = []
    for port in range(20_000 + os.getpid() % 8_000, 32_000):
        with socket.socket() as one:
            one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                one.bind(("127.0.0.1", port))
            except OSError:
                continue
        found.append(("127.0.0.1", port))
        if len(found) == count:
            return found
    raise Broken("no free ports")


def listen(site: Site, addresses: list) -> None:
    """Writes where the daemon is to listen."""
    lines = site.config.read_text().splitlines()
    at = lines.index("[receive.dicom]") + 1
    names = ", ".join(f'"{host}:{port}"' for host, port in addresses)
    lines[at] = f"listen = [{names}]"
    part = site.config.with_suffix(".part")
    part.write_text("\n".join(lines) + "\n")
    part.rename(site.config)


def reloaded(daemon: Daemon) -> int:
    return daemon.log.read_bytes().count(b'"code":"reloaded"')


def move(site: Site, daemon: Daemon, addresses: list) -> float:
    """Another set of addresses by a reload; the seconds until it is in force."""
    before = reloaded(daemon)
    listen(site, addresses)
    os.kill(daemon.pid, signal.SIGHUP)
    return until("a reload", lambda: reloaded(daemon) > before or daemon.said("reload-refused"), MOVED_WITHIN_S)


def is_open(address: tuple) -> bool:
    try:
        socket.create_connection(address, 10).close()
        return True
    except OSError:
        return False


def storm(options, dice: random.Random, moves: int, mischief=None, under=None) -> list[str]:
    """`mischief` takes the place of one move in the middle; `under` is injected from the start."""
    objects = [one for one in reports(OBJECTS) if not one.by_folder]
    classes = sorted({one.sop_class for one in objects})
    ports, slowest, problems = free(PORTS), 0.0, []
    with Site(options.binary) as site:
        now = dice.sample(ports, 2)
        listen(site, now)
        daemon = site.serve()
        strace = under and Strace(daemon, "tokio-rt-worker", under)
        patient = Association(now[0], classes)
        statuses = [patient.store(objects[0])]
        # While a move is under way the senders go to old addresses and new ones.
        told = now
        loads = [
            Load(lambda: random.choice(told), objects, SENDERS // 2, pause, stay=stay)
            for pause, stay in (SHORT, LONG)
        ]
        for number in range(moves):
            if mischief and number == moves // 2:
                daemon = mischief(site, daemon)
            others = [one for one in ports if one not in now]
            # One address or two; one of them may be of those before.
            now = dice.choice((dice.sample(others, 1), dice.sample(others, 2), [now[0], *dice.sample(others, 1)]))
            told = told + now
            slowest = max(slowest, move(site, daemon, now))
            told = now
            time.sleep(dice.random() * 0.2)
        acknowledged = [one for load in loads for one in load.finish()]
        if strace:
            strace.stop()
        try:
            statuses.append(patient.store(objects[-1]))
            patient.release()
            acknowledged += [objects[0], objects[-1]]
        except (OSError, Refused) as error:
            problems.append(f"the association from before the first move is lost: {error}")
        if any(statuses):
            problems.append(f"the association from before the first move is answered {statuses}")
        for load in loads:
            problems += [f"an association that had begun is lost: {why}" for why in load.lost]
            problems += [f"{one.uid} is answered {status:04X}H" for one, status in load.refused]
        known = {one.uid for one in acknowledged}
        rest = [one for one in objects if one.uid not in known]
        answers = send(now[0], rest) if rest else {}
        acknowledged += [one for one in rest if answers.get(one.uid) == 0]
        closed = [one for one in ports if one not in now]
        until("what was left to be closed", lambda: not any(map(is_open, closed)))
        problems += [f"{one} is not open" for one in now if not is_open(one)]
        events = [event.get("code") for event in daemon.events()]
        problems += [f"the log says {code}" for code in events if code in NEVER or str(code).startswith("refused-")]
        opened, ended = events.count("listening"), events.count("listening-ended")
        if opened - ended != len(now):
            problems.append(f"{opened} ports opened and {ended} closed, {len(now)} are open")
        until("the queue to drain", site.is_drained)
        if (code := daemon.stop()) != 0:
            problems.append(f"the daemon stopped with {code}")
        problems += check(site, objects, acknowledged)
        print(
            f"moves: {moves} moves, {sum(load.associations for load in loads)} associations, "
            f"{sum(load.turned_away for load in loads)} connections refused at an old address, "
            f"{len(acknowledged)} acknowledgements, slowest answer "
            f"{max(load.slowest for load in loads):.1f} s, slowest move {slowest:.1f} s, "
            f"{len(problems)} problems",
            flush=True,
        )
    return problems


def a_restart(site: Site, daemon: Daemon) -> Daemon:
    """In place of a move: what had begun is cut off."""
    daemon.stop()
    return site.serve()


def an_object_gone(site: Site, daemon: Daemon) -> Daemon:
    """As if its commit had not been on the disk when it was answered."""
    with sqlite3.connect(site.store, timeout=30) as base:
        base.execute("delete from object where id = (select min(id) from object)")
    return daemon


def self_test(options) -> list[str]:
    problems = []
    for mischief in (a_restart, an_object_gone):
        found = attempt(storm, options, random.Random(options.seed), 4, mischief)
        problems += noticed("moves", mischief.__name__.replace("_", " "), found)
    # They wait at a port until it is closed, and nobody accepts them.
    deaf = attempt(storm, options, random.Random(options.seed), 4, under="accept4:error=EMFILE:when=8+")
    return problems + noticed("moves", "a port that is closed with connections waiting", deaf)


def main() -> int:
    options = arguments(__doc__, lambda parser: parser.add_argument("--moves", type=int))
    print(f"moves: seed {options.seed}", flush=True)
    if options.self_test:
        return end("moves", self_test(options))
    moves = options.moves or (200 if options.long else 20)
    return end("moves", attempt(storm, options, random.Random(options.seed), moves))


if __name__ == "__main__":
    sys.exit(main())
