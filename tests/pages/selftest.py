"""The checks must notice what they are for: pages with one planted fault each, from a server of ours."""

import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from browser import HEADERS, POLICY, Browsers, Watch, faults_of, header_faults, named
from told import check, part

SOUND = """<!doctype html><html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1"><title>Today</title>
<link rel="stylesheet" href="/style.css"></head>
<body><main><h1>Today</h1><form method="post"><p><label for="a">Reason</label> <input id="a" name="a">
<button>Send</button></p></form></main></body></html>"""
STYLE = "input, button { min-height: 24px } .small { min-height: 9px; height: 12px } #g.faint { color: #aaa }"
# Address: (page, header left out, what must be named).
PLANTED = {
    "/sound": (SOUND, None, None),
    "/label": (SOUND.replace('<label for="a">Reason</label>', ""), None, "label"),
    "/contrast": (SOUND.replace("<h1>", '<h1 id="g" class="faint">'), None, "contrast"),
    "/header": (SOUND, "content-security-policy", "default-src is None"),
    "/kept": (SOUND, "cache-control", "cache-control is None"),
    "/title": (SOUND.replace("<title>Today", "<title>LC-1002"), None, "LC-1002 stands"),
    "/exam?id=LC-1002": (SOUND, None, "LC-1002 stands"),
    "/wide": (SOUND.replace("</main>", f"<pre>{'wide ' * 400}</pre></main>"), None, "wider than the window"),
    "/inline": (SOUND.replace("<h1>", '<h1 onclick="go()">'), None, "1 handlers"),
    "/two": (SOUND.replace("<h1>Today</h1>", "<h1>Today</h1><h1>Again</h1>"), None, "2 h1"),
    "/small": (SOUND.replace("<button>", '<button class="small">'), None, "px high"),
    "/lost": (SOUND.replace("</main>", '<p>See <a href="#nobody">there</a></p></main>'), None, "#nobody leads nowhere"),
    "/lang": (SOUND.replace(' lang="en"', ""), None, "html-has-lang"),
}


class Planted(BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        page, without, _ = PLANTED.get(self.path, (SOUND, None, None))
        self.send_response(200)
        style = self.path == "/style.css"
        self.send_header("Content-Type", "text/css" if style else "text/html; charset=utf-8")
        given = {"content-security-policy": "; ".join(f"{k} {v}" for k, v in POLICY.items()), **HEADERS}
        for name, value in given.items():
            if name != without:
                self.send_header(name, value)
        self.end_headers()
        self.wfile.write((STYLE if style else page).encode())

    def log_message(self, *_: object) -> None:
        pass


def noticed(page, answer, path: str, wanted: str | None) -> None:
    faults = faults_of(page, answer, ["LC-1002"])
    if wanted is None:
        check(not faults, "a sound page passes", faults)
    else:
        check(any(wanted in fault for fault in faults), f"noticed: {path}", faults)


def self_test(browsers: Browsers) -> None:
    part("the checks notice what is planted")
    server = ThreadingHTTPServer(("127.0.0.1", 0), Planted)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    base = f"http://127.0.0.1:{server.server_port}"
    with browsers.person("narrow") as person:
        page = person.new_page()
        for path, (_, _, wanted) in PLANTED.items():
            noticed(page, page.goto(base + path), path, wanted)
        watch = Watch(page, base)
        page.goto(base + "/sound")
        page.evaluate("fetch('http://127.0.0.1:9/elsewhere').catch(() => 0)")
        page.evaluate("document.body.insertAdjacentHTML('beforeend', '<img src=http://127.0.0.1:9/x>')")
        page.wait_for_timeout(300)
        check(any("elsewhere" in one for one in watch.elsewhere + watch.complaints), "noticed: a load from elsewhere")
        check(bool(watch.complaints), "noticed: a complaint of the policy", watch.complaints)
    check(len(header_faults({}, True)) == len(POLICY) + len(HEADERS) + 1, "every missing header is named")
    said = named("view of Wren^Ada, born 20190304, lc-10022", ["Wren^Ada", "20190304", "LC-1002", ""])
    check(said == ["Wren^Ada", "20190304"], "noticed: a name that leaked, and no part of another", said)
    server.shutdown()
