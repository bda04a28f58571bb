"""What the checks of the pages found: one line each, counted."""

FAILURES: list[str] = []
SEEN = 0


def check(holds: bool, what: str, seen: object = "") -> bool:
    """One line of the report; `seen` is printed where it does not hold."""
    global SEEN
    SEEN += 1
    if holds:
        print(f"  as it must: {what}", flush=True)
    else:
        FAILURES.append(what)
        print(f"  WRONG: {what}{f' ({seen})' if seen != '' else ''}", flush=True)
    return holds


def part(heading: str) -> None:
    print(f"-- {heading}", flush=True)


def ended() -> int:
    """Prints the sum; the exit code."""
    for failure in FAILURES:
        print(f"FAILED: {failure}")
    print(f"{SEEN - len(FAILURES)} passed, {len(FAILURES)} failed")
    return 1 if FAILURES or not SEEN else 0
