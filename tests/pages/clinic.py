"""The invented clinic of the demo behind `serve` with `[pages]`, with an account for each role."""

import json
import shutil
import socket
import sqlite3
import subprocess
import tempfile
import threading
import time
from contextlib import closing, contextmanager
from pathlib import Path

from openid import CLIENT, SECRET, certificates
from told import check

# Name of an account: its roles. One person may hold several.
PEOPLE = {
    "r.sedge": ["reader"],
    "m.heron": ["measurer"],
    "c.wren": ["clinician"],
    "l.alder": ["lead"],
    "o.quill": ["operator"],
    "a.marsh": ["auditor"],
}
PASSWORD = "four herons over the marsh"
GROUPS = {
    "sheath-readers": ["reader"],
    "sheath-measurers": ["measurer"],
    "sheath-clinicians": ["clinician"],
    "sheath-leads": ["lead"],
    "sheath-operators": ["operator"],
    "sheath-auditors": ["auditor"],
}


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


class Clinic:
    def __init__(self, binary: Path, folder: Path, issuer: str | None = None, tls: bool = False, more: str = ""):
        self.binary, self.folder = binary, folder
        self.port = free_port()
        self.config = folder / "demo.toml"
        self.base = f"https://localhost:{self.port}" if tls else f"http://127.0.0.1:{self.port}"
        self.run("demo", "--output", str(folder), config=False)
        with self.config.open("a") as file:
            file.write(self.settings(issuer, tls) + more)
        for name, roles in PEOPLE.items():
            self.account(name, roles)
        self.lines: list[dict] = []
        self.process: subprocess.Popen | None = None

    def settings(self, issuer: str | None, tls: bool) -> str:
        text = 'log_format = "json"\naudit = "audit.xml"\n\n[pages]\n'
        if tls:
            certificates(self.folder)
            text += f'public_url = "{self.base}"\n[pages.tls]\nlisten = "127.0.0.1:{self.port}"\n'
            text += 'certificate = "server.pem"\nkey = "server.key"\n'
        else:
            text += f'listen = "127.0.0.1:{self.port}"\n'
        if issuer:
            (self.folder / "secret").write_text(SECRET + "\n")
            (self.folder / "secret").chmod(0o600)
            text += f'\n[pages.openid]\nissuer = "{issuer}"\nclient = "{CLIENT}"\nsecret = "secret"\nca = "ca.pem"\n'
            text += 'groups_claim = "groups"\n'
            for group, roles in GROUPS.items():
                text += f'\n[[pages.role]]\ngroup = "{group}"\nroles = {json.dumps(roles)}\n'
        return text

    def run(self, *arguments: str, config: bool = True, fine: bool = True) -> subprocess.CompletedProcess:
        named = ["--config", str(self.config)] if config else []
        done = subprocess.run(
            [self.binary, *arguments, *named], capture_output=True, text=True, timeout=300, check=False
        )
        if fine and done.returncode:
            raise SystemExit(f"{arguments}: {done.returncode}\n{done.stdout}\n{done.stderr}")
        return done

    def account(self, name: str, roles: list[str], password: str = PASSWORD) -> None:
        secret = self.folder / "password"
        secret.write_text(password + "\n")
        secret.chmod(0o600)
        given = [part for role in roles for part in ("--role", role)]
        self.run("account", "add", name, *given, "--password-file", str(secret))
        secret.unlink()

    def start(self) -> None:
        self.process = subprocess.Popen(
            [self.binary, "serve", "--config", self.config],
            stdout=subprocess.PIPE,
            stderr=(self.folder / "stderr.log").open("a"),
            text=True,
        )
        threading.Thread(target=self.read, args=[self.process], daemon=True).start()
        until = time.monotonic() + 60
        while time.monotonic() < until and self.process.poll() is None:
            try:
                socket.create_connection(("127.0.0.1", self.port), 1).close()
                return
            except OSError:
                time.sleep(0.1)
        raise SystemExit(f"no pages: {self.lines[-5:]} {(self.folder / 'stderr.log').read_text()}")

    def read(self, process: subprocess.Popen) -> None:
        for line in process.stdout:
            self.lines.append(json.loads(line)["fields"])

    def stop(self) -> None:
        self.process.terminate()
        check(self.process.wait(60) == 0, "the daemon ends in order")

    def exams(self, patient: str, fine: bool = True) -> list[dict]:
        """What `history` says of a patient, oldest first; nothing, unless `fine`, of one nobody knows."""
        done = self.run("history", patient, "--json", fine=fine)
        return [json.loads(line) for line in done.stdout.splitlines()] if done.returncode == 0 else []

    def entries(self) -> list[int]:
        """The numbers of everything that was said, of whomever."""
        with closing(sqlite3.connect(f"file:{self.folder / 'store.sqlite'}?mode=ro", uri=True)) as store:
            return [number for (number,) in store.execute("select id from entry order by id")]

    def memory_mib(self) -> float:
        """What the daemon holds of memory now."""
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        return int(status.split("VmRSS:")[1].split()[0]) / 1024

    def log(self) -> str:
        return "\n".join(json.dumps(line) for line in self.lines) + (self.folder / "stderr.log").read_text()


@contextmanager
def clinic(binary: Path, **keywords):
    folder = Path(tempfile.mkdtemp())
    try:
        one = Clinic(binary, folder / "clinic", **keywords)
        one.start()
        yield one
        one.stop()
        check(not [line for line in one.lines if line.get("code") == "pages-panicked"], "no handler panicked")
    finally:
        if "one" in locals() and one.process and one.process.poll() is None:
            one.process.kill()
        shutil.rmtree(folder)
