"""Signing in by a real OpenID provider, over TLS on both sides: each role, and every token that is not good.

OpenID Connect Core 1.0 incorporating errata set 2, OpenID Foundation, 2023, section 3.1.3.7 (what must be
checked of an ID token); RFC 9700, 2025 (Best Current Practice for OAuth 2.0 Security; code and state
serve once, for the browser that began).
"""

from pathlib import Path
from urllib.parse import parse_qs, urlencode, urlsplit

from attacks import PATHS
from browser import Browsers, faults_of
from clinic import GROUPS, Clinic, clinic, free_port
from openid import provider
from playwright.sync_api import BrowserContext, Page, TimeoutError
from told import check, part

SPOILED = ["audience", "expired", "issuer", "nonce", "key", "unsigned"]
GOOD = {f"{roles[0]}.{n}": [group] for n, (group, roles) in enumerate(GROUPS.items())}
# Some providers write one group as text.
GOOD["lead.as.text"] = "sheath-leads"
LOGINS = (
    {login: {"groups": groups} for login, groups in GOOD.items()}
    | {"no.role": {"groups": ["canteen"]}, "no.groups": {"groups": []}, "two.roles": {"groups": list(GROUPS)[:2]}}
    | {"near.groups": {"groups": ["sheath-lead", "SHEATH-LEADS", " sheath-leads"]}}
    | {f"spoiled.{how}": {"groups": ["sheath-leads"], "token": how} for how in SPOILED}
)


def begin(house: Clinic, person: BrowserContext) -> Page:
    page = person.new_page()
    page.goto(house.base + "/sign-in")
    page.get_by_role("link", name="hospital account").click()
    page.get_by_label("Login").wait_for()
    return page


def go(house: Clinic, person: BrowserContext, login: str) -> tuple[Page, str]:
    """Signs in at the provider; the page that came of it, and the address that came back from there."""
    page = begin(house, person)
    back: list[str] = []
    page.on("request", lambda request: back.append(request.url) if "code=" in request.url else None)
    page.get_by_label("Login").fill(login)
    page.get_by_role("button", name="Continue").click()
    page.wait_for_url(house.base + "/**")
    return page, back[0] if back else ""


def is_in(page: Page, patience_ms: int = 1500) -> bool:
    """Whether somebody is signed in; a page between may lead on to the first one."""
    try:
        page.get_by_role("button", name="Sign out").wait_for(timeout=patience_ms)
    except TimeoutError:
        return False
    return True


def every_role(house: Clinic, people: Browsers) -> None:
    for login, groups in GOOD.items():
        roles = set(GROUPS[groups if isinstance(groups, str) else groups[0]])
        with people.person() as person:
            page, _ = go(house, person, login)
            if not check(is_in(page, 10_000), f"{login} signs in", page.url):
                continue
            for path, may in PATHS.items():
                answer = page.goto(house.base + path)
                wanted = 200 if may & roles else 403
                check(answer.status == wanted, f"{login} at {path}: {wanted}", answer.status)
            cookies = [one for one in person.cookies(house.base) if one["name"].startswith("__Host-")]
            good = len(cookies) == 1 and cookies[0]["secure"] and cookies[0]["sameSite"] == "Strict"
            check(good, "one cookie: __Host-, Secure, Strict", cookies)


def not_let_in(house: Clinic, people: Browsers) -> None:
    for login in ["no.role", "no.groups", "near.groups", "nobody.there", *(f"spoiled.{how}" for how in SPOILED)]:
        with people.person() as person:
            page = begin(house, person)
            page.get_by_label("Login").fill(login)
            with page.expect_response(lambda answer: answer.request.is_navigation_request()):
                page.get_by_role("button", name="Continue").click()
            check(not is_in(page), f"{login}: not signed in")
            if page.url.startswith(house.base):
                check(not faults_of(page), f"{login}: a sound page says so", faults_of(page))
            answer = page.goto(house.base + "/today")
            check("/sign-in" in page.url and answer.status < 400, f"{login}: /today leads to signing in", page.url)


def once(house: Clinic, people: Browsers) -> None:
    with people.person() as person, people.person() as thief:
        page, back = go(house, person, "lead.3")
        is_in(page, 10_000)
        check("code=" in back and "state=" in back, "the provider sent a code and a state")
        other = thief.new_page()
        other.goto(back)
        check(not is_in(other), "code and state in another browser: not signed in")
        again = person.new_page()
        person.clear_cookies()
        again.goto(back)
        check(not is_in(again), "the same code once more: not signed in")
        # An attacker's own code, given to a victim who began to sign in.
        query = parse_qs(urlsplit(back).query)
        begun = begin(house, thief)
        state = parse_qs(urlsplit(begun.url).query).get("state", ["x"])[0]
        planted = back.split("?")[0] + "?" + urlencode({"code": query["code"][0], "state": state})
        begun.goto(planted)
        check(not is_in(begun), "another's code with a state of one's own: not signed in")
        for wrong in ["", "?code=x", "?state=x", "?code=x&state=x", "?error=access_denied&state=x", "?code=a&code=b&state=x"]:
            answer = begun.goto(back.split("?")[0] + wrong)
            check(answer.status < 500 and not is_in(begun), f"a return with {wrong or 'nothing'}: refused in words", answer.status)
        check(not faults_of(begun), "the page of a refused return is sound", faults_of(begun))


def signed_out(house: Clinic, people: Browsers) -> None:
    with people.person(scripts=False) as person:
        page, _ = go(house, person, "clinician.2")
        check(is_in(page, 10_000), "signing in works without scripts")
        page.get_by_role("button", name="Sign out").click()
        page.wait_for_load_state()
        page.goto(house.base + "/today")
        check("/sign-in" in page.url, "signed out")


def openid(people: Browsers, binary: Path) -> None:
    port = free_port()
    with clinic(binary, issuer=f"https://localhost:{port}", tls=True) as house:
        redirect = house.base + "/sign-in/back"
        with provider(house.folder, port, redirect, LOGINS) as one:
            for step in [every_role, not_let_in, once, signed_out]:
                part(f"OpenID: {step.__name__.replace('_', ' ')}")
                step(house, people)
            check(sorted(set(one.spoiled)) == sorted(SPOILED), "each token was spoiled", one.spoiled)
            log = house.log()
            check("eyJ" not in log and "code=" not in log, "no token and no code in the log")
    with clinic(binary, issuer=f"https://localhost:{port}", tls=True) as house, people.person() as person:
        part("OpenID: the provider is away")
        page = person.new_page()
        page.goto(house.base + "/sign-in")
        answer = page.get_by_role("link", name="hospital account")
        answer.click()
        page.wait_for_load_state()
        check(not is_in(page) and not faults_of(page), "a page says so; local accounts still sign in", page.url)
