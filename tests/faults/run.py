"""Every fault harness in its quick form, and the proof that each notices what is broken.

    run.py BINARY [--at-once N]

They mostly wait, for timers and for disks, so some run side by side; what measures processor time runs
alone. Exit 1 when one fails.
"""

import argparse
import os
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

# The long ones first.
HARNESSES = (
    "every_call",
    "kills",
    "deliveries",
    "spooling",
    "killed_of_several",
    "stalled_of_several",
    "same_of_several",
    "database_away",
    "database_killed",
    "database_refuses",
    "moving",
    "failed_sync",
    "operation",
    "full_disk",
    "power_cut",
    "crowd",
    "underneath",
    "clock",
    "moves",
    "soak",
)
# Others beside it would change what it measures.
ALONE = ("doubling",)
LONGEST_S = 600


def run(binary: Path, name: str, more: list[str]) -> bool:
    command = [sys.executable, Path(__file__).with_name(f"{name}.py"), binary, *more]
    start = time.monotonic()
    try:
        done = subprocess.run(
            command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, timeout=LONGEST_S
        )
        code, text = done.returncode, done.stdout
    except subprocess.TimeoutExpired as error:
        code, text = "a timeout", (error.stdout or b"").decode(errors="replace")
    seconds = time.monotonic() - start
    title = " ".join([name, *more])
    print(f"{text}{title}: {'ok' if code == 0 else f'FAILED with {code}'}, {seconds:.0f} s", flush=True)
    return code == 0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("binary", type=lambda text: Path(text).resolve())
    parser.add_argument("--at-once", type=int, default=4)
    options = parser.parse_args()
    if sys.platform != "linux":
        print("the fault harnesses need Linux; left out")
        return 1 if os.environ.get("CI") else 0
    fine = []
    for names, at_once in ((HARNESSES, options.at_once), (ALONE, 1)):
        jobs = [(name, []) for name in names] + [(name, ["--self-test"]) for name in names]
        with ThreadPoolExecutor(at_once) as pool:
            fine += pool.map(lambda job: run(options.binary, *job), jobs)
    print(f"{fine.count(True)} of {len(fine)} fault harnesses and self-tests passed")
    return 0 if all(fine) else 1


if __name__ == "__main__":
    sys.exit(main())
