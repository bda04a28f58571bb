"""One child from beginning to end, at two widths: six old values from a table, an entry from a hand-held
scanner, the flag, its acknowledgement, a second reading, the operation, the label, and the recovery.

The child is invented. Its widths follow those of the demo's shunted child (fixtures/README.md).
"""

from datetime import date, timedelta
from pathlib import Path

from browser import Browsers, axe, picture, press, quiet, sign_in
from clinic import PASSWORD, Clinic, clinic
from playwright.sync_api import BrowserContext, Page
from told import check, part
from walk import act, confirmed

NAME = "Teasel^Robin"
# Days before today, and the widths of right and left, in millimetres.
OLD = [(1500, 4.6, 4.7), (1220, 4.7, 4.6), (930, 4.7, 4.8), (610, 4.8, 4.8), (330, 4.8, 4.9), (120, 4.9, 4.8)]
RAISED = {"right": ["5.9", "6.0", "5.9"], "left": ["5.8", "5.9", "5.9"]}
AGAIN = {"right": ["5.9", "5.9"], "left": ["5.8", "5.8"]}
RECOVERED = {"right": ["5.0", "4.9", "5.0"], "left": ["4.9", "4.9", "5.0"]}


def days_ago(days: int) -> date:
    return date.today() - timedelta(days=days)


def table(child: str, born: date) -> str:
    rows = ["patient_id,birth_date,name,date,right,left,plane,operator,manufacturer,model"]
    rows += [
        f"{child},{born},{NAME},{days_ago(days)},{right},{left},transverse,HERON,Tarnholt,Pocket T"
        for days, right, left in OLD
    ]
    return "\n".join(rows) + "\n"


class Story:
    def __init__(self, house: Clinic, people: Browsers, width: str, scripts: bool):
        self.house, self.people, self.width, self.scripts = house, people, width, scripts
        # A child for each telling, whose id nobody knows before.
        self.child = f"LC-{2001 + (width == 'narrow') + 2 * (not scripts)}"
        self.born = days_ago(365 * 9 + 40)
        self.exam = ""
        self.step = 0
        self.opened: dict[str, tuple[BrowserContext, Page]] = {}

    def window(self, name: str) -> Page:
        if name not in self.opened:
            person = self.people.person(self.width, scripts=self.scripts)
            page = person.new_page()
            sign_in(page, self.house.base, name, PASSWORD)
            self.opened[name] = (person, page)
        return self.opened[name][1]

    def seen(self, page: Page, what: str) -> None:
        self.step += 1
        if self.scripts:
            faults = axe(page)
            check(not faults, f"{what}: axe-core finds nothing", faults)
            over = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
            check(over <= 0, f"{what}: fits the window", over)
            picture(page, f"story-{self.width}-{self.step:02}-{what.replace(' ', '-')}")

    def bring_in(self) -> None:
        page = self.window("l.alder")
        page.goto(self.house.base + "/bring-in")
        file = Path(self.house.folder) / f"{self.width}.csv"
        file.write_text(table(self.child, self.born))
        page.locator("input[type=file]").set_input_files(file)
        page.locator("#unit").select_option("mm")
        page.locator("#shape").select_option("exams")
        press(page, page.get_by_role("button", name="Look at the rows"))
        check("6 accepted, 0 refused" in page.inner_text("main"), "six rows are accepted", page.inner_text("main")[:300])
        self.seen(page, "old values looked at")
        page.locator("#reason").fill("From the clinic's own sheet")
        if page.locator("#password").count():
            page.locator("#password").fill(PASSWORD)
        press(page, page.get_by_role("button", name="Bring in 6 exams"))
        check("6" in page.inner_text("main"), "they are brought in")
        self.seen(page, "old values brought in")

    def measure(self, day: date, time: str, values: dict[str, list[str]], what: str) -> None:
        page = self.window("m.heron")
        page.goto(self.house.base + "/measure")
        page.locator("#patient_id").fill(self.child)
        page.locator("#birth_date").fill(self.born.isoformat())
        press(page, page.get_by_role("button", name="Find the patient"))
        self.seen(page, f"{what} whom")
        press(page, page.get_by_role("button", name="Yes, measure"))
        old = [str(value) for _, right, left in OLD for value in (right, left)]
        shown = page.inner_text("main")
        check(not [one for one in old if one in shown], "no earlier value is shown before signing")
        page.locator("#date").fill(day.isoformat())
        page.locator("#time").fill(time)
        page.locator("#operator").fill("HERON")
        page.locator("#maker").fill("Tarnholt")
        page.locator("#model").fill("Pocket T")
        for eye, widths in values.items():
            for n, width in enumerate(widths, 1):
                page.locator(f"#{eye}_value_{n}").fill(width)
                page.locator(f"#{eye}_plane_{n}").select_option("transverse")
        self.seen(page, f"{what} typed")
        if page.locator("#password").count():
            page.locator("#password").fill(PASSWORD)
        press(page, page.get_by_role("button", name="Sign", exact=True))
        again = page.locator("input[name=all_the_same]")
        if again.count():
            again.check()
            if page.locator("#password").count():
                page.locator("#password").fill(PASSWORD)
            press(page, page.get_by_role("button", name="Sign", exact=True))
        check("Signed and kept" in page.inner_text("main"), f"{what}: signed", page.inner_text("main")[:300])
        for _ in range(60):
            if page.get_by_role("link", name="Open the exam").count():
                break
            page.wait_for_timeout(500)
            page.goto(page.url)
        self.exam = page.get_by_role("link", name="Open the exam").get_attribute("href").rsplit("/", 1)[1]
        self.seen(page, f"{what} signed")

    def flagged(self) -> None:
        page = self.window("c.wren")
        page.goto(self.house.base + "/today")
        row = page.locator("#rises tr", has_text=self.child)
        check(row.count() == 1, "the rise stands on Today", row.count())
        check("new rise" in row.inner_text(), "as new")
        self.seen(page, "today with the rise")
        press(page, row.get_by_role("link").first)
        self.seen(page, "exam with the rise")
        press(page, page.locator("form#acknowledge button[type=submit]"))
        confirmed(page)
        page.goto(f"{self.house.base}/exam/{self.exam}")
        check("acknowledged" in page.inner_text("main").lower(), "the rise is acknowledged")
        page.goto(self.house.base + "/today")
        check(page.locator("#rises tr", has_text=self.child).count() == 0, "it has left the list")
        page.goto(f"{self.house.base}/exam/{self.exam}")
        act(page, "second", {"reason": "Please measure once more"})
        confirmed(page)
        page.goto(f"{self.house.base}/exam/{self.exam}")
        self.seen(page, "second reading asked for")

    def second(self) -> None:
        page = self.window("l.alder")
        page.goto(f"{self.house.base}/second/{self.exam}")
        self.seen(page, "second reading offered")
        if page.get_by_role("button", name="Take it up").count():
            press(page, page.get_by_role("button", name="Take it up"))
        first = [one for widths in RAISED.values() for one in widths]
        for path in ["second", "exam", "patient"]:
            page.goto(f"{self.house.base}/{path}/{self.exam}")
            shown = page.inner_text("main")
            check(not [one for one in first if f"{one} mm" in shown or f"{one}0" in shown],
                  f"while it is read, /{path} shows no first value")
        page.goto(self.house.base + "/today")
        row = page.locator("main tr", has_text=self.child)
        shown = " ".join(row.all_inner_texts())
        check("5.9" not in shown and "5.8" not in shown, "and Today shows none", shown)
        page.goto(f"{self.house.base}/second/{self.exam}")
        for eye, widths in AGAIN.items():
            for n, width in enumerate(widths, 1):
                page.locator(f"#{eye}_value_{n}").fill(width)
        if page.locator("#password").count():
            page.locator("#password").fill(PASSWORD)
        press(page, page.get_by_role("button", name="Sign the second reading"))
        self.seen(page, "both readings")
        press(page, page.get_by_role("button", name="They agree"))
        check("they agree" in page.inner_text("main"), "they agree")

    def operated(self) -> None:
        page = self.window("c.wren")
        page.goto(f"{self.house.base}/exam/{self.exam}")
        act(page, "settle", {"outcome": "confirmed", "reason": "Raised at operation"})
        whose = page.locator(".whose").inner_text()
        named = all(one in whose for one in (self.child, self.born.isoformat(), "Robin Teasel"))
        check(named, "id, birth date and name stand beside what would be recorded", whose)
        self.seen(page, "settled and what it changes")
        confirmed(page)
        quiet(page, f"{self.house.base}/exam/{self.exam}")
        page.goto(f"{self.house.base}/exam/{self.exam}")
        check("Raised at operation" in page.inner_text("main"), "the rise is settled")
        page.goto(f"{self.house.base}/patient/{self.exam}")
        kinds = page.locator("form#event [name=kind] option").all()
        kind = next(one.get_attribute("value") for one in kinds if "shunt" in one.inner_text().lower())
        act(page, "event", {"date": days_ago(2).isoformat(), "kind": kind, "reason": "Valve was blocked"})
        confirmed(page)
        page.goto(f"{self.house.base}/patient/{self.exam}")
        check("Valve was blocked" in page.inner_text("main"), "the operation stands on the patient's page")
        self.seen(page, "patient after the operation")

    def recovered(self) -> None:
        self.measure(days_ago(0), "00:05", RECOVERED, "after the operation")
        page = self.window("c.wren")
        page.goto(f"{self.house.base}/exam/{self.exam}")
        act(page, "label", {"label": "after_decompression", "reason": "Two days after the valve was changed"})
        self.seen(page, "label and what it changes")
        confirmed(page)
        page.goto(f"{self.house.base}/exam/{self.exam}")
        check("Two days after the valve was changed" in page.inner_text("main"), "the label stands on the exam")
        self.seen(page, "exam after the operation")
        page.goto(f"{self.house.base}/patient/{self.exam}")
        text = page.inner_text("main")
        check(days_ago(1500).isoformat() in text, "the course begins with the first old value")
        self.seen(page, "recovery on the patients page")

    def tell(self) -> None:
        for chapter in [
            self.bring_in,
            lambda: self.measure(days_ago(3), "09:10", RAISED, "the entry"),
            self.flagged,
            self.second,
            self.operated,
            self.recovered,
        ]:
            chapter()
        for person, _ in self.opened.values():
            person.close()


def story(people: Browsers, binary: Path) -> None:
    with clinic(binary) as house:
        for width in ["wide", "narrow"]:
            part(f"the story, {width}")
            Story(house, people, width, True).tell()
        part("the story without scripts")
        Story(house, people, "wide", False).tell()
