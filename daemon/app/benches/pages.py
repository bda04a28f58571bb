"""How long the pages take with 10^5 exams in the store.

    cargo build --release
    python daemon/app/benches/pages.py target/release/sheathline [--exams 100000]

Some hundred invented exams and the reports of three scanners that nobody has explained go through the
program. Then their rows are copied within the store under other patients and days, as `large.py` does.
Each page is asked for several times; told are the shortest wall time, which a busy machine disturbs least,
and the median of the processor time that the service used.
"""

import argparse
import http.client
import os
import re
import socket
import sqlite3
import subprocess
import tempfile
import time
from pathlib import Path
from statistics import median
from urllib.parse import urlencode

import corpus

FIXTURES = Path(__file__).resolve().parents[3] / "fixtures"
SCANNERS = ("caldorra", "courvelle", "fennlund")
SEEDS = 400
RISES = 1000
PASSWORD = "a password of the bench"
ROLES = ("clinician", "operator", "lead")

# What must differ between a row and its copies, and how; ?1 is the number of the copy.
OTHER = {
    "object": {
        "sop_instance_uid": "sop_instance_uid || '.' || ?1",
        "study_instance_uid": "study_instance_uid || '.' || ?1",
        "patient_id": "patient_id || '-' || ?1",
        "body_sha256": "randomblob(32)",
    },
    "result": {
        "patient_id": "patient_id || '-' || ?1",
        "exam_id": "exam_id || 'x' || ?1",
        "key": "key || '-' || ?1",
    },
    "exam_line": {
        "patient_id": "patient_id || '-' || ?1",
        "exam_id": "exam_id || 'x' || ?1",
        "performed_at": "strftime('%Y-%m-%dT%H:%M:%S', 'now', '-' || (?1 * 4) || ' days')",
        "first_at": "strftime('%Y-%m-%dT%H:%M:%f000Z', 'now', '-' || (?1 * 4) || ' days')",
        "operator": "'Operator ' || (?1 % 20)",
        "device": "'Lapwing ' || (?1 % 6)",
        "location": "'Ward ' || (?1 % 9)",
        "line": "replace(replace(line, exam_id, exam_id || 'x' || ?1), patient_id, patient_id || '-' || ?1)",
    },
}


def fill(store: Path, exams: int) -> None:
    """Copies rows until there are so many exams."""
    base = sqlite3.connect(store, isolation_level=None)
    base.executescript("pragma journal_mode = off; pragma synchronous = off; pragma cache_size = -1000000")
    base.execute("begin")
    for table, other in OTHER.items():
        key = "exam_id" if table == "exam_line" else "id"
        columns = [row[1] for row in base.execute(f"pragma table_info({table})") if row[1] != "id"]
        values = [other.get(column, column) for column in columns]
        base.execute(f"create temp table seed as select {key} as seed from {table}")
        for number in range(1, exams // SEEDS):
            base.execute(
                f"insert into {table} ({', '.join(columns)}) select {', '.join(values)}"
                f" from {table} where {key} in (select seed from seed)",
                (number,),
            )
        base.execute("drop table seed")
    base.execute(
        "update exam_line set rise = 'new', rise_since = first_at, flagged = 1,"
        " line = json_set(line, '$.rise', json('{\"state\":\"new\"}'), '$.flagged', json('true'))"
        " where exam_id in (select exam_id from exam_line where exam_id like '%x%' limit ?1)",
        (RISES,),
    )
    base.execute("commit")
    base.execute("pragma journal_mode = wal")
    base.close()


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


class Browser:
    """One session; a connection of its own for each request, as the first page of a day has."""

    def __init__(self, port: int, pid: int):
        self.port, self.pid, self.cookie = port, pid, None

    def ask(self, method: str, path: str, body: str = "") -> tuple[int, str]:
        headers = {"Content-Type": "application/x-www-form-urlencoded", "Origin": f"http://127.0.0.1:{self.port}"}
        if self.cookie:
            headers["Cookie"] = self.cookie
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=120)
        line.request(method, path, body or None, headers)
        answer = line.getresponse()
        text = answer.read().decode()
        for value in answer.headers.get_all("Set-Cookie") or []:
            self.cookie = value.split(";")[0]
        line.close()
        return answer.status, text

    def sign_in(self, name: str) -> None:
        fields = urlencode({"name": name, "password": PASSWORD, "to": "/"})
        status, text = self.ask("POST", "/sign-in", fields)
        assert status == 303, (status, text[-500:])

    def cpu(self) -> float:
        fields = Path(f"/proc/{self.pid}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def measure(self, name: str, path: str, rounds: int = 7) -> str:
        walls, begun = [], self.cpu()
        for _ in range(rounds):
            began = time.perf_counter()
            status, text = self.ask("GET", path)
            walls.append(time.perf_counter() - began)
            assert status == 200, (path, status)
        cpu = (self.cpu() - begun) / rounds
        rows = text.count("<tr")
        print(
            f"{name:34} wall {min(walls) * 1000:7.0f} ms (median {median(walls) * 1000:.0f}), "
            f"processor {cpu * 1000:6.0f} ms, {rows} rows, {len(text) // 1024} KiB",
            flush=True,
        )
        return text


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("binary", type=lambda text: Path(text).resolve())
    parser.add_argument("--exams", type=int, default=100_000)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        place, port = Path(folder), free_port()
        config = place / "site.toml"
        config.write_text(
            '[store]\npath = "store.sqlite"\n[outbox]\nfolder = "outbox"\n'
            f'[pages]\nlisten = "127.0.0.1:{port}"\n'
        )

        def run(*args: object) -> None:
            command = [str(part) for part in (options.binary, *args)]
            subprocess.run(command, cwd=place, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

        files = corpus.make(place / "reports", SEEDS)
        scanners = [path for name in SCANNERS for path in sorted((FIXTURES / "scanners" / name).glob("*.dcm"))]
        run("process", "--config", config, *files, *scanners)
        (place / "password").write_text(PASSWORD + "\n")
        for role in ROLES:
            run("account", "add", "--config", config, role, "--role", role, "--password-file", place / "password")
        began = time.perf_counter()
        fill(place / "store.sqlite", options.exams)
        base = sqlite3.connect(place / "store.sqlite")
        counts = [base.execute(f"select count(*) from {table}").fetchone()[0] for table in OTHER]
        rises = base.execute("select count(*) from exam_line where rise = 'new'").fetchone()[0]
        base.close()
        print(f"{counts} objects, results, lines, {rises} rises; filled in {time.perf_counter() - began:.0f} s")
        service = subprocess.Popen(
            [str(options.binary), "serve", "--config", str(config)],
            cwd=place,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            measure(port, service.pid)
        finally:
            service.terminate()
            service.wait(60)


def measure(port: int, pid: int) -> None:
    for _ in range(600):
        try:
            socket.create_connection(("127.0.0.1", port), 1).close()
            break
        except OSError:
            time.sleep(0.1)
    browser = Browser(port, pid)
    browser.measure("/sign-in", "/sign-in")
    browser.sign_in("clinician")
    today = time.strftime("%Y-%m-%d")
    page = browser.measure("/today, the first of all", "/today", 1)
    browser.measure("/today", "/today")
    browser.measure("/today, one day", f"/today?from={today}&to={today}")
    browser.measure("/today, all days", "/today?when=all")
    browser.measure("/today, 1,000 without a label", "/today?when=all&show=unlabelled")
    browser.measure("/today, the same, page 50", "/today?when=all&show=unlabelled&page=50")
    browser.measure("/today, 1,000 rises", "/today?when=all&show=rises")
    browser.measure("/today, all days, an operator", "/today?when=all&show=unlabelled&operator=Operator+3")
    filters = "operator=Operator+3&device=Lapwing+3&location=Ward+3"
    browser.measure("/today, all days, three filters", f"/today?when=all&{filters}")
    # One that the program itself made: copies have an x in their names.
    exam = re.search(r"/exam/(E[0-9a-f]+)\"", page)
    assert exam, "an exam of today"
    browser.measure("/exam", f"/exam/{exam[1]}")
    browser.measure("/patient", f"/patient/{exam[1]}")
    operator = Browser(port, pid)
    operator.sign_in("operator")
    operator.measure("/codes, first", "/codes", 1)
    operator.measure("/codes, again", "/codes")
    operator.measure("/service", "/service")


if __name__ == "__main__":
    main()
