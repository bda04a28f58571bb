"""Further attacks of the threat model: what is smuggled in, planted, sent too large or too slowly, and taken away.

RFC 9110, 2022 (HTTP semantics), RFC 9112, 2022 (HTTP/1.1; heads that hold a second request), RFC 6265bis (cookies:
`__Host-`, no separation by port), RFC 4180, 2005 (CSV). That a spreadsheet runs a cell that begins with one of
`= + - @` or a tab: OWASP, "CSV Injection", read from memory.
"""

import csv
import io
import re
import socket
import time
from concurrent.futures import ThreadPoolExecutor
from urllib.parse import quote, urlsplit

from attacks import newest, served, signed_in
from browser import Browsers, sign_in
from clinic import PASSWORD, Clinic
from lxml import html
from told import check
from visitor import Visitor

CRLF = "x\r\nSet-Cookie: planted=yes\r\nX-Planted: yes\r\n\r\n<script>"
FORMULAS = ["=cmd|' /C calc'!A0", "+1+1", "-1+1", "@SUM(1)", "\t=1+1", "\r=1+1", "\uff1d1+1"]


def told_raw(house: Clinic, head: str, address: str = "127.0.0.1", patience_s: float = 20) -> str:
    """Sends these bytes and reads what comes."""
    with socket.create_connection(("127.0.0.1", house.port), 10, (address, 0)) as one:
        one.settimeout(patience_s)
        one.sendall(head.encode("latin-1"))
        answer = b""
        try:
            while part := one.recv(65536):
                answer += part
        except TimeoutError:
            pass
        return answer.decode("latin-1")


def cookie_of(one: Visitor) -> str:
    return "; ".join(f"{name}={value}" for name, value in one.cookie().items())


def header_injection(house: Clinic, _: Browsers) -> None:
    """Names and places that would begin a new header."""
    for path in ["/sign-in?to=" + quote("/today" + CRLF), "/exam/" + quote(CRLF, safe=""), "/today?operator=" + quote(CRLF),
                 "/exam/" + quote("E\r\nX-Planted: yes", safe="") + "/result.pdf"]:
        answer = signed_in(house, "c.wren").get(path, allow_redirects=False)
        planted = [name for name in answer.headers if "planted" in (name + answer.headers[name]).lower()]
        check(not planted and answer.status_code < 500, f"no header through {path[:24]}", (answer.status_code, planted))
    one = Visitor(house.base, "127.0.0.30")
    answer = one.post("/sign-in", {"name": CRLF, "password": "wrong", "to": "/today" + CRLF})
    planted = [name for name in answer.headers if "planted" in (name + answer.headers[name]).lower()]
    check(not planted and answer.status_code in (400, 403, 422), "no header through the name of an account", planted)
    done = house.run("account", "add", "x\r\nX-Planted: yes", "--role", "reader", "--password-file", "/dev/null", fine=False)
    check(done.returncode != 0, "no account whose name breaks a line", done.returncode)
    one = signed_in(house, "l.alder")
    form = one.forms("/bring-in")["/bring-in"]
    sent = {name: (None, value) for name, value in form.items()}
    table = "patient_id,birth_date,date,right\nLC-7001,2012-01-01,2020-01-01,5.0\n"
    sent |= {"unit": (None, "mm"), "shape": (None, "exams"), "file": ('x"\r\nX-Planted: yes', table, "text/csv")}
    answer = one.session.post(house.base + "/bring-in", files=sent, timeout=60)
    check(answer.status_code < 500 and "x-planted" not in {name.lower() for name in answer.headers},
          "no header through the name of a file", answer.status_code)
    # Two requests in one body (RFC 9112, 6.3): a length and chunks at once.
    both = (f"POST /sign-out HTTP/1.1\r\nHost: 127.0.0.1:{house.port}\r\nContent-Length: 4\r\nTransfer-Encoding: chunked\r\n"
            f"\r\n0\r\n\r\nGET /deeds HTTP/1.1\r\nHost: 127.0.0.1:{house.port}\r\nCookie: {cookie_of(signed_in(house, 'a.marsh'))}\r\n\r\n")
    answer = told_raw(house, both, patience_s=5)
    check("Who did what" not in answer, "a request smuggled behind another is not answered", answer[:80])


def login_csrf(house: Clinic, people: Browsers) -> None:
    """Another page signs a person in as the attacker, so that what they enter is the attacker's."""
    form = (f'<form method="post" action="{house.base}/sign-in"><input name="name" value="r.sedge">'
            f'<input name="password" value="{PASSWORD}"></form><script>document.forms[0].submit()</script>')
    with served(form) as at, people.person() as person:
        page = person.new_page()
        page.goto(at)
        page.wait_for_timeout(1500)
        page.goto(house.base + "/today")
        check("/sign-in" in page.url, "a page of another port signs nobody in", page.url)
        sign_in(page, house.base, "c.wren", PASSWORD)
        page.goto(at)
        page.wait_for_timeout(1500)
        answer = page.goto(house.base + "/today")
        who = page.inner_text("header") if answer.ok else ""
        check("r.sedge" not in who, "nobody who is signed in becomes the attacker", who)
    for origin in ["https://elsewhere.invalid", "null", f"http://127.0.0.1:{house.port + 1}", f"https://127.0.0.1:{house.port}"]:
        answer = Visitor(house.base).post("/sign-in", {"name": "r.sedge", "password": PASSWORD}, headers={"Origin": origin})
        check(answer.status_code == 403, f"signing in with Origin: {origin}: refused", answer.status_code)


def open_redirect(house: Clinic, people: Browsers) -> None:
    """Signing in must end here, in the eyes of a browser, whatever `to` says."""
    ways = ["//elsewhere.invalid", "/\\elsewhere.invalid", "https:elsewhere.invalid", "/%2f/elsewhere.invalid", "/\t/elsewhere.invalid",
            "javascript:document.title='taken'", "/sign-out", "/.//elsewhere.invalid", "http://127.0.0.1@elsewhere.invalid/", "/today#//x"]
    with people.person() as person:
        for way in ways:
            page = person.new_page()
            page.goto(f"{house.base}/sign-in?to={quote(way, safe='')}")
            if page.locator("input[type=password]").count():
                page.locator("#name").fill("r.sedge")
                page.locator("#password").fill(PASSWORD)
                page.get_by_role("button", name="Sign in").first.click()
                page.wait_for_load_state()
            at = urlsplit(page.url)
            check(page.url.startswith(house.base + "/") and at.path in ("/today", "/"), f"to={way}: stays here", page.url)
            page.close()
            person.clear_cookies()


def path_tricks(house: Clinic, _: Browsers) -> None:
    """A reader asks for what only the auditor may see, by every way a path can be written."""
    one = signed_in(house, "r.sedge")
    cookie = cookie_of(one)
    for path in ["/deeds/", "//deeds", "/today/../deeds", "/%2e%2e/deeds", "/today/%2e%2e/deeds", "/./deeds", "/DEEDS", "/deeds;x", "/deeds%00",
                 "/deeds%20", "/deeds.csv", "/today?/../deeds", "http://elsewhere.invalid/deeds", "/%64eeds", "/style-../../etc/passwd", "/" + "a" * 9000,
                 "/exam/..%5c..%5cdeeds", "*"]:
        answer = told_raw(house, f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{house.port}\r\nCookie: {cookie}\r\nConnection: close\r\n\r\n")
        status = answer[9:12]
        shown = "newest first" in answer or "root:" in answer
        check(not shown and (status in ("400", "403", "404", "405", "414", "421", "431") or (status == "200" and "/today" in path) or status == "303"),
              f"{path[:30]}: shows nothing of others", status)
    head = f"GET /today HTTP/1.1\r\nHost: 127.0.0.1:{house.port}\r\nX-Rewrite-URL: /deeds\r\nX-Original-URL: /deeds\r\n"
    answer = told_raw(house, f"{head}X-Forwarded-Host: elsewhere.invalid\r\nCookie: {cookie}\r\nConnection: close\r\n\r\n")
    check("newest first" not in answer and "elsewhere.invalid" not in answer, "headers of proxies change nothing")
    for method in ["TRACE", "CONNECT", "PUT", "DELETE", "OPTIONS"]:
        answer = told_raw(house, f"{method} /today HTTP/1.1\r\nHost: 127.0.0.1:{house.port}\r\nCookie: {cookie}\r\nConnection: close\r\n\r\n")
        check(answer[9:12] in ("400", "403", "405") and cookie not in answer, f"{method}: not done", answer[:40])


def other_ids(house: Clinic, _: Browsers) -> None:
    """Exams of other patients chosen in a form of this one; the same id by another issuer."""
    one, exam, other = signed_in(house, "l.alder"), newest(house, "LC-1002"), newest(house, "LC-1003")
    before = house.entries()
    for act, fields in [("label", {"label": "raised_confirmed"}), ("leave-out", {})]:
        form = one.forms(f"/patient/{exam}")[f"/patient/{exam}/label"]
        for chosen in ([other], [exam, other], ["0" * 16], ["../" + other]):
            form = one.forms(f"/patient/{exam}")[f"/patient/{exam}/label"]
            sent = [(k, v) for k, v in (form | fields | {"reason": "of another"}).items() if k != "exam"]
            answer = one.post(f"/patient/{exam}/{act}", sent + [("exam", id_) for id_ in chosen])
            told = "Nothing is recorded yet" in answer.text and "LC-1003" in answer.text
            check(answer.status_code in (400, 404, 409, 422) and not told, f"{act} of {len(chosen)} with another patient's exam: refused", answer.status_code)
    check(house.entries() == before, "nothing was recorded of either")
    measurer = signed_in(house, "m.heron")
    find = measurer.forms("/measure")["/measure/find"]
    answer = measurer.post("/measure/find", find | {"patient_id": "LC-1002", "birth_date": "2015-06-21", "issuer": "ELSEWHERE"}, follow=True)
    check("Quillmere" not in answer.text, "the same id by another issuer finds nobody's name", answer.status_code)
    answer = measurer.post("/measure/find", measurer.forms("/measure")["/measure/find"] | {"patient_id": "LC-1002", "birth_date": "2015-06-22"}, follow=True)
    check("2015-06-21" not in answer.text and "Quillmere" not in answer.text, "a wrong birth date tells neither the right one nor a name")


def drafts_of_others(house: Clinic, _: Browsers) -> None:
    """A draft is its author's alone: another lead with its address sees and signs nothing."""
    house.account("l.rowan", ["lead", "measurer"])
    one = signed_in(house, "l.alder")
    form = one.forms("/bring-in")["/bring-in"]
    sent = {name: (None, value) for name, value in form.items()} | {"unit": (None, "mm"), "shape": (None, "exams")}
    table = "patient_id,birth_date,date,right\nLC-7002,2012-01-01,2020-01-01,5.0\n"
    answer = one.session.post(house.base + "/bring-in", files=sent | {"file": ("t.csv", table, "text/csv")}, timeout=60)
    path = urlsplit(answer.url).path
    check(answer.ok and "LC-7002" in answer.text and path != "/bring-in", "a table waits as a draft", path)
    answer = signed_in(house, "l.rowan").get(path)
    check(answer.status_code in (403, 404) and "LC-7002" not in answer.text, "another lead does not open it", answer.status_code)


def planted_cookies(house: Clinic, people: Browsers) -> None:
    """A service on another port of this host shares its cookies; a longer path makes two of one name."""
    attacker = signed_in(house, "r.sedge").cookie()
    name, value = next(iter(attacker.items()))
    exam = newest(house, "LC-1002")
    before = house.entries()
    with people.person() as person:
        page = person.new_page()
        sign_in(page, house.base, "c.wren", PASSWORD)
        page.goto(f"{house.base}/exam/{exam}")
        page.locator("form#note textarea").fill("meant to be mine")
        person.add_cookies([{"name": name, "value": value, "domain": "127.0.0.1", "path": "/exam"}])
        page.locator("form#note button").click()
        page.wait_for_load_state()
        said = signed_in(house, "c.wren").get(f"/exam/{exam}").text
        rows = [row.text_content() for row in html.fromstring(said).xpath("//section[@id='said']//tbody/tr")]
        mine = [row for row in rows if "meant to be mine" in row]
        as_other = [row for row in mine if "c.wren" not in row]
        check(not as_other, "a form of one session with the cookie of another is never said by the other", as_other)
        check(len(house.entries()) - len(before) == len(mine), "and nothing else is recorded", mine)
    # No cookie is taken from an address, and none goes to another host.
    answer = Visitor(house.base).get(f"/today?{name}={value}", allow_redirects=False)
    check(answer.status_code == 303, "the id of a session in the address counts for nothing", answer.status_code)
    set_ = Visitor(house.base).post("/sign-in", {"name": "r.sedge", "password": PASSWORD}).headers["set-cookie"]
    check("domain" not in set_.lower() and "httponly" in set_.lower() and "samesite=strict" in set_.lower(), "the cookie is this host's alone", set_)


def no_referrer(house: Clinic, people: Browsers) -> None:
    """Whoever is linked to does not learn from which exam."""
    heard: list[str | None] = []
    with served("<title>Elsewhere</title>", heard) as at, people.person() as person:
        page = person.new_page()
        sign_in(page, house.base, "c.wren", PASSWORD)
        page.goto(f"{house.base}/exam/{newest(house, 'LC-1002')}")
        page.evaluate("to => { const a = document.createElement('a'); a.href = to; document.body.append(a); a.click(); }", at)
        page.wait_for_url(at + "**")
        check(heard[:1] == [None], "no referrer goes to another page", heard)
        check(page.evaluate("window.opener === null && document.referrer === ''"), "and none is read there")


def formulas(house: Clinic, _: Browsers) -> None:
    """What begins a formula in a spreadsheet, in every text that comes to a table."""
    for n, formula in enumerate(FORMULAS):
        Visitor(house.base, f"127.0.3.{n + 1}").sign_in(formula, "wrong")
    auditor = signed_in(house, "a.marsh")
    auditor.post("/deeds", auditor.forms("/deeds")["/deeds"] | {"account": FORMULAS[0], "patient": "=1+1", "issuer": "@x"})
    given: dict[str, str] = {}
    one = signed_in(house, "c.wren")
    given["department"] = one.get("/department/table.csv").content.decode()
    form = auditor.forms("/deeds")["/deeds"]
    answer = auditor.post("/deeds", form | {"as": "csv"})
    given["who did what"] = answer.content.decode() if "csv" in answer.headers["content-type"] else ""
    for what, text in given.items():
        cells = [cell for row in csv.reader(io.StringIO(text, newline="")) for cell in row]
        bad = [cell for cell in cells if re.match(r"[=+@\t\r\uff1d]|-(?![\d.]*$)", cell) and cell != "-"]
        check(len(cells) > 20 and not bad, f"{what} as CSV: no cell begins a formula", bad[:3] or len(cells))
    check(any("cmd|" in line for line in given["who did what"].splitlines()), "though the formulas stand in it, as text")


def what_is_taken_away(house: Clinic, _: Browsers) -> None:
    """Each download says what it is, is to be kept and not shown, and is not sniffed."""
    exam = newest(house, "LC-1002")
    for name, path, kind, begins in [
        ("c.wren", f"/exam/{exam}/result.pdf", "application/pdf", b"%PDF"),
        ("c.wren", f"/exam/{exam}/result.dcm", "application/dicom", b"\0" * 128 + b"DICM"),
        ("c.wren", "/department/table.csv", "text/csv; charset=utf-8", b"section,"),
        ("l.alder", "/codes/draft.toml", "application/toml; charset=utf-8", b""),
    ]:
        answer = signed_in(house, name).get(path)
        good = answer.headers.get("content-type") == kind and answer.headers.get("x-content-type-options") == "nosniff"
        kept = answer.headers.get("content-disposition", "").startswith('attachment; filename="')
        check(answer.status_code == 200 and good and kept and answer.content.startswith(begins), f"{path.rsplit('/', 1)[1]}: its kind, to be kept",
              (answer.status_code, dict(answer.headers)))
        check("no-store" in answer.headers.get("cache-control", "") and "LC-1002" not in str(answer.headers), "and no patient in its name")
        answer = Visitor(house.base).get(path, allow_redirects=False)
        check(answer.status_code == 303, f"{path.rsplit('/', 1)[1]}: not without signing in", answer.status_code)


def huge(house: Clinic, _: Browsers) -> None:
    """More than is taken: refused, and no memory for it."""
    one = signed_in(house, "l.alder")
    exam = newest(house, "LC-1003")
    before = house.memory_mib()
    form = one.forms(f"/exam/{exam}")[f"/exam/{exam}/note"]
    answer = one.post(f"/exam/{exam}/note", form | {"reason": "x" * (1 << 20)})
    check(answer.status_code == 413, "a note of 1 MiB: 413", answer.status_code)
    # The rest was not read, so this connection ends; the browser makes another one.
    one.session.close()
    sent = {name: (None, value) for name, value in one.forms("/bring-in")["/bring-in"].items()}
    try:
        answer = one.session.post(house.base + "/bring-in", files=sent | {"file": ("t.csv", b"x" * (64 << 20), "text/csv")}, timeout=60)
        status = answer.status_code
    except OSError:
        status = 413  # Closed before all of it was sent: as good.
    check(status == 413, "a table of 64 MiB: refused", status)
    cookie = cookie_of(one)
    head = f"POST /bring-in HTTP/1.1\r\nHost: 127.0.0.1:{house.port}\r\nCookie: {cookie}\r\nContent-Type: multipart/form-data; boundary=b\r\n"
    answer = told_raw(house, head + "Content-Length: 99999999999999\r\n\r\n--b\r\n", patience_s=5)
    check("200 OK" not in answer, "a length that is no length is not waited for with memory", answer[:40])
    answer = told_raw(house, "GET /today HTTP/1.1\r\n" + "X: y\r\n" * 40_000 + "\r\n")
    check(answer[9:12] in ("431", "400", ""), "a head without end is cut", answer[:40])
    fields = "&".join(f"f{n}=x" for n in range(30_000))
    answer = one.session.post(house.base + f"/exam/{exam}/note", data=fields, headers={"Content-Type": "application/x-www-form-urlencoded"}, timeout=60)
    check(answer.status_code in (403, 413, 422), "30,000 fields: refused", answer.status_code)
    grown = house.memory_mib() - before
    check(grown < 120, f"memory grew by {grown:.0f} MiB, not by what was sent")


def slow(house: Clinic, _: Browsers) -> None:
    """One byte now and then: such a sender is cut off, and nobody else waits."""
    one = signed_in(house, "l.alder")
    cookie, began = cookie_of(one), time.monotonic()

    def drip(kind: str) -> float:
        """Seconds until the connection ends."""
        with socket.create_connection(("127.0.0.1", house.port), 10) as sent:
            sent.settimeout(1)
            head = "GET /today HTTP/1.1\r\nHost: x\r\nX: "
            if kind == "body":
                head = (f"POST /bring-in HTTP/1.1\r\nHost: 127.0.0.1:{house.port}\r\nCookie: {cookie}\r\n"
                        "Content-Type: multipart/form-data; boundary=b\r\nContent-Length: 100000\r\n\r\n--b\r\n")
            sent.sendall(head.encode())
            while time.monotonic() - began < 110:
                try:
                    sent.sendall(b"a")
                    if not sent.recv(65536):
                        break
                    # An answer came; the end follows.
                except TimeoutError:
                    time.sleep(1)
                except OSError:
                    break
            return time.monotonic() - began

    with ThreadPoolExecutor(9) as threads:
        drips = [threads.submit(drip, kind) for kind in ["head"] * 4 + ["body"] * 4]
        time.sleep(5)
        asked = time.monotonic()
        check(signed_in(house, "c.wren").get("/today").status_code == 200 and time.monotonic() - asked < 20, "others are answered meanwhile")
        took = [drip.result() for drip in drips]
    check(max(took[:4]) < 100, f"slow heads are cut off ({max(took[:4]):.0f} s)")
    check(max(took[4:]) < 100, f"slow bodies are cut off ({max(took[4:]):.0f} s)")


TRICKS = [header_injection, login_csrf, open_redirect, path_tricks, other_ids, drafts_of_others, planted_cookies, no_referrer, formulas,
          what_is_taken_away, huge, slow]
