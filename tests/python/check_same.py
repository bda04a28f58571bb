"""Two programs answer alike: the same input, the same bytes.

    check_same.py BEFORE AFTER
    check_same.py PROGRAM --self-test

For a change that must change nothing, such as a move of files. Both programs run the same commands, one
after the other, at the same path, in a folder of the same name, with the same ports and with a system
clock that stands still (libfaketime), so that almost nothing has to be left out of the comparison. What
has to is named in MASKS. The self-test compares the program with itself, where nothing may differ, and
then through small alterations of it, each of which has to be noticed. Exit 1 on any difference.
"""

import difflib
import os
import re
import shutil
import socket
import sqlite3
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
KEY = "3f0c7e51b8a29d4460d1e8f7a5b3c29618e07d4f5a6b9c8d7e0f1a2b3c4d5e6f"
NOW = "2031-12-01 12:00:00"
FORMS = ["sr", "pdf", "pdf-dicom", "hl7", "fhir", "csv"]
BY_NETWORK = ["tid1410", "amended-first", "amended-second", "tid1500"]
BY_FOLDER = ["tid1500", "basic-text", "truncated", "no-patient-id", "side-conflict"]
SITE = """
[store]
path = "store.sqlite"
[outbox]
folder = "outbox"
[templates]
dictionaries = [{dictionaries}]
"""
SERVE = """
[receive.dicom]
listen = "127.0.0.1:{dicom}"
[receive.folder]
path = "drop"
scan_every_ms = 100
settle_ms = 100
unfinished_s = 0
[store]
path = "store.sqlite"
[outbox]
folder = "outbox"
[observe]
log_format = "json"
log = "info"
listen = "127.0.0.1:{http}"
audit = "audit.xml"
"""

# What must differ from run to run: files by their name, a part of their text, and what it is.
MASKS = [
    (r"lock$", rb"(?m)^pid \d+$|^\d+ *$", "the process"),
    (r"status", rb'(?<=free )[\d.]+(?= MB)|(?<=free_bytes":)\d+', "free room on the disk"),
    (r"lock$", rb"(?m)^file \d+:\d+$", "device and inode of the store"),
    (r"(lock|sqlite\.sql)$", rb"\b[0-9a-f]{32}(?=\s*$|'\);)", "identity of a store, drawn when it is made"),
    (r"audit\.xml$", rb'(?<=UserID=")\d+(?=")|(?<=AlternativeUserID=")\d+(?=")', "the process"),
    (r"metrics$", rb"(?m)^(sheathline_store_free_bytes) .*$", "free room on the disk"),
    (r"metrics$", rb"(?m)^(sheathline_[a-z_]*seconds[a-z_]*(\{[^}]*\})?) .*$", "durations"),
]
# The store itself is compared as the text of its tables.
LEFT_OUT = re.compile(r"\.sqlite(-wal|-shm)?$")


def clock() -> dict[str, str]:
    found = sorted(Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1"))
    if not found:
        raise SystemExit("same: faketime is not installed; ./.ci/setup installs it")
    return {
        "LD_PRELOAD": str(found[0]),
        "FAKETIME": NOW,
        "FAKETIME_DONT_FAKE_MONOTONIC": "1",
        "NO_FAKE_STAT": "1",
    }


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as free:
        return free.getsockname()[1]


class Run:
    """One program in a folder of its own; what it answers becomes files there."""

    def __init__(self, program: Path, folder: Path, ports: dict[str, int]):
        self.program, self.folder, self.ports = program, folder, ports
        self.env = {"PATH": os.environ["PATH"], "HOME": str(folder), "USER": "tester", "LC_ALL": "C.UTF-8", "TZ": "UTC", **clock()}
        self.count = 0

    def ask(self, name: str, *arguments, cwd: Path | None = None) -> str:
        """Runs a command; output, messages and exit code become files."""
        done = subprocess.run(
            [self.program, *map(str, arguments)], cwd=cwd or self.folder, env=self.env, capture_output=True,
            stdin=subprocess.DEVNULL, timeout=300,
        )
        told = self.folder / "told"
        told.mkdir(exist_ok=True)
        (told / f"{name}.stdout").write_bytes(done.stdout)
        (told / f"{name}.stderr").write_bytes(done.stderr)
        (told / f"{name}.code").write_text(f"{done.returncode}\n")
        self.count += 1
        return done.stdout.decode(errors="replace")

    def everything(self) -> None:
        self.helps()
        self.documents()
        self.readings()
        self.settings()
        self.numbers()
        self.demo()
        self.stories()
        self.serve()

    def helps(self) -> None:
        def below(path: list[str]) -> None:
            shown = self.ask("-".join(["help", *path]), *path, "--help")
            # Commands stand in groups, each under a heading.
            for command in re.findall(r"^  ([a-z][a-z0-9-]+) {2,}\S", shown, re.MULTILINE):
                if command != "help" and len(path) < 2:
                    below([*path, command])

        below([])
        self.ask("version", "--version")
        self.ask("wrong-command", "no-such-command")

    def documents(self) -> None:
        for name in ["tables", "conformance", "codes", "failures", "commands"]:
            self.ask(f"generate-{name}", "generate", name)
        for name in ["man", "completions"]:
            self.ask(f"generate-{name}", "generate", name, f"generated-{name}")

    def readings(self) -> None:
        for place in ["sr", "drawn", "charset"]:
            at = ROOT / "fixtures" / place
            self.ask(f"read-{place}", "read", at)
            self.ask(f"read-{place}-json", "read", "--json", at)
        for file in sorted(ROOT.glob("fixtures/sr/*/dictionary.toml")):
            report, name = file.with_name("report.dcm"), file.parent.name
            self.ask(f"read-{name}-dictionary", "read", "--json", "--dictionary", file, report)
            self.ask(f"check-{name}-dictionary", "template", "check", file)
        for file in sorted(ROOT.glob("sr-templates/*.toml")):
            self.ask(f"check-template-{file.stem}", "template", "check", file)

    def settings(self) -> None:
        for file in sorted(ROOT.glob("fixtures/config/*.toml")):
            self.ask(f"check-config-{file.stem}", "check-config", file)
            self.ask(f"check-config-{file.stem}-json", "check-config", "--json", file)
        for file in sorted(ROOT.glob("config/**/*.toml")):
            self.ask(f"explain-config-{file.stem}", "check-config", "--explain", file)

    def numbers(self) -> None:
        questions = ROOT / "fixtures/assess/questions.jsonl"
        self.ask("assess", "assess", questions)
        self.ask("assess-arithmetic", "assess", "--arithmetic", questions)
        self.ask("simulate", "simulate", "--patients", 40)
        self.ask("simulate-json", "simulate", "--json", "--patients", 40, "--seed", 7, "--k", 3)
        self.ask("simulate-situations", "simulate", "--situations", "--json", "--patients", 10)

    def demo(self) -> None:
        self.ask("demo", "demo", "--dir", "demo")
        self.ask("demo-again", "demo", "--dir", "demo", "--json")
        for result in sorted((ROOT / "fixtures/schema-1").glob("*.json")):
            self.forms(result.stem, result)
        for number, result in enumerate(sorted(self.folder.glob("demo/outbox/*/result.json"))):
            self.forms(f"demo-{number}", result)
        self.site("demo", "demo/demo.toml")

    def forms(self, name: str, result: Path) -> None:
        for form in FORMS:
            self.ask(f"render-{name}-{form}", "render", "--form", form, "-o", f"form-{name}-{form}", result)

    def site(self, name: str, config: str) -> None:
        """Everything that reads a store, and the entries of people."""

        def ask(what: str, *arguments) -> str:
            return self.ask(f"{name}-{what}", *arguments, "--config", config)

        def record(what: str, *arguments) -> None:
            """What has to be recorded: two refusals alike would compare nothing."""
            ask(what, *arguments)
            told = self.folder / "told" / f"{name}-{what}"
            if told.with_suffix(".code").read_text().strip() != "0":
                raise SystemExit(f"{name}-{what} was refused: {told.with_suffix('.stderr').read_text()}")

        store = Path(self.folder / config).with_name("store.sqlite")
        with sqlite3.connect(store) as known:
            patients = sorted({(id, issuer) for id, issuer in known.execute("SELECT DISTINCT patient_id, patient_issuer FROM result")})
            exams = [exam for (exam,) in known.execute("SELECT DISTINCT exam_id FROM result ORDER BY 1")]
        known.close()
        say = ["--author", "Tester", "--reason", "to compare"]
        for number, exam in enumerate(exams[:8]):
            record(f"label-{number}", "label", "--yes", *say, exam, ["well", "raised_confirmed", "none", "raised_ruled_out"][number % 4])
            record(f"pressure-{number}", "pressure", *say, exam, 20 + number, "cm[H2O]")
        for number, (patient, issuer) in enumerate(patients):
            whose = ["--issuer", issuer] if issuer else []
            if number % 3 == 0:
                record(f"event-{number}", "event", "--yes", *say, *whose, patient, "2024-05-01", "shunt_revision")
            for eye in ["right", "left", "both"]:
                picture = f"trend-{name}-{number}-{eye}.svg"
                ask(f"history-{number}-{eye}", "history", *whose, "--svg", picture, "--eye", eye, patient)
            ask(f"history-{number}-json", "history", "--json", *whose, patient)
            ask(f"entries-{number}", "entries", *whose, patient)
            ask(f"entries-{number}-json", "entries", "--json", *whose, patient)
        if len(patients) > 2:
            prior, surviving = (f"{issuer}|{id}" for id, issuer in patients[:2])
            record("merge", "patient", "merge", "--prior", prior, "--surviving", surviving, "--reason", "to compare")
            ask("merges", "patient", "list")
        for exam in exams:
            ask(f"explain-{exam}", "explain", exam)
            ask(f"explain-{exam}-json", "explain", "--json", exam)
        for form in FORMS:
            for exam in exams[:3]:
                ask(f"render-{exam}-{form}", "render", "--form", form, "-o", f"form-{name}-{exam}-{form}", exam)
        ask("render-nobody", "render", "--form", "csv", "-o", "form-nobody", "E0000000000000000")
        for what in ["department", "calibrate", "unmapped", "quarantine", "verify", "status"]:
            ask(what, what)
            ask(f"{what}-json", what, "--json")
        ask("department-page", "department", "--html", f"department-{name}.html")
        ask("calibrate-write", "calibrate", "--write", f"baseline-{name}.toml")
        ask("outbox", "outbox", "list")
        secret = self.folder / "secret.key"
        secret.write_text(KEY + "\n")
        secret.chmod(0o600)
        ask("export", "export", "--identified", "--fhir", "--json", "--to", f"export-{name}")
        ask("export-again", "export", "--identified", "--to", f"export-{name}")
        ask("export-key", "export", "--key", "secret.key", "--to", f"export-{name}-key")
        ask("export-neither", "export", "--to", f"export-{name}-neither")

    def stories(self) -> None:
        """All fixtures and the reports of the demonstration, through the pipeline."""
        for name, paths, dictionaries in [
            ("fixtures", [ROOT / "fixtures/sr", ROOT / "fixtures/drawn"], []),
            ("stories", [self.folder / "demo/sent"], [self.folder / "demo/pocket-t.toml"]),
        ]:
            folder = self.folder / name
            folder.mkdir()
            (folder / "site.toml").write_text(SITE.format(dictionaries=", ".join(f'"{one}"' for one in dictionaries)))
            self.ask(f"process-{name}", "process", "--config", f"{name}/site.toml", *paths)
            self.ask(f"process-{name}-again", "process", "--json", "--config", f"{name}/site.toml", *paths)
            self.site(name, f"{name}/site.toml")

    def serve(self) -> None:
        """A short watch: objects one at a time, by the folder and by the network."""
        folder = self.folder / "served"
        (folder / "drop").mkdir(parents=True)
        (folder / "site.toml").write_text(SERVE.format(**self.ports))
        with (self.folder / "told-log").open("wb") as log:
            daemon = subprocess.Popen([self.program, "serve", "--config", "served/site.toml"],
                                      cwd=self.folder, env=self.env, stdout=log, stderr=subprocess.STDOUT)
            try:
                count = 0
                for case in BY_FOLDER:
                    aside = folder / f"{case}.aside"
                    shutil.copy(ROOT / f"fixtures/sr/{case}/report.dcm", aside)
                    aside.rename(folder / "drop" / f"{case}.dcm")
                    count += 1
                    self.wait(lambda text: not list((folder / "drop").glob("*.dcm")) and at_rest(text, count), case)
                for case in BY_NETWORK:
                    file = ROOT / f"fixtures/sr/{case}/report.dcm"
                    subprocess.run([sys.executable, ROOT / "tests/python/send.py", f"127.0.0.1:{self.ports['dicom']}", file],
                                   check=True, capture_output=True)
                    count += 1
                    self.wait(lambda text: at_rest(text, count), case)
                with socket.create_connection(("127.0.0.1", self.ports["dicom"])) as stranger:
                    stranger.sendall(b"GET / HTTP/1.1\r\n\r\n")
                    while stranger.recv(100):
                        pass
                text = self.wait(lambda text: re.search(r'peers_refused_total\{[^}]*"refused-not-dicom"[^}]*\} 1', text), "a stranger")
                (self.folder / "metrics").write_text(text)
                self.ask("status-running", "status", "--json", "--config", "served/site.toml")
            finally:
                daemon.terminate()
                daemon.wait(60)
        (self.folder / "told/serve.code").write_text(f"{daemon.returncode}\n")
        self.site("served", "served/site.toml")

    def wait(self, holds, what: str) -> str:
        """The text of /metrics once it is as wished."""
        deadline = time.monotonic() + 60
        text = ""
        while time.monotonic() < deadline:
            try:
                with urllib.request.urlopen(f"http://127.0.0.1:{self.ports['http']}/metrics", timeout=30) as answer:
                    text = answer.read().decode()
                if holds(text):
                    return text
            except OSError:
                pass
            time.sleep(0.05)
        raise SystemExit(f"same: never at rest after {what}\n{text}\n{(self.folder / 'told-log').read_text()[-2000:]}")


def at_rest(text: str, count: int) -> bool:
    """Every object is stored or refused, and nothing waits."""

    def values(name: str) -> list[float]:
        return [float(value) for value in re.findall(rf"(?m)^{name}(?:\{{[^}}]*\}})? (\S+)$", text)]

    return sum(values("sheathline_objects_received_total")) >= count and sum(values("sheathline_queue_waiting")) == 0


def dump(store: Path) -> bytes:
    with sqlite3.connect(f"file:{store}?mode=ro", uri=True) as known:
        text = "\n".join(known.iterdump())
    known.close()
    return text.encode(errors="surrogateescape")


def masked(name: str, content: bytes) -> bytes:
    for files, part, _ in MASKS:
        if re.search(files, name):
            content = re.sub(part, lambda found: (found[1] + b" *") if found.lastindex else b"*", content)
    # The program shows the series of a family in any order.
    return b"\n".join(sorted(content.split(b"\n"))) if name == "metrics" else content


def collected(folder: Path) -> dict[str, bytes]:
    """Every file by its name there."""
    found = {}
    for file in sorted(folder.rglob("*")):
        name = str(file.relative_to(folder))
        if file.is_file() and not LEFT_OUT.search(name):
            found[name] = masked(name, file.read_bytes())
        elif file.name.endswith(".sqlite"):
            found[f"{name}.sql"] = masked(f"{name}.sql", dump(file))
    return found


def run(program: Path, folder: Path, ports: dict[str, int]) -> dict[str, bytes]:
    """All that a program answers, always at the same path and in a folder of the same name."""
    here, at = folder / "sheathline", folder / "work"
    shutil.copy(program, here)
    at.mkdir()
    started = Run(here, at, ports)
    started.everything()
    found = collected(at)
    shutil.rmtree(at)
    here.unlink()
    print(f"{started.count} commands, {len(found)} files and answers")
    return found


def lines(content: bytes) -> list[str]:
    return content.decode(errors="backslashreplace").replace("\r", "\n").splitlines()


def differences(before: dict[str, bytes], after: dict[str, bytes]) -> list[str]:
    """Each file that differs, with the first lines that do."""
    told = []
    for name in sorted(before.keys() | after.keys()):
        if name not in after or name not in before:
            told.append(f"{name}: only {'before' if name in before else 'after'}")
        elif before[name] != after[name]:
            diff = list(difflib.unified_diff(lines(before[name]), lines(after[name]), lineterm="", n=0))[2:]
            told.append("\n    ".join([f"{name}:", *(line[:300] for line in diff[:6] or ["other bytes, same lines"])]))
    return told


# What the self-test alters, one thing in each way that an answer can differ, and where it has to show.
ALTERED = """#!/bin/sh
P='{program}'
case "$*" in
    "demo --dir demo") "$P" "$@" | sed s/earlier/former/ ;;
    "demo --dir demo --json") "$P" "$@"; rm demo/trend-LC-1001.svg ;;
    no-such-command) "$P" "$@"; exit 1 ;;
    *"-o form-demo-0-pdf "*) "$P" "$@"; printf x >>form-demo-0-pdf ;;
    *"--to export-served-neither "*) "$P" "$@"; code=$?
        python3 -c 'import sqlite3; c = sqlite3.connect("served/store.sqlite"); c.execute("UPDATE result SET why = why || 1 WHERE id = 1"); c.commit()'
        exit $code ;;
    *) exec "$P" "$@" ;;
esac
"""
SHOWS = ["demo/trend-LC-1001.svg", "form-demo-0-pdf", "served/store.sqlite.sql", "told/demo.stdout", "told/wrong-command.code"]


def self_test(program: Path, folder: Path, ports: dict[str, int]) -> int:
    """What is altered differs, and nothing else."""
    altered = folder / "altered"
    altered.write_text(ALTERED.format(program=program))
    altered.chmod(0o755)
    found = differences(run(program, folder, ports), run(altered, folder, ports))
    names = [one.split(":")[0] for one in found]
    if names != SHOWS:
        print("\n".join(found))
        print(f"altered were {SHOWS}, noticed were {names}")
        return 1
    print(f"{len(SHOWS)} alterations noticed, nothing else differs")
    return 0


def main() -> int:
    before = Path(sys.argv[1]).resolve()
    ports = {"dicom": free_port(), "http": free_port()}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if sys.argv[2] == "--self-test":
            return self_test(before, folder, ports)
        old = run(before, folder, ports)
        assert len(old) > 1500, "few answers: what asks has lost its inputs"
        found = differences(old, run(Path(sys.argv[2]).resolve(), folder, ports))
        print("\n".join(found) or f"{len(old)} files and answers of both programs are the same")
        return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
