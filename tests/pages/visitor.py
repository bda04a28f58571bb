"""A person without a browser: sends exactly what an attacker would, and reads the forms of a page."""

from pathlib import Path
from urllib.parse import urlsplit

import requests
from clinic import PASSWORD
from lxml import html
from requests.adapters import HTTPAdapter


class From(HTTPAdapter):
    """Connects from an address of its own: bounds are counted by address."""

    def __init__(self, address: str):
        self.address = address
        super().__init__()

    def init_poolmanager(self, *arguments, **keywords):
        super().init_poolmanager(*arguments, source_address=(self.address, 0), **keywords)


class Visitor:
    def __init__(self, base: str, address: str = "127.0.0.1", ca: Path | None = None):
        self.base = base
        self.session = requests.Session()
        self.session.trust_env = False
        self.session.verify = str(ca) if ca else False
        for scheme in ["http://", "https://"]:
            self.session.mount(scheme, From(address))

    def get(self, path: str, **keywords) -> requests.Response:
        return self.session.get(self.base + path, timeout=60, **keywords)

    def post(self, path: str, fields: dict | list, follow: bool = False, **keywords) -> requests.Response:
        return self.session.post(self.base + path, data=fields, timeout=60, allow_redirects=follow, **keywords)

    def sign_in(self, name: str, password: str = PASSWORD) -> requests.Response:
        return self.post("/sign-in", {"name": name, "password": password})

    def cookie(self) -> dict[str, str]:
        return dict(self.session.cookies)

    def take(self, cookies: dict[str, str]) -> None:
        """Holds these cookies, as if the place had given them."""
        for name, value in cookies.items():
            self.session.cookies.set(name, value, domain=urlsplit(self.base).hostname, path="/")

    def forms(self, path: str) -> dict[str, dict[str, str]]:
        """Every form of a page that posts: its action, and its fields as they stand."""
        page = html.fromstring(self.get(path).content)
        forms: dict[str, dict[str, str]] = {}
        for form in page.forms:
            if form.method == "POST":
                fields = {name: value or "" for name, value in form.form_values()}
                forms.setdefault(form.get("action"), fields)
        return forms


def token(fields: dict[str, str]) -> str:
    """The value of the token of a form, whatever its field is called."""
    return next(value for name, value in fields.items() if "token" in name)
