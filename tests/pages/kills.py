"""SIGKILL while a measurement is signed, and while a table is brought in, in the browser's way: what was
answered is kept, and all of it is here once.

The instants go from the first moment of the act past its end, each drawn at random within its step; the
seed is printed. Whoever was told "Signed and kept" must find the report after the restart, and whoever was
told that the table is in, all of its exams. Whoever was told nothing finds all or nothing, does the same
again, and then everything is there once. `KILLS=n` takes n instants for each act.
"""

import os
import random
import re
import sqlite3
import threading
import time
from collections.abc import Callable
from contextlib import closing
from datetime import date, timedelta
from pathlib import Path

import requests
from browser import Browsers
from clinic import PASSWORD, Clinic, clinic
from lxml import html
from told import check, part
from visitor import Visitor

ROUNDS = int(os.environ.get("KILLS", "4"))
KEPT = re.compile(r"\b2\.25\.[0-9]+")
DAYS = ["2019-04-01", "2020-04-02", "2021-04-06"]


def stored(house: Clinic) -> int:
    """Objects that people typed or brought in, read or not; also of a store that nobody has open."""
    with closing(sqlite3.connect(house.folder / "store.sqlite")) as store:
        sql = "select count(*) from object where source in ('entered', 'table')"
        return store.execute(sql).fetchone()[0]


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


def table(one: Visitor, child: str) -> str:
    """A table that was looked at and waits to be brought in; its address."""
    rows = "".join(f"{child},2019-03-04,{day},4.{n},4.{n + 1}\n" for n, day in enumerate(DAYS))
    fields = one.forms("/bring-in")["/bring-in"] | {
        "unit": "mm", "shape": "exams", "dates": "iso", "separator": "comma", "decimal": "point",
    }
    fields.pop("file", None)
    text = "patient_id,birth_date,date,right,left\n" + rows
    answer = one.post("/bring-in", fields, files={"file": ("old.csv", text, "text/csv")})
    return answer.headers["location"].split("?")[0]


def bring(one: Visitor, address: str) -> str | None:
    """Whether the page said that the table is in."""
    try:
        fields = one.forms(address)[address] | {"act": "bring", "reason": "ward book", "password": PASSWORD}
        answer = one.post(address, fields)
    except (requests.RequestException, KeyError):
        return None
    return "in" if answer.status_code == 303 and answer.headers["location"] == "/bring-in" else None


class Act:
    """What is cut off: who does it, how it is prepared and done, and how many reports it makes."""

    def __init__(self, who: str, prepare: Callable, do: Callable, makes: int):
        self.who, self.prepare, self.do, self.makes = who, prepare, do, makes


ACTS = {
    "a measurement": Act("m.heron", draft, sign, 1),
    "a table": Act("l.alder", table, bring, len(DAYS)),
}


def visitor(house: Clinic, act: Act) -> Visitor:
    one = Visitor(house.base)
    one.sign_in(act.who)
    return one


def one_round(house: Clinic, act: Act, child: str, after: float) -> str:
    one = visitor(house, act)
    address = act.prepare(one, child)
    before = stored(house)
    told: list[str | None] = []
    doing = threading.Thread(target=lambda: told.append(act.do(one, address)))
    doing.start()
    time.sleep(after)
    house.process.kill()
    house.process.wait()
    doing.join(60)
    made = stored(house) - before
    was_told = bool(told and told[0])
    allowed = [act.makes] if was_told else [0, act.makes]
    how = "told" if was_told else "whole" if made else "nothing"
    check(made in allowed, f"{child}: {how}, and the store holds as many reports as that says", made)
    house.start()
    one = visitor(house, act)
    if was_told and act.makes == 1:
        answer = one.get(f"/measure/signed/{told[0]}")
        check(answer.status_code == 200, f"{child}: what was signed is there", answer.status_code)
    if not made:
        again = one.get(address).status_code == 200 and act.do(one, address)
        check(bool(again), f"{child}: the draft is there and is signed again")
    elif one.get(address).status_code == 200:
        act.do(one, address)
    check(stored(house) - before == act.makes, f"{child}: nothing came twice", stored(house) - before)
    until = time.monotonic() + 60
    while time.monotonic() < until and len(exams := house.exams(child, fine=False)) < act.makes:
        time.sleep(0.5)
    check(len(exams) == act.makes, f"{child}: every exam once", len(exams))
    return how


def kills(_: Browsers, binary: Path) -> None:
    seed = random.randrange(10**6)
    draw = random.Random(seed)
    with clinic(binary) as house:
        for number, (name, act) in enumerate(ACTS.items(), 3):
            part(f"killed while {name} is entered, seed {seed}")
            one = visitor(house, act)
            address = act.prepare(one, f"LC-{number}999")
            began = time.monotonic()
            done = act.do(one, address)
            took = time.monotonic() - began
            check(done is not None, "entered without a kill")
            # Denser at the beginning, where it is stored; the last is past the end on a machine as idle as now.
            steps = [1.5 * took * ((n + draw.random()) / ROUNDS) ** 2 for n in range(ROUNDS)]
            ways = [one_round(house, act, f"LC-{number}{n:03}", after) for n, after in enumerate(steps)]
            print(f"  of {ROUNDS} kills {ways.count('told')} came after the answer, {ways.count('whole')} before "
                  f"it with all kept, {ways.count('nothing')} with nothing")
