"""A system clock that jumps: nothing waits for it, and results are those of a steady clock.

    clock.py BINARY [--long] [--seed N] [--self-test]

libfaketime moves the wall clock of the daemon while it works (an hour back, an hour on, ten years
on, to and fro every second) and leaves the monotonic clock alone, as a step of NTP or of a person
would. The self-test freezes both, so that everything that waits has to wait for ever.
"""

import json
import sys
import threading
import time
from datetime import datetime
from pathlib import Path

from harness import Broken, Ended, Site, arguments, end, noticed, send, until
from holds import check, clean_run
from sender import reports

OBJECTS = reports(60)
BY_NETWORK = [one for one in OBJECTS if not one.by_folder]
BY_FOLDER = [one for one in OBJECTS if one.by_folder]
DELAYED_AT_MOST_S = 60

# What the clock is off by, one after the other, a second each.
PATTERNS = {
    "an hour back": ["-1h"],
    "an hour on": ["+1h"],
    "ten years on": ["+10y"],
    "ten years on and back": ["+10y", "+0"],
    "to and fro by an hour": ["-1h", "+1h"] * 4,
    "to and fro by ten years": ["+10y", "-1h"] * 4,
}


def library() -> Path:
    found = sorted(Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1"))
    if not found:
        raise SystemExit("clock: faketime is not installed; ./.ci/setup installs it")
    return found[0]


def stamps(daemon) -> list[datetime]:
    """The times of the log, as the daemon saw them."""
    lines = [json.loads(line) for line in daemon.log.read_text().splitlines()]
    return [datetime.fromisoformat(line["timestamp"]) for line in lines]


def jumping(options, pattern: list[str], limit: float, more: dict = {}) -> tuple[float, list[str]]:
    """Work while the clock jumps; the longest delay, and what did not hold."""
    with Site(options.binary) as site:
        clock = site.folder / "clock"
        clock.write_text("+0")
        env = {
            "LD_PRELOAD": str(library()),
            "FAKETIME_TIMESTAMP_FILE": str(clock),
            "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            "NO_FAKE_STAT": "1",
            **more,
        }
        daemon = site.serve(env={name: value for name, value in env.items() if value})
        half = len(BY_NETWORK) // 2
        answers = send(daemon.address, BY_NETWORK[:half])
        for one in BY_FOLDER:
            site.put(one)

        def jump() -> None:
            for offset in pattern:
                aside = clock.with_name("clock-next")
                aside.write_text(offset)
                aside.rename(clock)
                time.sleep(1)

        jumps = threading.Thread(target=jump)
        jumps.start()
        time.sleep(0.2)
        start = time.monotonic()
        answers |= send(daemon.address, BY_NETWORK[half:])
        until("the drop folder", lambda: all(map(site.is_done, BY_FOLDER)), limit)
        until("the queue to drain", site.is_drained, limit)
        seconds = time.monotonic() - start
        jumps.join()
        problems = []
        if (code := daemon.stop()) != 0:
            problems.append(f"the daemon stopped with {code}")
        now = datetime.now().astimezone()
        if all(abs((stamp - now).total_seconds()) < 1800 for stamp in stamps(daemon)):
            problems.append("the clock of the daemon did not jump, so nothing was tried")
        acknowledged = [one for one in BY_NETWORK if answers.get(one.uid) == 0] + BY_FOLDER
        if len(acknowledged) != len(OBJECTS):
            problems.append(f"{len(acknowledged)} of {len(OBJECTS)} acknowledged")
        return seconds, problems + check(site, OBJECTS, acknowledged)


def self_test(options) -> list[str]:
    frozen = {
        "FAKETIME": "2030-01-01 00:00:00",
        "FAKETIME_TIMESTAMP_FILE": "",
        "FAKETIME_DONT_FAKE_MONOTONIC": "",
    }
    try:
        _, found = jumping(options, ["+0"], 5, frozen)
    except (Broken, Ended) as error:
        found = [str(error)]
    return noticed("clock", "all clocks frozen", found)


def main() -> int:
    options = arguments(__doc__)
    print(f"clock: seed {options.seed} (nothing is drawn)")
    if options.self_test:
        return end("clock", self_test(options))
    clean_run(options.binary, OBJECTS)
    problems, slowest, runs = [], 0.0, 0
    for name, pattern in list(PATTERNS.items()) * (5 if options.long else 1):
        try:
            seconds, found = jumping(options, pattern, DELAYED_AT_MOST_S)
            slowest = max(slowest, seconds)
        except (Broken, Ended) as error:
            found = [str(error)]
        problems += [f"{name}: {problem}" for problem in found]
        runs += 1
    print(f"clock: {runs} runs with a jumping clock, slowest {slowest:.1f} s, {len(problems)} problems")
    return end("clock", problems)


if __name__ == "__main__":
    sys.exit(main())
