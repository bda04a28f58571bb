"""What moves while a page is open: the lists of today, a service that stands still or is away, the zoom of a course.

The clock of the browser is moved, so that nobody waits half a minute; the service's is not.
"""

import re
from pathlib import Path

from attacks import newest, signed_in
from browser import Browsers, axe, picture, press, sign_in
from clinic import PASSWORD, Clinic, clinic
from markup import begin
from playwright.sync_api import Page
from told import check, part
from visitor import Visitor
from walk import tab_to

# Longer than between two looks at the lists, and longer than somebody may be away until they rest.
LOOK, REST = "00:35", "15:00"


def signed(house: Clinic, patient: str) -> None:
    """A first exam of somebody: it cannot be compared, so it comes to Today."""
    one: Visitor = signed_in(house, "m.heron")
    begun = begin(one, patient)
    path = begun.url.removeprefix(house.base)
    fields = one.forms(path)[path] | {"date": "2026-01-05", "time": "09:10", "operator": "HERON", "password": PASSWORD, "act": "sign"}
    fields |= {f"{eye}_{name}_1": value for eye in ("right", "left") for name, value in (("value", "5.1"), ("plane", "transverse"))}
    answer = one.post(path, fields, follow=True)
    yes = re.search(r'name="all_the_same" value="([^"]+)"', answer.text)
    if yes:
        fresh = one.forms(path)[path]["token"]
        answer = one.post(path, fields | {"token": fresh, "all_the_same": yes[1]}, follow=True)
    check("Signed and kept" in answer.text, f"{patient} is measured", answer.status_code)
    for _ in range(100):
        if house.exams(patient, fine=False):
            return


def looked(page: Page) -> None:
    """Half a minute passes in the browser, and what was asked for comes."""
    page.clock.fast_forward(LOOK)
    page.wait_for_timeout(1500)


def lists_renew(house: Clinic, people: Browsers) -> None:
    part("live: the lists of today")
    with people.person() as person, people.person(scripts=False) as still:
        page, plain = person.new_page(), still.new_page()
        page.clock.install()
        for one in (page, plain):
            sign_in(one, house.base, "c.wren", PASSWORD)
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url) if "shown=" in request.url else None)
        looked(page)
        check(len(asked) == 1, "the lists are looked at again by themselves", asked)
        check("c.wren" in page.inner_text("header"), "and the page stays")
        signed(house, "LC-8001")
        check("LC-8001" not in page.inner_text("main"), "what came stands on no page that was loaded before")
        looked(page)
        check("LC-8001" in page.inner_text("main"), "a result that came meanwhile comes to the list without a hand")
        check(not axe(page), "with it the page is as accessible as before", axe(page))
        check("LC-8001" not in plain.inner_text("main"), "without scripts a page stands still")
        plain.reload()
        check("LC-8001" in plain.inner_text("main"), "and is right when it is loaded again")
        # Nothing is exchanged under somebody's hands.
        page.locator("#lists a").first.focus()
        signed(house, "LC-8002")
        looked(page)
        check("LC-8002" not in page.inner_text("main"), "while somebody stands in the list it does not move")
        page.evaluate("document.activeElement.blur()")
        looked(page)
        check("LC-8002" in page.inner_text("main"), "and moves on when they leave it")
        # Nobody there: a session is not kept alive.
        asked.clear()
        page.clock.run_for(REST)
        page.wait_for_timeout(500)
        asked.clear()
        looked(page)
        check(not asked, "when nobody touched the page for ten minutes nothing is asked for", asked)
        told = page.locator("#age .still")
        for _ in range(40):
            if told.count():
                break
            page.wait_for_timeout(500)
        check(told.count() == 1 and "rests" in told.inner_text(), "and an old list does not look like a new one", page.inner_text("#age"))
        page.keyboard.press("Shift")
        page.wait_for_timeout(1500)
        check(len(asked) == 1 and told.count() == 0, "a key is enough, and it is looked at at once", asked)


def stands_still(house: Clinic, people: Browsers) -> None:
    """A service that cannot work, then one that is not there at all: told in words, in a frame, in colour."""
    part("live: a service that stands still")
    drop = house.folder / "drop"
    with people.person() as person:
        page = person.new_page()
        page.clock.install()
        sign_in(page, house.base, "c.wren", PASSWORD)
        check(page.locator(".still").count() == 0, "nothing is told while it works")
        away = drop.with_name("away")
        drop.rename(away)
        page.wait_for_timeout(3000)
        looked(page)
        told = page.locator("#age .still")
        check(told.count() == 1 and "stands still" in told.inner_text() and "not up to date" in told.inner_text(), "it is told on the open page",
              page.inner_text("#age"))
        if told.count():
            shown = told.first.evaluate("one => { const s = getComputedStyle(one); return [s.borderTopWidth, s.borderTopColor, s.color, one.getAttribute('role')] }")
            check(int(shown[0].removesuffix("px")) >= 3 and shown[1] != shown[2] and shown[3] == "alert", "in a frame of a colour, and aloud", shown)
            check(not axe(page), "and accessible", axe(page))
            picture(page, "stands-still", whole=False)
        with people.person(scripts=False) as still:
            plain = still.new_page()
            sign_in(plain, house.base, "r.sedge", PASSWORD)
            for path in ("/today", f"/exam/{newest(house, 'LC-1002')}", f"/patient/{newest(house, 'LC-1002')}", "/department"):
                plain.goto(house.base + path)
                check("stands still" in plain.inner_text("body"), f"{path.split('/')[1]} says so without scripts")
        away.rename(drop)
        page.wait_for_timeout(3000)
        looked(page)
        check(page.locator("#age .still").count() == 0, "and no longer when it works again", page.inner_text("#age"))
        house.stop()
        looked(page)
        told = page.locator("#age .still")
        check(told.count() == 1 and "does not answer" in told.inner_text(), "a service that is away is told", page.inner_text("#age"))
        first = page.locator("#age").evaluate("one => one.firstElementChild.className")
        check(first == "still", "before anything that reads as news", first)
        check(page.locator("#lists tr").count() > 3, "what was shown stays to be read")
        looked(page)
        check(page.locator("#age .still").count() == 1, "once")
        picture(page, "away", whole=False)


def zoomed(house: Clinic, people: Browsers) -> None:
    """The course by keyboard alone, with our script and without any."""
    part("live: the zoom of a course")
    exam = newest(house, "LC-1002")
    for width in ("wide", "narrow"):
        with people.person(width) as person:
            page = person.new_page()
            sign_in(page, house.base, "r.sedge", PASSWORD)
            page.goto(f"{house.base}/patient/{exam}")
            every = page.locator(".course svg").first.inner_html()
            check(tab_to(page, "a", "1 year"), f"Tab reaches the windows, {width}")
            with page.expect_navigation():
                page.keyboard.press("Enter")
            chosen = page.locator(".zoom [aria-current]")
            check(chosen.count() == 1 and chosen.inner_text() == "1 year", "Enter chooses one, and it is told which", page.url)
            check(page.locator(".course svg").first.inner_html() != every, "the course is another part")
            check(page.locator(".course").evaluate("one => { const box = one.getBoundingClientRect(); return box.bottom > 0 && box.top < innerHeight }"),
                  "and is in sight")
            check(tab_to(page, "a", "earlier"), "and the part before is reached")
            with page.expect_navigation():
                page.keyboard.press("Enter")
            check("end=" in page.url and page.locator(".zoom a", has_text="newest").count() == 1, "earlier, and back to the newest")
            page.goto(f"{house.base}/patient/{exam}")
            if width == "narrow":
                region = page.locator(".course .scroll")
                region.focus()
                before = region.evaluate("one => one.scrollLeft")
                for _ in range(4):
                    page.keyboard.press("ArrowLeft")
                page.wait_for_timeout(500)
                check(region.evaluate("one => one.scrollLeft") < before, "the arrows move a course that is wider than the screen")
                axis = page.locator(".course svg.axis").bounding_box()
                check(axis["x"] >= 0 and page.locator(".course svg.axis text").count() > 2, "its axis stays in sight", axis)
    with people.person(scripts=False) as person:
        page = person.new_page()
        sign_in(page, house.base, "r.sedge", PASSWORD)
        page.goto(f"{house.base}/patient/{exam}")
        press(page, page.get_by_role("link", name="5 years"))
        check(page.locator(".zoom [aria-current]").inner_text() == "5 years", "without scripts as well")


def printed(house: Clinic, people: Browsers) -> None:
    """What paper must hold and must not."""
    part("live: on paper")
    exam = newest(house, "LC-1002")
    holds = {"exam": ["LC-1002", "2015-06-21", "Well above expected", "5.90", "4.95", "Cautions", "not a certified medical device", "As of"],
             "patient": ["LC-1002", "2015-06-21", "Course of this patient", "Exams, and whether", "does not exclude raised pressure", "As of"]}
    for what, texts in holds.items():
        with people.person() as person:
            page = person.new_page()
            sign_in(page, house.base, "l.alder", PASSWORD)
            page.goto(f"{house.base}/{what}/{exam}")
            page.emulate_media(media="print")
            text = page.inner_text("body")
            lost = [one for one in texts if one.lower() not in text.lower()]
            check(not lost, f"the {what} on paper holds whom, what and the cautions", lost)
            left = [one for one in ["Sign out", "Show what it changes", "Download", "Take back", "choose", "48 hours", "Skip to"] if one in text]
            check(not left, "and nothing to press", left)
            check(page.locator(".whose").evaluate("one => getComputedStyle(one).position") == "static", "the bar does not lie over the text")
            pages = page.pdf(format="A4").count(b"/Type /Page\n") or 1
            check(pages <= 3, f"on {pages} pages of A4")


def live(people: Browsers, binary: Path) -> None:
    with clinic(binary) as house:
        for step in (zoomed, printed, lists_renew, stands_still):
            step(house, people)
        house.start()
