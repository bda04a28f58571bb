"""Every page at two widths, with our script and without it; and the acts by hand, by key, without scripts."""

from pathlib import Path

from attacks import PATHS, newest
from browser import WIDTHS, Browsers, Watch, look, picture, press, quiet, sign_in
from clinic import PASSWORD, PEOPLE, Clinic, clinic
from playwright.sync_api import Page
from told import check, part

# What a page must not put into address or title: ids and birth dates of the demo.
SECRETS = ["LC-1001", "LC-1002", "LC-1003", "LC-1004", "LC-1005", "LC-1006", "LC-1007", "LC-1008", "LC-1009"]


def places(house: Clinic) -> list[tuple[str, str, str]]:
    """Who looks, at which page, under which name."""
    rise, still, refused, first = (newest(house, one) for one in ["LC-1002", "LC-1001", "LC-1005", "LC-1009"])
    seen = [(next(name for name, roles in PEOPLE.items() if roles[0] in may), path, path[1:]) for path, may in PATHS.items()]
    seen += [("c.wren", f"/exam/{rise}", "exam-rise"), ("r.sedge", f"/exam/{still}", "exam-as-a-reader")]
    seen += [("l.alder", f"/exam/{refused}", "exam-not-comparable"), ("l.alder", f"/exam/{first}", "exam-first")]
    seen += [("l.alder", f"/patient/{rise}", "patient"), ("r.sedge", f"/patient/{still}", "patient-as-a-reader")]
    seen += [("c.wren", f"/second/{rise}", "second-not-asked"), ("c.wren", "/deeds", "not-allowed")]
    return [*seen, ("c.wren", "/exam/none", "not-found")]


def every_page(house: Clinic, people: Browsers) -> None:
    for width in WIDTHS:
        for scripts in (True, False):
            how = f"{width}, {'with' if scripts else 'without'} script"
            part(f"every page, {how}")
            windows: dict[str, Page] = {}
            watches: list[Watch] = []
            with people.person(width) as person:
                page = person.new_page()
                look(page, f"sign-in, {how}", page.goto(house.base + "/sign-in"))
                picture(page, f"sign-in-{width}")
            for name, path, called in places(house):
                if name not in windows:
                    # axe-core needs scripts to run; ours is taken away instead.
                    person = people.person(width)
                    if not scripts:
                        person.route("**/script-*.js", lambda route: route.abort())
                    windows[name] = person.new_page()
                    watches.append(Watch(windows[name], house.base))
                    sign_in(windows[name], house.base, name, PASSWORD)
                page = windows[name]
                answer = page.goto(house.base + path)
                look(page, f"{called}, {how}", answer, SECRETS)
                wanted = {"not-allowed": 403, "not-found": 404}.get(called, 200)
                check(answer.status == wanted, f"{called}, {how}: {wanted}", answer.status)
                if scripts:
                    picture(page, f"{called}-{width}")
            for page in windows.values():
                page.context.close()
            for watch in watches:
                check(not watch.elsewhere, f"nothing is loaded from elsewhere, {how}", watch.elsewhere)
                check(not watch.complaints, f"the browser complains of nothing, {how}", watch.complaints[:3])


# Text as far apart as its reader may set it (WCAG 2.2, 1.4.12), in a window as wide as 1280 px seen four times as
# large (1.4.10).
SMALLEST = {"width": 320, "height": 640}
APART = """() => {
    const sheet = new CSSStyleSheet();
    sheet.replaceSync('* { line-height: 1.5 !important; letter-spacing: .12em !important;'
        + ' word-spacing: .16em !important; } p { margin-bottom: 2em !important; }');
    document.adoptedStyleSheets = [sheet];
}"""
BESIDE = """() => [...document.querySelectorAll('body *')].filter(one => one.checkVisibility()
    && !one.closest('.scroll, .unseen, .skip, svg') && one.getBoundingClientRect().right > innerWidth + 1)
    .slice(0, 2).map(one => one.outerHTML.slice(0, 80))"""


def reflows(house: Clinic, people: Browsers) -> None:
    part("as small as it may be, and with text far apart")
    for name in PEOPLE:
        with people.person("narrow") as person:
            page = person.new_page()
            page.set_viewport_size(SMALLEST)
            sign_in(page, house.base, name, PASSWORD)
            for _, path, called in [one for one in places(house) if one[0] == name]:
                page.goto(house.base + path)
                small = page.evaluate(BESIDE)
                page.evaluate(APART)
                check(not small and not page.evaluate(BESIDE), f"{called} at 320 px: nothing lies beside the window",
                      small or page.evaluate(BESIDE))


def on_paper(house: Clinic, people: Browsers) -> None:
    part("on paper")
    with people.person() as person:
        page = person.new_page()
        sign_in(page, house.base, "l.alder", PASSWORD)
        rise = newest(house, "LC-1002")
        for path in [f"/exam/{rise}", f"/patient/{rise}", "/department", "/today"]:
            page.goto(house.base + path)
            page.emulate_media(media="print")
            shown = page.evaluate(
                "[...document.querySelectorAll('nav, form, button, input')].filter(one => one.checkVisibility()).length"
            )
            check(shown == 0, f"{path.split('/')[1]}: no navigation and no form on paper", shown)
            picture(page, f"print-{path.split('/')[1]}")
            page.emulate_media(media="screen")


def confirmed(page: Page) -> None:
    """Answers the page that shows what an act changes: with yes where it asks once more."""
    button = page.get_by_role("button", name="Record it")
    if button.count():
        for question in page.locator("main form input[type=checkbox][required]").all():
            question.check()
        press(page, button)


def act(page: Page, form: str, fields: dict[str, str]) -> None:
    box = page.locator(f"form#{form}")
    for name, value in fields.items():
        one = box.locator(f"[name={name}]").first
        if one.evaluate("one => one.tagName") == "SELECT":
            one.select_option(value)
        else:
            one.fill(value)
    press(page, box.locator("button[type=submit]").first)


def every_act(house: Clinic, people: Browsers) -> None:
    """The acts of a clinician at both widths, with scripts and with none at all."""
    rounds = [("wide", True), ("wide", False), ("narrow", True), ("narrow", False)]
    patients = ["LC-1001", "LC-1003", "LC-1004", "LC-1008"]
    for (width, scripts), patient in zip(rounds, patients, strict=True):
        part(f"acts, {width}, {'with' if scripts else 'without'} scripts")
        exam = f"{house.base}/exam/{newest(house, patient)}"
        with people.person(width, scripts=scripts) as person:
            page = person.new_page()
            sign_in(page, house.base, "l.alder", PASSWORD)
            for form, fields, shows in [
                ("note", {"reason": "Came by train"}, "Came by train"),
                ("label", {"label": "raised_ruled_out", "reason": "No complaint"}, "No complaint"),
                ("pressure", {"value": "14", "unit": "cm[H2O]", "reason": "Lumbar puncture"}, "14"),
                ("leave-out", {"reason": "Probe was changed"}, "Probe was changed"),
                ("second", {"reason": "The lower border"}, "The lower border"),
            ]:
                quiet(page, exam)
                before = len(house.entries())
                if page.locator(f"form#{form}").count() == 0:
                    check(False, f"{form}: a form is there")
                    continue
                # Results of the act before may come meanwhile: then it is refused, and said again, as people do.
                for _ in range(10):
                    act(page, form, fields)
                    confirmed(page)
                    if "Something changed" not in page.inner_text("main"):
                        break
                    quiet(page, exam)
                check(len(house.entries()) == before + 1, f"{form} of {patient}: one entry", page.inner_text("main")[:600])
                page.goto(exam)
                check(shows in page.inner_text("main"), f"{form}: it stands on the page")


def by_keyboard(house: Clinic, people: Browsers) -> None:
    """A rise is acknowledged without a mouse, from the address of the pages on."""
    part("by keyboard alone")
    with people.person() as person:
        page = person.new_page()
        page.goto(house.base + "/sign-in")
        tab_to(page, "input", "name")
        page.keyboard.type("c.wren")
        page.keyboard.press("Tab")
        page.keyboard.type(PASSWORD)
        page.keyboard.press("Enter")
        page.wait_for_url("**/today")
        check(tab_to(page, "a", "skip"), "the first stop skips the navigation")
        ring = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
        check(ring != "none", "where one is, is seen", ring)
        before = len(house.entries())
        check(tab_to(page, "button", "Acknowledge"), "Tab reaches the button that acknowledges")
        entered(page)
        if page.get_by_role("button", name="Record it").count():
            tab_to(page, "button", "Record it")
            entered(page)
        check(len(house.entries()) == before + 1, "the rise is acknowledged", len(house.entries()) - before)


def entered(page: Page) -> None:
    """Presses Enter, and waits for the page that comes of it: a window that is closed on its way may never close."""
    with page.expect_navigation():
        page.keyboard.press("Enter")
    page.wait_for_load_state()


def tab_to(page: Page, tag: str, words: str) -> bool:
    """Presses Tab until such an element is reached; whether it was."""
    for _ in range(120):
        page.keyboard.press("Tab")
        found = page.evaluate(
            "() => { const one = document.activeElement; return [one.tagName.toLowerCase(),"
            " one.name || '', one.textContent || '', one.className || '', one.getAttribute('aria-label') || ''] }"
        )
        if found[0] == tag and (not words or any(words.lower() in text.lower() for text in found[1:])):
            return True
    return False


def downloads(house: Clinic, people: Browsers) -> None:
    part("what can be taken away")
    exam = newest(house, "LC-1002")
    with people.person() as person:
        page = person.new_page()
        sign_in(page, house.base, "c.wren", PASSWORD)
        page.goto(f"{house.base}/exam/{exam}")
        for words, begins in [("PDF", b"%PDF"), ("SR", b"\0" * 128 + b"DICM")]:
            with page.expect_download() as taken:
                page.get_by_role("link", name=f"Download {words}").first.click()
            path = Path(taken.value.path())
            check(path.read_bytes().startswith(begins), f"the {words} of the result is one")
            check("LC-1002" not in taken.value.suggested_filename, f"the name of the {words} tells no patient")


def pages(people: Browsers, binary: Path) -> None:
    with clinic(binary) as house:
        every_page(house, people)
        reflows(house, people)
        on_paper(house, people)
        downloads(house, people)


def actions(people: Browsers, binary: Path) -> None:
    with clinic(binary) as house:
        by_keyboard(house, people)
        every_act(house, people)
