"""Files of the store deleted, moved or replaced under the running daemon, or right before a kill.

    underneath.py BINARY [--long] [--seed N] [--self-test]

While eight associations send, at a random instant, something happens to the store, its log or its
folder. The daemon has to notice: nothing that is sent afterwards may be answered with success, and
it has to end by itself with 74 and say why. The next start has to refuse where anything is missing,
and once it was put back, everything that was acknowledged has to be there. The long form does each
thirty times.
"""

import random
import shutil
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable

from harness import (
    PATIENCE,
    Broken,
    Ended,
    Load,
    Site,
    arguments,
    end,
    noticed,
    send,
    until,
)
from holds import check
from sender import report, reports

OBJECTS = 200
NOTICED_WITHIN_S = 3
IN_DOUBT = 74
OTHER_COPY = "copy"
AWAY = "away"


def log_of(site: Site):
    return site.store.with_name("store.sqlite-wal")


def away(site: Site):
    return site.folder / AWAY


def store_deleted(site: Site) -> None:
    # A name elsewhere keeps what the test puts back.
    (site.folder / AWAY).hardlink_to(site.store)
    site.store.unlink()


def store_moved(site: Site) -> None:
    site.store.rename(away(site))


def folder_moved(site: Site) -> None:
    site.store.parent.rename(away(site))


def store_replaced(site: Site) -> None:
    site.store.rename(away(site))
    shutil.copy(site.folder / OTHER_COPY, site.store)


def log_deleted(site: Site) -> None:
    log_of(site).unlink()


def log_replaced(site: Site) -> None:
    new = site.folder / "new"
    new.write_bytes(b"")
    new.rename(log_of(site))


def index_deleted(site: Site) -> None:
    site.store.with_name("store.sqlite-shm").unlink()


def nothing(_: Site) -> None:
    """For the self-test."""


def put_back(site: Site) -> None:
    if away(site).is_dir():
        away(site).rename(site.store.parent)
    elif away(site).exists():
        away(site).rename(site.store)


# What happens, and whether the next start has to refuse until it is put back.
ACTS = (
    (store_deleted, True),
    (store_moved, True),
    (folder_moved, True),
    (store_replaced, True),
    (log_deleted, False),
    (log_replaced, False),
    (index_deleted, False),
)


def refuses(site: Site, codes: tuple) -> list[str]:
    """Nobody starts as if all were well."""
    try:
        site.serve().kill()
    except Ended as ended:
        return [] if ended.code in codes else [f"the next start ended with {ended.code}: {ended.text}"]
    return ["the next start takes what is left for everything"]


def begun(site: Site, objects: list):
    """A daemon under load, with results and a copy of its store."""
    daemon = site.serve()
    first = objects[: len(objects) // 4]
    answers = send(daemon.address, first)
    acknowledged = [one for one in first if answers.get(one.uid) == 0]
    until("the first results", site.is_drained)
    command = [site.binary, "backup", "--config", site.config, site.folder / OTHER_COPY]
    subprocess.run(command, check=True, capture_output=True, timeout=PATIENCE)
    return daemon, Load(daemon.address, objects), acknowledged


def finish(site: Site, objects: list, acknowledged: list) -> list[str]:
    """Starts again; what was not acknowledged comes once more, then all that must hold is checked."""
    daemon = site.serve()
    problems = []
    if lost := {one.sha256 for one in acknowledged} - site.stored():
        problems.append(f"{len(lost)} acknowledged objects are lost")
    known = {one.uid for one in acknowledged}
    rest = [one for one in objects if one.uid not in known]
    answers = send(daemon.address, rest)
    acknowledged += [one for one in rest if answers.get(one.uid) == 0]
    until("the queue to drain", site.is_drained)
    if (code := daemon.stop()) != 0:
        problems.append(f"the daemon stopped with {code}")
    return problems + check(site, objects, acknowledged)


def under_the_daemon(options, dice, counts: Counter, act: Callable, is_refused: bool) -> list[str]:
    objects = [one for one in reports(OBJECTS) if not one.by_folder]
    with Site(options.binary, store="data") as site:
        site.store.parent.mkdir()
        daemon, load, acknowledged = begun(site, objects)
        time.sleep(dice.random())
        act(site)
        start = time.monotonic()
        # One that nobody has sent before.
        late = report(OBJECTS + 1)
        problems = []
        if send(daemon.address, [late]).get(late.uid) == 0:
            problems.append("success is answered after it happened")
        try:
            until("store-in-doubt", lambda: daemon.said("store-in-doubt"), NOTICED_WITHIN_S)
            counts["slowest"] = max(counts["slowest"], time.monotonic() - start)
            until("the end of the daemon", lambda: not daemon.is_alive(), 15)
        except Broken as error:
            daemon.kill()
            load.finish()
            return [*problems, str(error)]
        acknowledged += load.finish()
        if load.after_refusal:
            problems.append(f"{load.after_refusal} successes after a refusal")
        if daemon.process.returncode != IN_DOUBT:
            problems.append(f"the daemon ended with {daemon.process.returncode}")
        if is_refused:
            problems += refuses(site, (1, IN_DOUBT))
            if act is folder_moved and site.store.parent.exists():
                problems.append("a new folder was made for a new store")
                shutil.rmtree(site.store.parent)
        put_back(site)
        counts["acknowledged"] += len(acknowledged)
        return problems + finish(site, objects, acknowledged)


def right_before_a_kill(options, dice, counts: Counter, is_put_back=True) -> list[str]:
    objects = [one for one in reports(OBJECTS) if not one.by_folder]
    with Site(options.binary, store="data") as site:
        site.store.parent.mkdir()
        daemon, load, acknowledged = begun(site, objects)
        time.sleep(0.3 + dice.random())
        log_of(site).rename(away(site))
        daemon.kill()
        acknowledged += load.finish()
        problems = []
        if is_put_back:
            problems += refuses(site, (IN_DOUBT,)) + refuses(site, (IN_DOUBT,))
            away(site).rename(log_of(site))
        else:
            # As who wants to go on with what is left would do it.
            site.store.with_name("store.sqlite.lock").unlink()
            (site.outbox / ".sheathline-lock").unlink()
        counts["acknowledged"] += len(acknowledged)
        return problems + finish(site, objects, acknowledged)


def attempt(what: str, run, *how, **more) -> list[str]:
    try:
        return [f"{what}: {problem}" for problem in run(*how, **more)]
    except (Broken, Ended) as error:
        return [f"{what}: {error}"]


def self_test(options) -> list[str]:
    dice = random.Random(options.seed)
    found = attempt("nothing", under_the_daemon, options, dice, Counter(), nothing, False)
    problems = noticed("underneath", "a daemon that goes on", found)
    found = attempt("log", right_before_a_kill, options, dice, Counter(), is_put_back=False)
    return problems + noticed("underneath", "a log that stays away", found)


def main() -> int:
    options = arguments(__doc__)
    print(f"underneath: seed {options.seed}")
    if options.self_test:
        return end("underneath", self_test(options))
    dice, counts, problems = random.Random(options.seed), Counter(), []
    for _ in range(30 if options.long else 1):
        for act, is_refused in ACTS:
            name = act.__name__.replace("_", " ")
            problems += attempt(name, under_the_daemon, options, dice, counts, act, is_refused)
            counts["acts"] += 1
        problems += attempt("log deleted, kill", right_before_a_kill, options, dice, counts)
        counts["acts"] += 1
        if options.long:
            print(f"underneath: {counts['acts']} so far, {len(problems)} problems", flush=True)
    print(
        f"underneath: {counts['acts']} times something was taken away, {counts['acknowledged']} "
        f"acknowledgements, noticed after {counts['slowest']:.1f} s at most, {len(problems)} problems"
    )
    return end("underneath", problems)


if __name__ == "__main__":
    sys.exit(main())
