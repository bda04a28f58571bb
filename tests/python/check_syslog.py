"""Has a real syslog server take the audit trail over TLS, and reads back what it took.

    python tests/python/check_syslog.py target/debug/sheathline

The server is rsyslog with its gtls driver, which is none of ours and asks for a certificate. Every
message of the trail must be there, under the header of RFC 5424 as DICOM PS3.15 A.6 asks for it:

- while all is well, with as many messages of each event as the trail has, read by lxml;
- one for each entry of what people say beside the daemon, its number, patient, kind and what it corrects;
- after the server was down while reports came, which neither stops results nor readiness;
- after kill -9 of the daemon and restarts of the server under way: repeats are allowed, byte for byte
  the same; a loss is not;
- after the trail was rotated under way;
- not with a certificate of strangers, not to a server without TLS, and nothing counts as taken by a
  server that closes without having read.

Exit 1 on any difference.
"""

import base64
import json
import os
import re
import shutil
import signal
import socket
import ssl
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from collections import Counter
from pathlib import Path

from lxml import etree

ROOT = Path(__file__).resolve().parents[2]
REPORT = (ROOT / "fixtures/sr/tid1500/report.dcm").read_bytes()
PATIENCE_S = 90
AUTHOR = "Dr Ilse Farnwick"
# RFC 5424 section 6, with the values of PS3.15 A.6; the mark is that of section 6.4.
HEADER = re.compile(
    rb"<85>1 \d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z [!-~]+ sheathline - DICOM\+RFC3881 - \xef\xbb\xbf"
)


def until(what, holds):
    start = time.monotonic()
    while not holds():
        if time.monotonic() - start > PATIENCE_S:
            sys.exit(f"waited too long for {what}")
        time.sleep(0.05)


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


def openssl(folder: Path, *args: str) -> None:
    subprocess.run(["openssl", *args], cwd=folder, check=True, capture_output=True)


def authority(folder: Path, name: str) -> None:
    """An authority, a certificate for a server and one for a client."""
    curve = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes"]
    openssl(
        folder, "req", "-x509", *curve, "-days", "2", "-subj", f"/CN={name}",
        "-keyout", f"{name}.key", "-out", f"{name}.pem",
    )  # fmt: skip
    (folder / "names").write_text("subjectAltName=DNS:localhost,IP:127.0.0.1\n")
    for role in ["server", "client"]:
        one = f"{name}-{role}"
        openssl(folder, "req", *curve, "-subj", f"/CN={role}", "-keyout", f"{one}.key", "-out", f"{one}.csr")
        openssl(
            folder, "x509", "-req", "-in", f"{one}.csr", "-CA", f"{name}.pem", "-CAkey", f"{name}.key",
            "-CAcreateserial", "-days", "2", "-extfile", "names", "-out", f"{one}.pem",
        )  # fmt: skip


class Rsyslog:
    """The server, writing each message as it came, one a line."""

    def __init__(self, folder: Path):
        self.folder, self.port, self.process = folder, free_port(), None
        self.got = folder / "got"
        (folder / "rsyslog.conf").write_text(f"""\
global(workDirectory="{folder}" maxMessageSize="64k" parser.escapeControlCharactersOnReceive="off"
  defaultNetstreamDriver="gtls" defaultNetstreamDriverCAFile="{folder}/ours.pem"
  defaultNetstreamDriverCertFile="{folder}/ours-server.pem"
  defaultNetstreamDriverKeyFile="{folder}/ours-server.key")
module(load="imtcp" streamDriver.name="gtls" streamDriver.mode="1"
  streamDriver.authMode="x509/certvalid")
input(type="imtcp" address="127.0.0.1" port="{self.port}")
template(name="raw" type="string" string="%rawmsg%\\n")
action(type="omfile" file="{self.got}" template="raw")
""")

    def start(self) -> None:
        program = shutil.which("rsyslogd") or "/usr/sbin/rsyslogd"
        command = [program, "-n", "-f", self.folder / "rsyslog.conf", "-i", self.folder / "pid"]
        log = open(self.folder / "rsyslog.log", "ab")
        self.process = subprocess.Popen(command, stdout=log, stderr=log)

        def listens():
            with socket.socket() as one:
                return one.connect_ex(("127.0.0.1", self.port)) == 0

        until("the server", listens)

    def stop(self) -> None:
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(PATIENCE_S)

    def messages(self) -> list[bytes]:
        """Whole lines that came, without their headers."""
        if not self.got.exists():
            return []
        lines = self.got.read_bytes().split(b"\n")[:-1]
        for line in lines:
            if not HEADER.match(line):
                sys.exit(f"a header that RFC 5424 and PS3.15 A.6 do not know: {line[:120]}")
        return [HEADER.sub(b"", line) for line in lines]


class Site:
    """The daemon with its configuration."""

    def __init__(self, binary: Path, folder: Path):
        self.binary, self.folder, self.sent = binary, folder, 0
        self.config, self.drop, self.process = folder / "site.toml", folder / "drop", None
        self.http = free_port()
        self.drop.mkdir()
        self.starts = 0

    def configure(self, port: int, who: str) -> None:
        self.config.write_text(f"""\
[receive.dicom]
listen = "127.0.0.1:0"
[receive.folder]
path = "drop"
scan_every_ms = 100
settle_ms = 0
[store]
path = "store.sqlite"
[outbox]
folder = "outbox"
[observe]
log_format = "json"
listen = "127.0.0.1:{self.http}"
audit = "audit.xml"
[observe.syslog]
host = "localhost"
port = {port}
ca = "ours.pem"
certificate = "{who}-client.pem"
key = "{who}-client.key"
timeout_s = 5
""")

    def start(self) -> None:
        self.starts += 1
        with open(self.folder / f"log-{self.starts}", "wb") as log:
            command = [self.binary, "serve", "--config", self.config]
            self.process = subprocess.Popen(command, stdout=log, stderr=log)
        until("the daemon", lambda: self.get("livez") is not None)

    def end(self, how=signal.SIGTERM) -> None:
        self.process.send_signal(how)
        self.process.wait(PATIENCE_S)

    def get(self, page: str) -> str | None:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.http}/{page}", timeout=10) as answer:
                return answer.read().decode()
        except OSError:
            return None

    def number(self, name: str) -> float:
        lines = (self.get("metrics") or "").splitlines()
        values = [float(line.rsplit(" ", 1)[1]) for line in lines if line.startswith(f"sheathline_{name}{{")]
        return values[0] if values else -1

    def said(self, code: str) -> int:
        log = (self.folder / f"log-{self.starts}").read_text()
        return log.count(f'"code":"{code}"')

    def put(self, count: int) -> None:
        """Reports of other patients: the same bytes with another id and other UIDs."""
        for _ in range(count):
            self.sent += 1
            own = REPORT.replace(b"SL-0042", b"SX%05d" % self.sent)
            own = re.sub(rb"(2\.25\.\d{6,})\d{4}", lambda m: m[1] + b"%04d" % self.sent, own)
            part = self.drop / f".{self.sent}"
            part.write_bytes(own)
            part.rename(self.drop / f"{self.sent}.dcm")

    def trail(self) -> list[bytes]:
        """Every message, of every file that the trail was."""
        files = sorted(self.folder.glob("audit.xml*"))
        return [line for file in files for line in file.read_bytes().splitlines()]

    def drained(self) -> bool:
        waiting = [line for line in (self.get("metrics") or "").splitlines() if "queue_waiting{" in line]
        return bool(waiting) and all(line.endswith(" 0") for line in waiting) and not any(self.drop.glob("*.dcm"))


def complete(site: Site, server: Rsyslog) -> bool:
    return set(site.trail()) <= set(server.messages())


def counts(messages: list[bytes]) -> Counter:
    found = Counter()
    for message in messages:
        event = etree.fromstring(message).find("EventIdentification/EventID")
        found[event.get("originalText")] += 1
    return found


def deaf(folder: Path, tls: bool):
    """A server that shakes hands and closes, or reads in plain; what it read of a message."""
    listener = socket.create_server(("127.0.0.1", 0))
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(folder / "ours-server.pem", folder / "ours-server.key")
    heard, met = [], []

    def serve():
        while True:
            try:
                line, _ = listener.accept()
            except OSError:
                return
            met.append(1)
            try:
                if tls:
                    context.wrap_socket(line, server_side=True).close()
                else:
                    line.settimeout(1)
                    heard.append(line.recv(1 << 16))
                    line.close()
            except OSError:
                pass

    threading.Thread(target=serve, daemon=True).start()
    return listener, heard, met


def main() -> None:
    binary = Path(sys.argv[1]).resolve()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for one in ["ours", "strangers"]:
            authority(folder, one)
        server, site = Rsyslog(folder), Site(binary, folder)
        site.configure(server.port, "ours")
        shown = subprocess.run([binary, "check-config", site.config], capture_output=True, text=True)
        if shown.returncode:
            sys.exit(shown.stdout + shown.stderr)
        try:
            play(server, site, folder)
        finally:
            for one in [server.process, site.process]:
                if one and one.poll() is None:
                    one.kill()


def entries(messages: list[bytes], patient: str) -> list[tuple]:
    """What is told of each entry of what people say: whether it names author and patient, and details."""
    told = []
    for message in map(etree.fromstring, messages):
        if message.find("EventIdentification/EventID").get("originalText") != "Patient Record":
            continue
        details = message.iter("ParticipantObjectDetail")
        details = {one.get("type"): base64.b64decode(one.get("value")).decode() for one in details}
        users = [one.get("UserID") for one in message.iter("ActiveParticipant")]
        objects = [one.get("ParticipantObjectID") for one in message.iter("ParticipantObjectIdentification")]
        told.append((AUTHOR in users, patient in objects, *(details.get(name) for name in ("Entry", "Kind of Entry", "Corrects Entry"))))
    return told


def said(site: Site, server: Rsyslog, wrong: list) -> None:
    """A label, its correction, an event, a pressure, and the correction taken back, beside the daemon."""

    def command(*words: str) -> None:
        words = [site.binary, words[0], "--config", site.config, "--author", AUTHOR, *words[1:]]
        done = subprocess.run(words, capture_output=True, text=True, timeout=PATIENCE_S)
        if done.returncode:
            sys.exit(f"{words}: {done.stderr}")

    exam = next((site.folder / "outbox").glob("E*-v1")).name.removesuffix("-v1")
    result = json.loads((site.folder / "outbox" / f"{exam}-v1" / "result.json").read_text())
    patient = result["patient"]["id"]
    command("label", exam, "well")
    command("label", exam, "raised_confirmed")
    command("event", patient, "2021-05-06", "shunt_revision")
    command("pressure", exam, "32", "cm[H2O]")
    command("label", "--take-back", "2")
    until("what was said", lambda: complete(site, server) and len(entries(server.messages(), patient)) >= 5)
    wanted = [("1", "label", None), ("2", "label", "1"), ("3", "event", None), ("4", "pressure", None), ("5", "label", "2")]
    found = sorted(entries(server.messages(), patient), key=lambda one: one[2])
    print(f"what people said: {len(found)} messages")
    if found != [(True, True, *one) for one in wanted]:
        wrong.append(f"of five entries the server has {found}")


def play(server: Rsyslog, site: Site, folder: Path) -> None:
    wrong = []
    server.start()
    site.start()
    site.put(20)
    until("results", lambda: len(list((folder / "outbox").glob("*-v1"))) == 20 and site.drained())
    until("all messages", lambda: complete(site, server))
    trail, got = counts(site.trail()), counts(server.messages())
    print(f"while all is well: {sum(got.values())} messages, {dict(got)}")
    if trail != got or trail["Import"] != 20 or trail["Export"] != 20:
        wrong.append(f"the trail has {trail}, the server {got}")
    until("the number", lambda: site.number("audit_messages_sent_total") == sum(got.values()))
    said(site, server, wrong)

    server.stop()
    site.put(10)
    until("results", lambda: len(list((folder / "outbox").glob("*-v1"))) == 30 and site.drained())
    until("a line", lambda: site.said("audit-syslog-down") == 1)
    if site.get("readyz") is None or site.number("audit_syslog_reached") != 0:
        wrong.append("a server that is down stops the service, or is not told")
    if site.number("audit_syslog_waiting_bytes") <= 0:
        wrong.append("what waits is not told")
    server.start()
    until("what waited", lambda: complete(site, server))
    if counts(server.messages()) != counts(site.trail()):
        wrong.append("a server that was down got something twice")
    until("nothing waits", lambda: site.number("audit_syslog_waiting_bytes") == 0)

    kills = 12
    for n in range(kills):
        site.put(5)
        # From before the first look at the trail to well after it.
        time.sleep(0.2 * (n % 8))
        if n % 3 == 2:
            server.stop()
            server.start()
        if n == 5:
            os.rename(folder / "audit.xml", folder / "audit.xml.1")
        site.end(signal.SIGKILL)
        site.start()
    until("results", lambda: len(list((folder / "outbox").glob("*-v1"))) == 30 + 5 * kills and site.drained())
    until("all messages", lambda: complete(site, server))
    different = set(server.messages())
    repeats = len(server.messages()) - len(different)
    print(f"after {kills} kills, 4 restarts and a rotation: {len(different)} messages, {repeats} repeats")
    if different - set(site.trail()):
        wrong.append("a message came that is not in the trail")
    site.end()
    if not complete(site, server) or b"Application Stop" not in server.messages()[-1]:
        wrong.append("the last messages of an orderly end were not sent")

    site.configure(server.port, "strangers")
    site.start()
    until("a refusal", lambda: site.said("audit-syslog-down") == 1)
    site.end()
    if complete(site, server):
        wrong.append("a certificate of strangers was taken")
    for tls in [True, False]:
        listener, heard, met = deaf(folder, tls)
        site.configure(listener.getsockname()[1], "ours")
        site.start()
        until("attempts", lambda: len(met) >= 3)
        if site.number("audit_messages_sent_total") != 0 or site.number("audit_syslog_waiting_bytes") <= 0:
            wrong.append(f"what nobody read counts as sent (TLS: {tls})")
        if any(b"Audit" in part or b"<85>" in part for part in heard):
            wrong.append("something was sent in plain")
        site.end()
        listener.close()
    site.configure(server.port, "ours")
    site.start()
    until("what waited", lambda: complete(site, server))
    site.end()
    server.stop()
    gaps = sum(log.read_text().count("audit-syslog-gap") for log in folder.glob("log-*"))
    if gaps:
        wrong.append("a gap was told, and there is none")
    for line in wrong:
        print(line)
    sys.exit(bool(wrong))


if __name__ == "__main__":
    main()
