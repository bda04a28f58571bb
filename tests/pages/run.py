"""The pages as people and attackers use them: a real browser, axe-core, and a real OpenID provider.

    python tests/pages/run.py BINARY [PART...]

Parts, all by default: those of README.md. PAGES_PICTURES=FOLDER keeps
pictures of what was seen. Exit 1 on any difference.
"""

import sys
from pathlib import Path

import told
from attacks import attacks
from browser import browsers
from selftest import self_test
from signing_in import openid
from story import story
from walk import actions, pages

PARTS = {
    "self-test": lambda people, _: self_test(people),
    "pages": pages,
    "actions": actions,
    "attacks": attacks,
    "openid": openid,
    "story": story,
}


def main() -> int:
    binary = Path(sys.argv[1]).resolve()
    wanted = sys.argv[2:] or list(PARTS)
    with browsers() as people:
        for name in wanted:
            PARTS[name](people, binary)
    return told.ended()


if __name__ == "__main__":
    sys.exit(main())
