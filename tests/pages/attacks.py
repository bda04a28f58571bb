"""The attacks of the threat model (daemon/docs/pages-security.md), each with what must come of it.

Kinds after the list of the Open Worldwide Application Security Project (OWASP), Application Security
Verification Standard 5.0, 2025: session management (7), access control (8), validation (1, 2).
"""

import json
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from browser import Browsers, header_faults, named, press, sign_in
from clinic import PASSWORD, PEOPLE, Clinic, clinic
from told import check, part
from visitor import Visitor, token

# What an attacker writes where a person writes words.
HOSTILE = "<script>document.title='taken'</script><img src=x onerror=\"document.title='taken'\">'\"&amp;</textarea>"
PATHS = {
    # Place: roles that may open it.
    "/today": {"reader", "measurer", "clinician", "lead"},
    "/measure": {"measurer"},
    "/bring-in": {"lead"},
    "/codes": {"lead", "operator"},
    "/department": {"reader", "measurer", "clinician", "lead"},
    "/service": {"operator"},
    "/deeds": {"auditor"},
}


def newest(house: Clinic, patient: str) -> str:
    """The exam of a patient that was last."""
    house.first = getattr(house, "first", {})
    if patient not in house.first:
        house.first[patient] = house.exams(patient)[-1]["exam_id"]
    return house.first[patient]


def signed_in(house: Clinic, name: str, address: str = "127.0.0.1") -> Visitor:
    one = Visitor(house.base, address)
    answer = one.sign_in(name)
    if answer.status_code not in (302, 303):
        raise SystemExit(f"{name} cannot sign in: {answer.status_code}")
    return one


def nobody_sees(house: Clinic, _: Browsers) -> None:
    one, exam = Visitor(house.base), newest(house, "LC-1002")
    for path in [*PATHS, f"/exam/{exam}", f"/patient/{exam}", f"/exam/{exam}/result.pdf", f"/second/{exam}"]:
        answer = one.get(path, allow_redirects=False)
        sent_on = answer.status_code in (302, 303) and answer.headers["location"].startswith("/sign-in")
        check(sent_on and not named(answer.text, ["LC-1002"]), f"without signing in: {path}", answer.status_code)


def each_role(house: Clinic, _: Browsers) -> None:
    for name, roles in PEOPLE.items():
        one = signed_in(house, name)
        for path, may in PATHS.items():
            wanted = 200 if may & set(roles) else 403
            answer = one.get(path)
            check(answer.status_code == wanted, f"{roles[0]} at {path}: {wanted}", answer.status_code)
            faults = header_faults({k.lower(): v for k, v in answer.headers.items()}, False)
            check(not faults, f"headers of {path} for {roles[0]}", faults)


def forged_post(house: Clinic, people: Browsers) -> None:
    """A page of somebody else posts into the session of a clinician who opens it."""
    exam, before = newest(house, "LC-1002"), house.entries()
    one = signed_in(house, "c.wren")
    form = one.forms(f"/exam/{exam}")[f"/exam/{exam}/note"]
    name = next(key for key in form if "token" in key)
    fields = form | {"reason": "forged"}
    without = {key: value for key, value in fields.items() if key != name}
    for what, sent in [("no token", without), ("an invented token", fields | {name: "A" * 43})]:
        answer = one.post(f"/exam/{exam}/note", sent)
        check(answer.status_code == 403, f"forged post with {what}: refused", answer.status_code)
    other = signed_in(house, "l.alder").forms(f"/exam/{exam}")[f"/exam/{exam}/note"]
    answer = one.post(f"/exam/{exam}/note", fields | {name: other[name]})
    check(answer.status_code == 403, "forged post with the token of another session: refused", answer.status_code)
    answer = one.post(f"/exam/{exam}/note", fields, headers={"Origin": "https://elsewhere.invalid"})
    check(answer.status_code == 403, "a post from another origin: refused, though its token is right", answer.status_code)

    evil = f'<form method="post" action="{house.base}/exam/{exam}/note">'
    evil += "".join(f'<input name="{key}" value="{value}">' for key, value in without.items())
    with served(f"<html>{evil}</form><script>document.forms[0].submit()</script></html>") as address:
        with people.person() as person:
            page = person.new_page()
            sign_in(page, house.base, "c.wren", PASSWORD)
            page.goto(address)
            page.wait_for_timeout(1500)
            check("forged" not in page.content(), "a form that another page posts by itself: nothing of it is shown")
    check(house.entries() == before, "none of the forged posts recorded anything")


def replayed(house: Clinic, _: Browsers) -> None:
    exam, one = newest(house, "LC-1003"), signed_in(house, "c.wren")
    action = f"/exam/{exam}/note"
    fields = one.forms(f"/exam/{exam}")[action] | {"reason": "said once"}
    before = house.entries()
    first, again = one.post(action, fields), one.post(action, fields)
    check(first.status_code < 400, "a note is taken", first.status_code)
    check(again.status_code == 409, "the same form once more: refused", again.status_code)
    fields = one.forms(f"/exam/{exam}")[action] | {"reason": "said at once"}
    with ThreadPoolExecutor(8) as threads:
        statuses = sorted(answer.status_code for answer in threads.map(lambda _: one.post(action, fields), range(8)))
    check(sum(one < 400 for one in statuses) == 1, "eight at once with one token: one is taken", statuses)
    said = [line for line in house.entries() if line not in before]
    check(len(said) <= 2, "no more entries than forms", len(said))


def fixation(house: Clinic, _: Browsers) -> None:
    """An attacker gives a victim a session that the attacker knows."""
    attacker = Visitor(house.base)
    attacker.get("/sign-in")
    planted = attacker.cookie() or {"sheathline": "AAAAAAAAAAAAAAAAAAAAAA"}
    own = signed_in(house, "r.sedge").cookie()
    for what, cookie in [("unknown", planted), ("of the attacker", own)]:
        victim = Visitor(house.base)
        victim.take(cookie)
        victim.sign_in("c.wren")
        check(set(victim.cookie().values()) - set(cookie.values()) != set(), f"a planted id ({what}) is replaced")
        thief = Visitor(house.base)
        thief.take(cookie)
        answer = thief.get("/today", allow_redirects=False)
        is_victim = answer.status_code == 200 and "c.wren" in answer.text
        check(not is_victim, f"whoever planted it ({what}) does not become the victim", answer.status_code)


def stolen(house: Clinic, people: Browsers) -> None:
    exam = newest(house, "LC-1002")
    with people.person() as person:
        page = person.new_page()
        sign_in(page, house.base, "c.wren", PASSWORD)
        page.goto(f"{house.base}/exam/{exam}")
        check("LC-1002" in page.content(), "the exam is shown")
        cookies = {one["name"]: one for one in person.cookies()}
        kept = [one for one in cookies.values() if one["value"]]
        check(all(one["httpOnly"] and one["sameSite"] in ("Strict", "Lax") for one in kept) and kept != [],
              "cookies: HttpOnly, SameSite", kept)
        check("sheathline" not in page.evaluate("document.cookie"), "no script reads the cookie")
        press(page, page.get_by_role("button", name="Sign out"))
        page.go_back()
        page.wait_for_load_state()
        check("LC-1002" not in page.content(), "back after signing out: no patient is shown")
    thief = Visitor(house.base)
    thief.take({name: one["value"] for name, one in cookies.items()})
    answer = thief.get(f"/exam/{exam}", allow_redirects=False)
    check(answer.status_code in (302, 303), "a cookie that was stolen before, after signing out", answer.status_code)
    one = signed_in(house, "m.heron")
    check(one.get("/today").status_code == 200, "signed in")
    house.run("account", "sign-out", "m.heron")
    answer = one.get("/today", allow_redirects=False)
    check(answer.status_code in (302, 303), "signed out by command: the cookie counts no more", answer.status_code)


def roles_post(house: Clinic, _: Browsers) -> None:
    """A reader knows the address and the fields, and has a good token of the own session."""
    exam, before = newest(house, "LC-1002"), house.entries()
    clinician = signed_in(house, "c.wren")
    forms = clinician.forms(f"/exam/{exam}")
    lead = signed_in(house, "l.alder")
    # An order that would be taken: only the role stands against it.
    good_order = {"label": "well", "outcome": "confirmed", "value": "14", "unit": "cm[H2O]", "limit": "", "reason": "x"}
    of_lead = [f"/exam/{exam}/{act}" for act in ("leave-out", "readings-back")]
    forms |= {action: lead.forms(f"/exam/{exam}").get(action, {"token": ""}) for action in of_lead}
    for name in ["r.sedge", "m.heron", "o.quill", "a.marsh", "c.wren"]:
        one = signed_in(house, name)
        for action, fields in forms.items():
            is_lead = action in of_lead
            if action == "/sign-out" or (name == "c.wren" and not is_lead):
                continue
            home = next(path for path, may in PATHS.items() if may & set(PEOPLE[name]))
            good = token(one.forms(home)["/sign-out"])
            key = next(key for key in fields if "token" in key)
            sent = {field: value or "x" for field, value in fields.items()}
            answer = one.post(action, sent | good_order | {key: good})
            act = action.rsplit("/", 1)[1]
            check(answer.status_code == 403, f"{PEOPLE[name][0]} posts {act}: refused", answer.status_code)
    check(house.entries() == before, "nothing was recorded")


def other_exam(house: Clinic, _: Browsers) -> None:
    """Ids that are none, are of somebody else, or climb out."""
    one = signed_in(house, "c.wren")
    exam, other = newest(house, "LC-1002"), newest(house, "LC-1003")
    for wrong in ["0" * len(exam), exam[:-1], exam + "0", "..%2f..%2fetc%2fpasswd", "%00", "LC-1002", "'%20or%201=1--"]:
        for place in ["exam", "patient", "second"]:
            answer = one.get(f"/{place}/{wrong}")
            check(answer.status_code in (400, 404), f"/{place}/{wrong[:24]}: nothing here", answer.status_code)
    before = house.entries()
    fields = one.forms(f"/exam/{exam}")[f"/exam/{exam}/label"] | {"label": "well", "reason": "for another"}
    answer = one.post(f"/exam/{other}/label", fields)
    check(answer.status_code == 409, "a form of one exam posted to another: refused", answer.status_code)
    check(house.entries() == before, "nothing was recorded of either")


def many_attempts(house: Clinic, _: Browsers) -> None:
    house.account("b.teal", ["reader"])
    began = time.monotonic()

    def attempt(n: int) -> int:
        return Visitor(house.base, "127.0.0.66").sign_in("b.teal", f"guess {n}").status_code

    with ThreadPoolExecutor(8) as threads:
        statuses = list(threads.map(attempt, range(1000)))
    took = time.monotonic() - began
    check(set(statuses) <= {401, 403, 429, 503}, "a thousand guesses: all refused", sorted(set(statuses)))
    check(statuses.count(429) > 900, "most of them without looking at the password", statuses.count(429))
    # Generous: what it must not be is a thousand hashes one after another.
    check(took < 120, f"in a bounded time ({took:.0f} s)")
    answer = Visitor(house.base, "127.0.0.66").sign_in("c.wren")
    check(answer.status_code == 429, "the address that guessed is not looked at, whoever it says it is", answer.status_code)
    check(Visitor(house.base).sign_in("c.wren").status_code in (302, 303), "others sign in as before")
    answer = Visitor(house.base, "127.0.0.67").sign_in("b.teal")
    check(answer.status_code in (401, 403), "the account is locked for its owner too", answer.status_code)
    house.run("account", "unlock", "b.teal")
    check(Visitor(house.base, "127.0.0.67").sign_in("b.teal").status_code in (302, 303), "until somebody unlocks it")


def same_time(house: Clinic, _: Browsers) -> None:
    """A name that is an account cannot be told from one that is none by time or words."""

    def took(name: str, address: str) -> tuple[float, str]:
        one = Visitor(house.base, address)
        one.get("/sign-in")
        began = time.monotonic()
        answer = one.sign_in(name, "wrong")
        return time.monotonic() - began, answer.text.replace(name, "NAME")

    known = [took("r.sedge", f"127.0.1.{n}") for n in range(1, 5)]
    unknown = [took("x.sedge", f"127.0.2.{n}") for n in range(1, 5)]
    check(known[0][1] == unknown[0][1], "the same words for a name that is none")
    ratio = min(one for one, _ in known) / min(one for one, _ in unknown)
    check(1 / 3 < ratio < 3, f"about the same time for a name that is none (ratio {ratio:.2f})")


def framed(house: Clinic, people: Browsers) -> None:
    with served(f'<html><title>Game</title><iframe src="{house.base}/today" width="900" height="700"></iframe></html>') as at:
        with people.person() as person:
            page = person.new_page()
            sign_in(page, house.base, "c.wren", PASSWORD)
            page.goto(at)
            page.wait_for_timeout(1000)
            inside = page.frames[1].content() if len(page.frames) > 1 else ""
            check("Sign out" not in inside and "LC-1" not in inside, "in a frame of another page nothing is shown")


def elsewhere(house: Clinic, _: Browsers) -> None:
    """Signing in must not lead to another site, and a foreign host name is not ours."""
    for to in ["https://elsewhere.invalid/", "//elsewhere.invalid", "/\\elsewhere.invalid", "/%0d%0aX: y"]:
        one = Visitor(house.base)
        answer = one.post("/sign-in", {"name": "r.sedge", "password": PASSWORD, "to": to})
        place = answer.headers.get("location", "")
        check(place.startswith("/") and not place.startswith(("//", "/\\")) and "elsewhere" not in place,
              f"signing in with to={to} stays here", place)
    answer = Visitor(house.base).get("/sign-in", headers={"Host": "elsewhere.invalid"})
    check(answer.status_code in (400, 403, 421), "the name of another host: not answered", answer.status_code)


def nothing_told(house: Clinic, _: Browsers) -> None:
    """After all of that: no person in the log, no secret in store, log or audit trail."""
    log = house.log()
    found = named(log, ["LC-1002", "LC-1003", "LC-1004", PASSWORD, *PEOPLE])
    check(not found, "the log names nobody", found)
    cookie = list(signed_in(house, "r.sedge").cookie().values())
    for file in ["store.sqlite", "store.sqlite-wal", "audit.xml"]:
        path = Path(house.folder) / file
        text = path.read_bytes().decode("latin-1") if path.exists() else ""
        check(not [one for one in [PASSWORD, *cookie] if one in text], f"{file} holds no password and no cookie")
    audit = (house.folder / "audit.xml").read_text()
    check(audit.count("110114") > 10, "signing in stands in the audit trail")
    deeds = signed_in(house, "a.marsh").get("/deeds").text
    check("c.wren" in deeds and "127.0.0.66" in deeds, "who did what knows the guesser's address")
    check(json.dumps(PASSWORD) not in deeds and PASSWORD not in deeds, "and no password")


class served:
    """A page of somebody else, on this machine: another port is another origin, and the same site.

    `referrers` takes from where each of its visitors says to come.
    """

    def __init__(self, page: str, referrers: list[str | None] | None = None):
        class Answer(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                if referrers is not None:
                    referrers.append(self.headers.get("Referer"))
                self.send_response(200)
                self.send_header("Content-Type", "text/html")
                self.end_headers()
                self.wfile.write(page.encode())

            def log_message(self, *_: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Answer)

    def __enter__(self) -> str:
        threading.Thread(target=self.server.serve_forever, daemon=True).start()
        return f"http://127.0.0.1:{self.server.server_port}/"

    def __exit__(self, *_: object) -> None:
        self.server.shutdown()


ATTACKS: list[Callable[[Clinic, Browsers], None]] = [
    nobody_sees,
    each_role,
    forged_post,
    replayed,
    fixation,
    stolen,
    roles_post,
    other_exam,
    framed,
    elsewhere,
    same_time,
    many_attempts,
    nothing_told,
]
