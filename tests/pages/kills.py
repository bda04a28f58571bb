"""SIGKILL while a measurement is signed in the browser's way: signed means kept, and once.

The instant is drawn at random over the time that signing takes; the seed is printed. Whoever was told
"Signed and kept" must find the report after the restart; whoever was told nothing signs the same draft
again, and then there is one exam, never two.
"""

import random
import re
import threading
import time
from datetime import date, timedelta
from pathlib import Path

import requests
from browser import Browsers
from clinic import PASSWORD, Clinic, clinic
from lxml import html
from told import check, part
from visitor import Visitor

ROUNDS = 12
KEPT = re.compile(r"\b2\.25\.[0-9]+")


def draft(one: Visitor, child: str) -> str:
    """A draft with two readings of each eye; its address."""
    fields = one.forms("/measure")["/measure/find"] | {"patient_id": child, "birth_date": "2019-03-04"}
    page = html.fromstring(one.post("/measure/find", fields).content)
    begin = next(form for form in page.forms if form.get("action") == "/measure/begin")
    answer = one.post("/measure/begin", {name: value or "" for name, value in begin.form_values()})
    return answer.headers["location"].split("?")[0]


def filled(one: Visitor, address: str) -> dict[str, str]:
    values = {f"{eye}_value_{n}": f"5.{n}" for eye in ("right", "left") for n in (1, 2)}
    day = (date.today() - timedelta(days=1)).isoformat()
    return one.forms(address)[address] | values | {
        "date": day, "time": "10:31", "operator": "HERON", "maker": "Tarnholt", "model": "Pocket T",
        "password": PASSWORD, "act": "sign",
    }


def sign(one: Visitor, address: str) -> str | None:
    """UID of the report, if the page said that it is kept."""
    try:
        answer = one.post(address, filled(one, address), follow=True)
    except requests.RequestException:
        return None
    if "all_the_same" in answer.text:
        seen = html.fromstring(answer.content).xpath("//input[@name='all_the_same']/@value")[0]
        answer = one.post(address, filled(one, address) | {"all_the_same": seen}, follow=True)
    found = KEPT.search(answer.text) if "Signed and kept" in answer.text else None
    return found.group() if found else None


def one_round(house: Clinic, n: int, after: float) -> str:
    child = f"LC-{3000 + n}"
    one = Visitor(house.base)
    one.sign_in("m.heron")
    address = draft(one, child)
    told: list[str | None] = []
    signing = threading.Thread(target=lambda: told.append(sign(one, address)))
    signing.start()
    time.sleep(after)
    house.process.kill()
    house.process.wait()
    signing.join(60)
    house.start()
    one = Visitor(house.base)
    one.sign_in("m.heron")
    uid = told[0] if told else None
    if uid:
        answer = one.get(f"/measure/signed/{uid}")
        check(answer.status_code == 200, f"round {n}: what was signed is there", answer.status_code)
    elif one.get(address).status_code == 200:
        uid = sign(one, address)
        check(uid is not None, f"round {n}: the draft is there and is signed again")
    until = time.monotonic() + 30
    while time.monotonic() < until and len(exams := house.exams(child, fine=False)) < 1:
        time.sleep(0.5)
    check(len(exams) == 1, f"round {n}: one exam", len(exams))
    return "told" if told and told[0] else "not told"


def kills(_: Browsers, binary: Path) -> None:
    seed = random.randrange(10**6)
    part(f"killed while signing, seed {seed}")
    draw = random.Random(seed)
    with clinic(binary) as house:
        one = Visitor(house.base)
        one.sign_in("m.heron")
        address = draft(one, "LC-2999")
        began = time.monotonic()
        uid = sign(one, address)
        took = time.monotonic() - began
        check(uid is not None, "signed without a kill")
        ways = [one_round(house, n, draw.uniform(0, 1.1 * took)) for n in range(ROUNDS)]
        print(f"  {ways.count('told')} of {ROUNDS} were told before the kill")
