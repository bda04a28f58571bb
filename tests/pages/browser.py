"""People's browsers: Debian's Chromium, driven by Playwright, at two widths, with scripts and without.

`look` is what every page must hold, whatever is on it: axe-core finds nothing, nothing is wider than
the window, one `h1`, nothing loaded from elsewhere, the headers, no patient in the address or the
title, nothing refused by the policy. Success criteria: Web Content Accessibility Guidelines (WCAG) 2.2,
W3C Recommendation, 2024; the rules are those of axe-core that carry its tags up to `wcag22aa`.
"""

import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

from playwright.sync_api import Browser, BrowserContext, Locator, Page, Response, sync_playwright
from told import check

AXE = Path("target/node/node_modules/axe-core/axe.min.js")
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
CHROMIUM = os.environ.get("CHROMIUM", "/usr/bin/chromium")
QUIET = (
    "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run "
    "--disable-background-networking --disable-component-update --disable-sync"
).split()
# A desk, and a phone held upright.
WIDTHS = {"wide": (1280, 900), "narrow": (390, 844)}
PICTURES = os.environ.get("PAGES_PICTURES")

# The policy of the design, and what OWASP's list of secure headers gives beside it.
POLICY = {
    "default-src": "'none'",
    "style-src": "'self'",
    "script-src": "'self'",
    "form-action": "'self'",
    "frame-ancestors": "'none'",
    "base-uri": "'none'",
}
HEADERS = {
    "cache-control": "no-store",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}
GEOMETRY = """() => ({
    wide: document.documentElement.scrollWidth - document.documentElement.clientWidth,
    h1: document.querySelectorAll('h1').length,
    lang: document.documentElement.lang,
    inline: document.querySelectorAll('[style], style, script:not([src])').length,
    handlers: [...document.querySelectorAll('*')].filter(
        one => [...one.attributes].some(a => /^on/.test(a.name))).length,
    posts: [...document.forms].filter(f => f.method === 'post').length,
    // A place on this page that is not there.
    lost: [...document.querySelectorAll('a[href^="#"]')].map(one => one.getAttribute('href'))
        .filter(to => !document.getElementById(to.slice(1))),
    // Small targets (2.5.8): links that stand in running text are excepted.
    small: [...document.querySelectorAll('button, input:not([type=hidden]), select, summary, nav a')]
        .filter(one => one.checkVisibility() && !one.matches('.skip'))
        .map(one => [one, one.getBoundingClientRect()])
        .filter(([one, box]) => box.height > 0 && box.height < 24
            && !(one.labels && [...one.labels].some(l => l.getBoundingClientRect().height >= 24)))
        .map(([one, box]) => `${one.outerHTML.slice(0, 60)} is ${Math.round(box.height)} px high`),
})"""


class Watch:
    """What one window asked for and complained of."""

    def __init__(self, page: Page, ours: str):
        self.elsewhere: list[str] = []
        self.complaints: list[str] = []
        page.on("request", lambda request: self.asked(request.url, ours))
        page.on("console", lambda line: self.heard(line.type, line.text))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))

    def asked(self, url: str, ours: str) -> None:
        if not url.startswith((ours, "data:", "blob:")):
            self.elsewhere.append(url)

    def heard(self, kind: str, text: str) -> None:
        # A refused load of an aborted script is ours; so is the status of a page that refuses.
        if kind == "error" and "ERR_FAILED" not in text and "status of" not in text:
            self.complaints.append(text)


class Browsers:
    def __init__(self, browser: Browser):
        self.browser = browser

    def person(self, width: str = "wide", scripts: bool = True, **more: object) -> BrowserContext:
        """A person with a browser of their own: no cookie of anybody else."""
        across, down = WIDTHS[width]
        context = self.browser.new_context(
            viewport={"width": across, "height": down},
            java_script_enabled=scripts,
            ignore_https_errors=True,
            reduced_motion="reduce",
            **more,
        )
        context.set_default_timeout(20_000)
        return context


@contextmanager
def browsers() -> Iterator[Browsers]:
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, headless=True, args=QUIET)
        try:
            yield Browsers(chromium)
        finally:
            chromium.close()


def sign_in(page: Page, base: str, name: str, password: str) -> Response | None:
    page.goto(f"{base}/sign-in")
    page.get_by_label("Name", exact=False).first.fill(name)
    page.locator("input[type=password]").first.fill(password)
    with page.expect_navigation() as landed:
        page.get_by_role("button", name="Sign in").first.click()
    if page.get_by_role("button", name="Sign out").count() != 1:
        raise SystemExit(f"{name} cannot sign in: {landed.value.status} {page.inner_text('body')[:200]}")
    return landed.value


def press(page: Page, button: Locator) -> None:
    """Presses what sends a form or follows a link, and waits for the page that comes of it."""
    with page.expect_navigation():
        button.click()
    page.wait_for_load_state()


def quiet(page: Page, address: str) -> None:
    """Waits at a page of an exam until results are made anew: what is prepared before that is refused, as it must be."""
    for _ in range(120):
        page.goto(address)
        if "Nothing waits" in page.inner_text("body"):
            return
        page.wait_for_timeout(500)


def axe(page: Page) -> list[str]:
    """What axe-core finds: rule, how bad, and the first elements."""
    page.evaluate(AXE.read_text())
    found = page.evaluate(f"axe.run(document, {{runOnly: {RULES}}})")
    return [
        f"{one['id']} ({one['impact']}): " + "; ".join(node["html"][:160] for node in one["nodes"][:3])
        for one in found["violations"]
    ]


def policy(header: str) -> dict[str, str]:
    parts = (part.strip().split(" ", 1) for part in header.split(";") if part.strip())
    return {name: rest[0] if rest else "" for name, *rest in parts}


def header_faults(headers: dict[str, str], tls: bool) -> list[str]:
    """What is missing of the headers that every answer must have."""
    given = policy(headers.get("content-security-policy", ""))
    faults = [f"{name} is {given.get(name)!r}" for name, value in POLICY.items() if given.get(name) != value]
    faults += [
        f"{name} is {headers.get(name)!r}" for name, value in HEADERS.items() if value not in headers.get(name, "")
    ]
    if tls and "max-age" not in headers.get("strict-transport-security", ""):
        faults.append("no Strict-Transport-Security")
    return faults


def named(text: str, secrets: list[str]) -> list[str]:
    """Which of these names, ids and birth dates stand in it."""
    return [one for one in secrets if one and re.search(rf"(?<!\w){re.escape(one)}(?!\w)", text, re.IGNORECASE)]


def faults_of(page: Page, answer: Response | None = None, secrets: list[str] = ()) -> list[str]:
    """Everything that is wrong with the page that is open; needs a window in which axe may run."""
    faults = axe(page)
    shape = page.evaluate(GEOMETRY)
    if shape["wide"] > 0:
        faults.append(f"wider than the window by {shape['wide']} px")
    if shape["h1"] != 1:
        faults.append(f"{shape['h1']} h1")
    if not shape["lang"]:
        faults.append("no lang")
    if shape["inline"] or shape["handlers"]:
        faults.append(f"{shape['inline']} inline styles or scripts, {shape['handlers']} handlers")
    faults += shape["small"]
    faults += [f"{one} leads nowhere" for one in shape["lost"]]
    # What a browser keeps after the page is closed.
    kept = page.url + " " + page.title()
    faults += [f"{one} stands in the address or the title" for one in named(kept, secrets)]
    if answer is not None:
        asked = answer.request
        if asked.redirected_from is not None:
            faults.append(f"sent on from {urlsplit(asked.redirected_from.url).path}")
        faults += header_faults(answer.headers, urlsplit(page.url).scheme == "https")
    return faults


def look(page: Page, what: str, answer: Response | None = None, secrets: list[str] = ()) -> bool:
    faults = faults_of(page, answer, secrets)
    return check(not faults, what, "; ".join(faults))


def picture(page: Page, name: str, whole: bool = True) -> None:
    """Kept where PAGES_PICTURES names a folder."""
    if PICTURES:
        folder = Path(PICTURES)
        folder.mkdir(parents=True, exist_ok=True)
        page.screenshot(path=folder / f"{name}.png", full_page=whole)
