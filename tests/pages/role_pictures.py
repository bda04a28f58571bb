"""Makes the pictures of daemon/docs/roles.md again, from the invented clinic of the demo.

    python tests/pages/role_pictures.py BINARY [FOLDER]

By hand, after a change of a page that they show; look at them. FOLDER is daemon/docs/pictures unless named.
Ids, values and days are always the same. What the clock and the disk alone say (now, how long ago, free room) is
written as `NOW`, `AGO` and 40 GB before the picture is taken, so that a second run differs only where a page does.
"""

import io
import sys
from datetime import UTC, datetime
from pathlib import Path

from attacks import newest
from browser import Browsers, browsers, press, sign_in
from clinic import PASSWORD, Clinic, clinic
from PIL import Image
from playwright.sync_api import Page

FOLDER = Path("daemon/docs/pictures")
NOW, AGO = "2026-04-01 09:30 UTC", "4 min ago"
HEIGHTS = {"reader": 860, "measurer": 900, "clinician": 900, "lead": 1000, "operator": 900, "auditor": 760}
CHILD, BORN = "LC-2001", "2017-03-05"
OLD = [
    ("2022-02-14", "4.6", "4.7"),
    ("2022-11-21", "4.7", "4.6"),
    ("2023-09-07", "4.7", "4.8"),
    ("2024-07-24", "4.8", "4.8"),
    ("2025-04-30", "4.8", "4.9"),
    ("2025-11-26", "4.9", "4.8"),
]
TODAY = {"right": ["5.9", "6.0", "5.9"], "left": ["5.8", "5.9", "5.9"]}
# Texts of the clock, wherever they stand on a page.
STOP = """([today, now, ago]) => {
    const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    const clock = new RegExp(today.join('|').replace(/.*/, days => `(${days}) \\\\d\\\\d:\\\\d\\\\d UTC`), 'g');
    for (let one; (one = walk.nextNode());) {
        one.data = one.data.replace(clock, now).replace(/\\d+ (min|h) ago/g, ago)
            .replace(/came on \\d{4}-\\d\\d-\\d\\d or/, 'came on 2026-03-25 or')
            .replace(/[0-9.]+ GB free/g, '40.0 GB free');
    }
}"""


def table() -> str:
    rows = ["patient_id,birth_date,name,date,right,left,plane,operator,manufacturer,model"]
    rows += [
        f"{CHILD},{BORN},Teasel^Robin,{day},{right},{left},transverse,HERON,Tarnholt,Pocket T"
        for day, right, left in OLD
    ]
    return "\n".join(rows) + "\n"


def take(page: Page, role: str, folder: Path, began: datetime) -> None:
    days = sorted({f"{at:%Y-%m-%d}" for at in (began, datetime.now(UTC))})
    page.evaluate(STOP, [days, NOW, AGO])
    page.evaluate("document.activeElement.blur(); scrollTo(0, 0)")
    taken = page.screenshot(clip={"x": 0, "y": 0, "width": 1280, "height": HEIGHTS[role]})
    # Few colours are enough, and a third of the bytes.
    picture = Image.open(io.BytesIO(taken)).convert("RGB").quantize(64)
    picture.save(folder / f"role-{role}.png", optimize=True)
    print(f"role-{role}.png")


def measurement(page: Page, base: str) -> None:
    page.goto(base + "/measure")
    page.locator("#patient_id").fill(CHILD)
    page.locator("#birth_date").fill(BORN)
    press(page, page.get_by_role("button", name="Find the patient"))
    press(page, page.get_by_role("button", name="Yes, measure"))
    page.locator("#date").fill("2026-03-30")
    page.locator("#time").fill("09:10")
    page.locator("#operator").fill("HERON")
    for eye, widths in TODAY.items():
        for n, width in enumerate(widths, 1):
            page.locator(f"#{eye}_value_{n}").fill(width)
            page.locator(f"#{eye}_plane_{n}").select_option("transverse")


def old_values(page: Page, house: Clinic) -> None:
    page.goto(house.base + "/bring-in")
    file = house.folder / "old-values.csv"
    file.write_text(table())
    page.locator("input[type=file]").set_input_files(file)
    page.locator("#unit").select_option("mm")
    page.locator("#shape").select_option("exams")
    press(page, page.get_by_role("button", name="Look at the rows"))


def pictures(house: Clinic, people: Browsers, folder: Path) -> None:
    began = datetime.now(UTC)
    rise = newest(house, "LC-1002")
    shown = {
        "reader": ("r.sedge", lambda page: page.goto(house.base + "/today")),
        "measurer": ("m.heron", lambda page: measurement(page, house.base)),
        "clinician": ("c.wren", lambda page: page.goto(f"{house.base}/exam/{rise}")),
        "lead": ("l.alder", lambda page: old_values(page, house)),
        "operator": ("o.quill", lambda page: page.goto(house.base + "/service")),
        "auditor": ("a.marsh", lambda page: page.goto(house.base + "/deeds")),
    }
    for role, (name, go) in shown.items():
        with people.person() as person:
            page = person.new_page()
            page.set_viewport_size({"width": 1280, "height": 1200})
            sign_in(page, house.base, name, PASSWORD)
            go(page)
            take(page, role, folder, began)


def main() -> int:
    folder = Path(sys.argv[2]) if len(sys.argv) > 2 else FOLDER
    with browsers() as people, clinic(Path(sys.argv[1]).resolve()) as house:
        pictures(house, people, folder)
    return 0


if __name__ == "__main__":
    sys.exit(main())
