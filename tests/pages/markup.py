"""Markup in every text that a form of the pages takes, one field after another, found on the pages themselves.

Nothing here knows a form by name: each account follows its own links, every form that is found is filled in as
it stands, and each field that takes text gets the hostile text once.
"""

import json
import re
from urllib.parse import urlencode, urlsplit

from attacks import HOSTILE, PATHS, newest, signed_in
from browser import Browsers, sign_in
from clinic import PASSWORD, PEOPLE, Clinic
from lxml import html
from requests import Response
from told import check
from visitor import Visitor

# Pages of one account that are looked through, and links that are not followed.
MOST, OTHERS = 40, re.compile(r"/(exam|patient|second|measure/correct)/(?!E[0-9a-f]+)|\.(pdf|dcm|csv|toml|css|js)$|sign-")
RAN = """() => [document.title, document.querySelectorAll('img[onerror], script:not([src]), [onload]').length,
    document.querySelectorAll('script[src]').length]"""


class Form:
    def __init__(self, page: str, form: html.FormElement):
        self.page, self.action, self.method = page, form.get("action") or page, form.method
        self.fields = {name: value or "" for name, value in form.form_values()}
        self.kinds = {}
        for one in form.inputs:
            if one.name:
                kind = one.tag if one.tag in ("select", "textarea") else one.get("type", "text")
                self.kinds[one.name] = kind
        self.file = "file" in self.kinds.values()

    def name(self) -> str:
        """The same for every exam, draft and table."""
        at = re.sub(r"/(E[0-9a-f]+|\d+(\.\d+)*|[0-9a-f-]{20,})(?=/|$)", "/ID", urlsplit(self.action).path)
        return f"{self.method} {at}"


def pages_of(one: Visitor, exam: str, first: list[str]) -> dict[str, str]:
    """Every page that an account reaches by links, no more than one exam's; address to text."""
    seen: dict[str, str] = {}
    waiting = list(first)
    while waiting and len(seen) < MOST:
        path = waiting.pop(0)
        if path in seen:
            continue
        answer = one.get(path)
        if answer.status_code != 200 or "text/html" not in answer.headers["content-type"]:
            continue
        seen[path] = answer.text
        for link in html.fromstring(answer.content).iterlinks():
            to = urlsplit(link[2])
            if link[1] != "href" or to.netloc or not to.path.startswith("/") or OTHERS.search(to.path):
                continue
            if to.query or (re.search(r"/E[0-9a-f]+", to.path) and exam not in to.path):
                continue
            waiting.append(to.path)
    return seen


def forms_of(pages: dict[str, str]) -> dict[str, Form]:
    found: dict[str, Form] = {}
    for path, text in pages.items():
        for form in html.fromstring(text).forms:
            one = Form(path, form)
            if not one.action.startswith("/sign-out"):
                found.setdefault(one.name(), one)
    return found


def again(one: Visitor, form: Form) -> dict[str, str]:
    """The same form with a token of its own."""
    for fresh in html.fromstring(one.get(form.page).content).forms:
        if (fresh.get("action") or form.page) == form.action and fresh.method == form.method:
            return {name: value or "" for name, value in fresh.form_values()}
    return form.fields


def fine(answer: Response, at: str) -> None:
    page = html.fromstring(answer.content) if "html" in answer.headers["content-type"] else None
    ran = [] if page is None else page.xpath("//img[@onerror] | //script[not(@src)] | //*[@onload]")
    if ran or answer.status_code >= 500:
        check(False, f"markup in {at}: written, not read", (answer.status_code, len(ran)))


def filled(one: Visitor, form: Form) -> int:
    """Each field once with the hostile text, the others as they stand; how many."""
    count = 0
    for field, kind in form.kinds.items():
        if kind == "password" or field == "token":
            continue
        fields = (again(one, form) if form.method == "POST" else dict(form.fields)) | {field: HOSTILE}
        at = f"{field} of {form.name()}"
        if form.method == "GET":
            answer = one.get(f"{form.action}?{urlencode(fields)}")
        elif form.file:
            file = None if kind != "file" else (HOSTILE, HOSTILE.encode(), "text/csv")
            sent = {name: (None, value) for name, value in fields.items() if form.kinds.get(name) != "file"}
            answer = one.session.post(one.base + form.action, files=sent | {"file": file or ("", b"", "text/csv")}, timeout=60)
        else:
            answer = one.post(form.action, fields, follow=True)
        fine(answer, at)
        count += 1
    return count


def recorded(one: Visitor, exam: str) -> None:
    """Hostile reasons that are kept: with them stored, every page must still show them as text."""
    for path in (f"/exam/{exam}", f"/patient/{exam}"):
        for action, _ in one.forms(path).items():
            if action == "/sign-out":
                continue
            fields = one.forms(path).get(action, {})
            good = {"label": "well", "outcome": "not_settled", "value": "14", "unit": "cm[H2O]", "limit": ""}
            fields |= {name: value for name, value in good.items() if name in fields}
            if "reason" in fields:
                answer = one.post(action, fields | {"reason": HOSTILE}, follow=True)
                fine(answer, f"reason of {action.rsplit('/', 1)[1]}")
                if action.endswith("/readings-back"):
                    # What was kept before belongs to readings that are still looked at below.
                    continue
                again_ = [f for f in html.fromstring(answer.content).forms if f.method == "POST" and "sign-out" not in (f.get("action") or "")]
                for form in again_:
                    values = {name: value or "" for name, value in form.form_values()}
                    fine(one.post(form.get("action"), values | {"sure": "yes"}, follow=True), "what is asked once more")


def begin(one: Visitor, patient: str) -> Response:
    """The draft of a measurement of somebody whom nobody knows."""
    find = one.forms("/measure")["/measure/find"] | {"patient_id": patient, "birth_date": "2012-02-03"}
    page = html.fromstring(one.post("/measure/find", find, follow=True).content)
    form = next(form for form in page.forms if form.get("action") == "/measure/begin")
    return one.post("/measure/begin", {name: value or "" for name, value in form.form_values()}, follow=True)


def taken_up(house: Clinic) -> str:
    """A second reading that waits for its values; where."""
    exam, one = newest(house, "LC-1003"), signed_in(house, "l.alder")
    one.post(f"/exam/{exam}/second", one.forms(f"/exam/{exam}")[f"/exam/{exam}/second"] | {"reason": HOSTILE})
    place = f"/second/{exam}"
    fine(one.post(f"{place}/take", one.forms(place)[f"{place}/take"], follow=True), "a second reading")
    return place


def typed(house: Clinic) -> str:
    """A measurement whose every text is hostile, signed and kept; the exam that came of it."""
    one = signed_in(house, "m.heron")
    begun = begin(one, "LC-6666")
    path = urlsplit(begun.url).path
    form = next(one for one in html.fromstring(begun.content).forms if (one.get("action") or path).startswith("/measure/"))
    kinds = Form(path, form).kinds
    fields = {name: value or "" for name, value in form.form_values()}
    # Without `=` and `^`, which no name of a person may hold: that is told, and nothing would be kept.
    short = "<script>document.write('taken')</script>"
    for name, kind in kinds.items():
        if kind in ("text", "textarea") and not re.search(r"_(value|depth|angle)_\d", name):
            fields[name] = short
    fields |= {"date": "2026-01-05", "time": "09:10", "password": PASSWORD, "right_value_1": "5.1", "left_value_1": "5.0"}
    answer = one.post(form.get("action") or path, fields | {"act": "sign"}, follow=True)
    asked = next((one for one in html.fromstring(answer.content).forms if "all_the_same" in one.inputs.keys()), None)
    if asked is not None:
        yes = asked.xpath(".//input[@name='all_the_same']/@value")[0]
        fresh = {"token": asked.fields["token"], "all_the_same": yes, "act": "sign"}
        answer = one.post(asked.get("action") or path, fields | fresh, follow=True)
    fine(answer, "a measurement")
    why = " ".join(one.text_content() for one in html.fromstring(answer.content).xpath("//*[@class='wrong' or @role='alert']//text()/.."))
    check("Signed and kept" in answer.text, "a measurement with markup in every text is kept", why or answer.status_code)
    for _ in range(60):
        exams = house.exams("LC-6666", fine=False)
        if exams:
            return exams[-1]["exam_id"]
        one.get("/measure")
    return ""


def table(house: Clinic) -> str:
    """A table whose every text is hostile, looked at and not brought in; where it waits."""
    one = signed_in(house, "l.alder")
    sent = {name: (None, value) for name, value in one.forms("/bring-in")["/bring-in"].items()}
    sent |= {"unit": (None, "mm"), "shape": (None, "exams"), "issuer": (None, HOSTILE)}
    cell = '"' + HOSTILE.replace('"', '""') + '"'
    text = f"patient_id,birth_date,name,date,right,plane,operator,{cell}\n"
    text += f"{cell},2012-01-01,{cell},2020-01-01,5.0,transverse,{cell},{cell}\n" + ",".join([cell] * 8) + "\n"
    answer = one.session.post(one.base + "/bring-in", files=sent | {"file": (HOSTILE, text, "text/csv")}, timeout=60)
    fine(answer, "a table")
    path = urlsplit(answer.url).path
    check(path.startswith("/bring-in/"), "a table with markup in every cell is looked at", answer.status_code)
    return path


def everywhere(house: Clinic, people: Browsers) -> None:
    exam, hostile = newest(house, "LC-1007"), typed(house)
    begin(signed_in(house, "m.heron"), "LC-6667")
    waits = [table(house), taken_up(house)]
    tried: dict[str, int] = {}
    found: dict[str, list[str]] = {}
    for name, roles in PEOPLE.items():
        one = signed_in(house, name)
        first = [path for path, may in PATHS.items() if may & set(roles)]
        if set(roles) & {"reader", "measurer", "clinician", "lead"}:
            first += [f"/exam/{exam}", f"/patient/{exam}"]
        first += {"l.alder": waits, "m.heron": [f"/measure/correct/{hostile}"]}.get(name, [])
        pages = pages_of(one, exam, first)
        for key, form in forms_of(pages).items():
            if key not in tried:
                tried[key] = filled(one, form)
        found[name] = list(pages)
    recorded(signed_in(house, "l.alder"), exam)
    Visitor(house.base, "127.0.0.9").sign_in(HOSTILE)
    fields = sum(tried.values())
    print(f"  {fields} fields of {len(tried)} forms: {json.dumps(tried)}")
    check(len(tried) >= 20 and fields >= 140, "every form that was found had each of its texts hostile", tried)
    for name, paths in found.items():
        with people.person() as person:
            page = person.new_page()
            dialogs: list[str] = []
            page.on("dialog", lambda dialog, told=dialogs: (told.append(dialog.message), dialog.dismiss()))
            sign_in(page, house.base, name, PASSWORD)
            if hostile and not set(PEOPLE[name]) & {"operator", "auditor"}:
                paths = [*paths, f"/exam/{hostile}", f"/patient/{hostile}"]
            for path in paths:
                page.goto(house.base + path)
                title, ran, _ = page.evaluate(RAN)
                if ran or "taken" in title or dialogs:
                    check(False, f"{name} at {path}: nothing ran", (title, ran, dialogs))
            check(True, f"{name} looked at {len(paths)} pages with all of it stored: nothing ran")
