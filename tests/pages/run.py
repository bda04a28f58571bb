"""The pages as people and attackers use them: a real browser, axe-core, and a real OpenID provider.

    python tests/pages/run.py BINARY [PART...]

Parts, all by default: those of README.md. PAGES_PICTURES=FOLDER keeps
pictures of what was seen. Exit 1 on any difference.
"""

import faulthandler
import os
import sys
from pathlib import Path

import told
from attacks import ATTACKS
from browser import Browsers, browsers
from clinic import clinic
from kills import kills
from live import live
from markup import everywhere
from selftest import self_test
from signing_in import openid
from story import story
from tricks import TRICKS
from walk import actions, pages

# Seconds a part may take on a busy machine.
LIMIT_S = 1200


def attacks(people: Browsers, binary: Path) -> None:
    """All of them against one service, the last one looking at what they left; `ATTACK=name,name` tries some."""
    wanted = os.environ.get("ATTACK", "").split(",") if os.environ.get("ATTACK") else None
    with clinic(binary) as house:
        for attack in [*ATTACKS[:-2], *TRICKS, everywhere, *ATTACKS[-2:]]:
            if wanted is None or attack.__name__ in wanted:
                told.part(f"attack: {attack.__name__.replace('_', ' ')}")
                attack(house, people)


PARTS = {
    "self-test": lambda people, _: self_test(people),
    "pages": pages,
    "actions": actions,
    "live": live,
    "attacks": attacks,
    "kills": kills,
    "openid": openid,
    "story": story,
}


def main() -> int:
    binary = Path(sys.argv[1]).resolve()
    wanted = sys.argv[2:] or list(PARTS)
    with browsers() as people:
        for name in wanted:
            # A browser that hangs is told with where; the longest part takes three minutes.
            faulthandler.dump_traceback_later(LIMIT_S, exit=True)
            PARTS[name](people, binary)
            faulthandler.cancel_dump_traceback_later()
    return told.ended()


if __name__ == "__main__":
    sys.exit(main())
