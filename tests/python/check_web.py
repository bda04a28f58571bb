"""Stores reports over HTTP with dicomweb-client and compares what was kept with pydicom.

    python tests/python/check_web.py BINARY

Starts `serve` with `[receive.web]`, plain with a bearer token on the loopback address and over TLS with
certificates made for the occasion. The reference client (dicomweb-client, PS3.18 10.5) stores every
readable fixture; each must be named in ReferencedSOPSequence and its values be those of `expected.json`
(read by pydicom). Then what must be refused is sent, by hand: no token, other media types, bodies cut
or malformed, classes that are not taken, another study, too much of everything, a body without end,
a trickle, a full disk. Last, rules and ports change by SIGHUP under open connections. Exit 1 on any
difference.
"""

import http.client
import io
import json
import os
import signal
import socket
import ssl
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import pydicom
import requests
from check_send import cases, certificates, compare
from dicomweb_client.api import DICOMwebClient

BINARY = Path(sys.argv[1]).resolve()
TOKEN = "a-token-of-this-test"
CONFIG = """
[receive.dicom]
enabled = true
listen = "127.0.0.1:0"
max_object_bytes = 1000000
[receive.web]
listen = "127.0.0.1:0"
bearer = "tokens"
max_body_bytes = 3000000
idle_timeout_s = 2
request_timeout_s = 4
max_connections = 20
[receive.web.tls]
listen = "127.0.0.1:0"
certificate = "server.pem"
key = "server.key"
client_ca = "ca.pem"
[store]
path = "STORE"
[outbox]
folder = "outbox"
[observe]
log_format = "json"
listen = "127.0.0.1:0"
audit = "audit.xml"
"""
FAILURES: list[str] = []
LINES: list[dict] = []


def check(holds: bool, what: str) -> None:
    if not holds:
        FAILURES.append(what)
    print(f"  {'as it must' if holds else 'WRONG'}: {what}")


class Daemon:
    def __init__(self, folder: Path, store: str = "store.sqlite"):
        self.config = folder / "site.toml"
        self.config.write_text(CONFIG.replace("STORE", store))
        (folder / "tokens").write_text(f"another\n{TOKEN}\n")
        self.process = subprocess.Popen(
            [BINARY, "serve", "--config", self.config], stdout=subprocess.PIPE, text=True
        )
        self.web: dict[bool, str] = {}
        for line in self.process.stdout:
            fields = json.loads(line)["fields"]
            if fields.get("code") == "observe-listening":
                self.observe = fields["address"]
            if fields.get("code") == "web-listening":
                self.web[fields["tls"]] = fields["address"]
            if len(self.web) == 2 and hasattr(self, "observe"):
                break
        self.reader = threading.Thread(target=self.read, daemon=True)
        self.reader.start()

    def read(self) -> None:
        LINES.extend(json.loads(line)["fields"] for line in self.process.stdout)

    def stop(self) -> None:
        self.process.terminate()
        check(self.process.wait(60) == 0, "the daemon ends in order")
        self.reader.join(10)


def multipart(files: list[bytes], boundary: str = "edge") -> bytes:
    head = b"Content-Type: application/dicom\r\n\r\n"
    parts = b"".join(b"--%s\r\n%s%s\r\n" % (boundary.encode(), head, file) for file in files)
    return parts + b"--%s--" % boundary.encode()


KIND = 'multipart/related; type="application/dicom"; boundary=edge'


def post(address: str, body, path="/studies", kind=KIND, token=TOKEN) -> requests.Response:
    headers = {"Content-Type": kind}
    if token:
        headers["Authorization"] = f"Bearer {token}"
    return requests.post(f"http://{address}{path}", data=body, headers=headers, timeout=30)


def as_file(data: pydicom.Dataset) -> bytes:
    out = io.BytesIO()
    data.save_as(out, enforce_file_format=True)
    return out.getvalue()


def own() -> pydicom.Dataset:
    """A report that is none of the fixtures."""
    one = pydicom.dcmread(cases()[0] / "report.dcm")
    one.SOPInstanceUID = one.file_meta.MediaStorageSOPInstanceUID = "2.25.4712"
    return one


def reasons(answer: requests.Response) -> list[int]:
    failed = answer.json().get("00081198", {}).get("Value", [])
    return [item["00081197"]["Value"][0] for item in failed]


def by_the_client(folder: Path, daemon: Daemon) -> None:
    sent = cases()
    sets = [pydicom.dcmread(case / "report.dcm") for case in sent]
    session = requests.Session()
    session.headers["Authorization"] = f"Bearer {TOKEN}"
    client = DICOMwebClient(f"http://{daemon.web[False]}", session=session)
    middle = len(sets) // 2
    over_tls = requests.Session()
    over_tls.trust_env = False
    over_tls.verify = str(folder / "ca.pem")
    over_tls.cert = (str(folder / "sender.pem"), str(folder / "sender.key"))
    over_tls.headers["Authorization"] = f"Bearer {TOKEN}"
    # The certificate is for the name "server" and has no address in it.
    over_tls.mount("https://", ByAuthority())
    secure = DICOMwebClient(f"https://{daemon.web[True]}", session=over_tls)
    stored = set()
    for by, some in [(client, sets[:middle]), (secure, sets[middle:])]:
        answer = by.store_instances(some)
        check("FailedSOPSequence" not in answer, f"{len(some)} reports by dicomweb-client: none failed")
        stored |= {one.ReferencedSOPInstanceUID for one in answer.ReferencedSOPSequence}
    check(stored == {one.SOPInstanceUID for one in sets}, "every report is in ReferencedSOPSequence")
    one = own()
    answer = client.store_instances([one], study_instance_uid=one.StudyInstanceUID)
    check(len(answer.ReferencedSOPSequence) == 1, "one to its own study")


class ByAuthority(requests.adapters.HTTPAdapter):
    """Checks the server by its authority, not by a name."""

    def init_poolmanager(self, *arguments, **keywords):
        keywords["assert_hostname"] = False
        super().init_poolmanager(*arguments, **keywords)


def refused(daemon: Daemon) -> None:
    address = daemon.web[False]
    report = own()
    file = as_file(report)
    good = multipart([file])
    for what, answer, status in [
        ("no token", post(address, good, token=None), 401),
        ("a wrong token", post(address, good, token=TOKEN + "x"), 401),
        ("another path", post(address, good, path="/instances"), 404),
        ("a path of no UID", post(address, good, path="/studies/../x"), 404),
        ("JSON", post(address, b"[]", kind="application/dicom+json"), 415),
        ("JSON in parts", post(address, good, kind=KIND.replace("application/dicom", "application/dicom+json")), 415),
        ("no boundary", post(address, good, kind='multipart/related; type="application/dicom"'), 400),
        ("a body cut off", post(address, good[:-8]), 400),
        ("no part", post(address, b"--edge--"), 400),
        ("nothing", post(address, b""), 400),
        ("a part too large", post(address, multipart([bytes(1_200_000)])), 413),
        ("a body too large", post(address, multipart([file] * 900)), 413),
        ("fields without end", post(address, b"--edge\r\n" + b"x" * 20_000), 400),
        ("another study", post(address, good, path="/studies/1.2.3"), 409),
        ("no DICOM", post(address, multipart([b"hello"])), 409),
    ]:
        check(answer.status_code == status, f"{what}: {answer.status_code}")
    check(requests.get(f"http://{address}/studies", timeout=9).status_code == 405, "GET: 405")
    other = own()
    other.SOPClassUID = other.file_meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.2"
    answer = post(address, multipart([file, as_file(other), b"junk"]))
    check(answer.status_code == 202, "one good and two bad parts: 202")
    check(reasons(answer) == [0x0122, 0xC000], f"their reasons: {reasons(answer)}")
    check(len(answer.json()["00081199"]["Value"]) == 1, "the good one is stored")
    answer = post(address, good, path="/studies/1.2.3")
    check(reasons(answer) == [0xA900], "another study: A900")
    # A file that is one by its meta group and no more is kept in quarantine, as by C-STORE.
    cut = own()
    cut.SOPInstanceUID = cut.file_meta.MediaStorageSOPInstanceUID = "2.25.4711"
    answer = post(address, multipart([as_file(cut)[:-40]]))
    check(answer.status_code == 200, "a damaged report is kept")
    list_it = [BINARY, "quarantine", "--config", daemon.config]
    for _ in range(100):
        quarantine = subprocess.run(list_it, capture_output=True, text=True).stdout
        if "web:127.0.0.1" in quarantine:
            break
        time.sleep(0.1)
    check("web:127.0.0.1" in quarantine, "and stands in quarantine with its source")


def hostile(daemon: Daemon) -> None:
    host, port = daemon.web[False].split(":")
    head = f"POST /studies HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {TOKEN}\r\nContent-Type: {KIND}\r\n"

    def memory() -> int:
        status = Path(f"/proc/{daemon.process.pid}/status").read_text()
        return int(status.split("VmRSS:")[1].split()[0])

    # A trickle, byte by byte: ends with the time of a request.
    with socket.create_connection((host, int(port))) as slow:
        slow.sendall((head + "Content-Length: 1000\r\n\r\n--edge\r\n").encode())
        started = time.monotonic()
        try:
            while time.monotonic() - started < 15:
                slow.sendall(b"x")
                time.sleep(0.2)
        except OSError:
            pass
        check(time.monotonic() - started < 8, "a trickle is ended in time")
    # Silence after the connection, and after the head.
    for what in [b"", (head + "Content-Length: 9\r\n\r\n").encode()]:
        with socket.create_connection((host, int(port))) as silent:
            silent.sendall(what)
            silent.settimeout(10)
            started = time.monotonic()
            try:
                while silent.recv(4096):
                    pass
            except OSError:
                pass
            check(time.monotonic() - started < 8, f"silence after {len(what)} bytes is ended in time")
    # Parts without end, in chunks: bounded by the body.
    before = memory()
    connection = http.client.HTTPConnection(host, int(port), timeout=20)
    connection.putrequest("POST", "/studies")
    for name, value in [("Authorization", f"Bearer {TOKEN}"), ("Content-Type", KIND)]:
        connection.putheader(name, value)
    connection.putheader("Transfer-Encoding", "chunked")
    connection.endheaders()
    sent = 0
    try:
        while sent < 50_000_000:
            piece = b"--edge\r\n\r\n" + bytes(50_000) + b"\r\n"
            connection.send(b"%x\r\n%s\r\n" % (len(piece), piece))
            sent += len(piece)
    except OSError:
        pass
    check(sent < 10_000_000, f"parts without end are ended after {sent} bytes")
    check(memory() - before < 40_000, f"and cost {memory() - before} KiB")
    # More connections than there is room for, then a good one.
    many = [socket.create_connection((host, int(port))) for _ in range(40)]
    time.sleep(0.3)
    for one in many:
        one.close()
    time.sleep(0.3)
    answer = post(daemon.web[False], multipart([as_file(own())]))
    check(answer.status_code == 200, "after all that a report is taken")


def plain_on_tls(daemon: Daemon) -> None:
    host, port = daemon.web[True].split(":")
    with socket.create_connection((host, int(port))) as plain:
        plain.sendall(b"GET / HTTP/1.1\r\n\r\n")
        plain.settimeout(5)
        try:
            said = plain.recv(100)
        except ConnectionResetError:
            said = b""
        check(said == b"", "plain HTTP on the TLS port is closed")
    context = ssl.create_default_context()
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    try:
        with context.wrap_socket(socket.create_connection((host, int(port)))) as tls:
            tls.sendall(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")
            said = tls.recv(100)
    except OSError:
        said = b""
    check(said == b"", "without a certificate there is no answer")


def full_disk(work: Path) -> None:
    """Where it can be mounted, a disk of 2 MB."""
    disk = work / "disk"
    disk.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=2m", "none", disk], capture_output=True
    )
    if mounted.returncode != 0:
        print("  left out: a full disk needs root")
        return
    folder = work / "full"
    folder.mkdir()
    certificates(folder)
    try:
        daemon = Daemon(folder, f"{disk}/store.sqlite")
        (disk / "fill").write_bytes(bytes(1_200_000))
        report = own()
        status, reason = 200, []
        for number in range(400):
            report.SOPInstanceUID = report.file_meta.MediaStorageSOPInstanceUID = f"2.25.55{number}"
            report.add_new(0x00420011, "OB", os.urandom(20_000))
            answer = post(daemon.web[False], multipart([as_file(report)]))
            status = answer.status_code
            if status != 200:
                reason = reasons(answer)
                break
        check(status == 503 and reason == [0xA700], f"a full disk: {status} {reason}")
        (disk / "fill").unlink()
        answer = post(daemon.web[False], multipart([as_file(report)]))
        check(answer.status_code == 200, "and with room again it is taken")
        daemon.stop()
    finally:
        subprocess.run(["umount", "-l", disk], check=False)


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


def changes(folder: Path, daemon: Daemon) -> None:
    """Other rules and ports by SIGHUP; what is under way is finished, what may stay stays."""
    first, other = daemon.web[False], f"127.0.0.1:{free_port()}"
    body = multipart([as_file(own())])
    headers = {"Content-Type": KIND, "Authorization": f"Bearer {TOKEN}"}
    host, port = first.split(":")
    kept = http.client.HTTPConnection(host, int(port), timeout=9)

    def asked(sent: bytes = body) -> int:
        kept.request("POST", "/studies", sent, headers)
        answer = kept.getresponse()
        answer.read()
        return answer.status

    def reload(old: str, new: str, code: str = "reloaded") -> None:
        text = daemon.config.read_text()
        assert old in text
        before = sum(line.get("code") == code for line in LINES)
        daemon.config.write_text(text.replace(old, new, 1))
        daemon.process.send_signal(signal.SIGHUP)
        for _ in range(400):
            if sum(line.get("code") == code for line in LINES) > before:
                break
            time.sleep(0.05)
        else:
            check(False, f"the log says {code}")

    # So that a slow machine does not end what is to stay open.
    reload("idle_timeout_s = 2", "idle_timeout_s = 300")
    reload("request_timeout_s = 4", "request_timeout_s = 300")
    check(asked() == 200, "a connection that stays open")
    before = kept.sock
    (folder / "others").write_text("another\n")
    reload('bearer = "tokens"', 'bearer = "others"')
    # Without a body: what was refused is not read to its end, and an unread rest ends the connection.
    check(asked(b"") == 401, "another rule holds for its next request")
    reload('bearer = "others"', 'bearer = "tokens"')
    check(asked() == 200 and kept.sock is before, "which comes over the same connection")
    table = "[receive.web]\nlisten = "
    reload(f'{table}"127.0.0.1:0"', f'{table}["127.0.0.1:0", "{other}"]')
    check(post(other, body).status_code == 200 and asked() == 200, "a further port, and the first stays")
    slow = socket.create_connection((host, int(port)))
    head = "".join(f"{name}: {value}\r\n" for name, value in headers.items())
    slow.sendall(f"POST /studies HTTP/1.1\r\nHost: x\r\n{head}Content-Length: {len(body)}\r\n\r\n".encode() + body[:900])
    time.sleep(0.3)
    reload(f'{table}["127.0.0.1:0", "{other}"]', f'{table}"{other}"')
    slow.sendall(body[900:])
    slow.settimeout(9)
    check(slow.recv(12) == b"HTTP/1.1 200", "a request under way at a port that goes is finished")
    for _ in range(100):
        with socket.socket() as probe:
            is_open = probe.connect_ex((host, int(port))) == 0
        if not is_open:
            break
        time.sleep(0.05)
    check(not is_open, "then it is closed")
    with socket.socket() as taken:
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        taken.bind((host, int(port)))
        taken.listen()
        reload(f'{table}"{other}"', f'{table}["{other}", "{first}"]', "reload-refused")
        check(post(other, body).status_code == 200, "a port that cannot be had changes nothing")
    host, port = other.split(":")
    kept = http.client.HTTPConnection(host, int(port), timeout=9)
    check(asked() == 200, "a connection before its address is shut out")
    narrow = f'[receive.web]\naddresses_allowed = ["192.0.2.0/24"]\nlisten = "{other}"'
    reload(f'{table}["{other}", "{first}"]', narrow)
    check(asked() == 403, "who may not connect any more is refused")


def main() -> int:
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        folder = work / "site"
        folder.mkdir()
        certificates(folder)
        daemon = Daemon(folder)
        try:
            by_the_client(folder, daemon)
            refused(daemon)
            hostile(daemon)
            plain_on_tls(daemon)
            changes(folder, daemon)
        except BaseException:
            daemon.process.kill()
            raise
        metrics = requests.get(f"http://{daemon.observe}/metrics", timeout=9).text
        kept = [line for line in metrics.splitlines() if 'source="web"' in line and "kept" in line]
        check(bool(kept) and not kept[0].endswith(" 0"), f"metrics: {kept}")
        check("BEGIN" not in metrics and TOKEN not in metrics, "no token in the metrics")
        daemon.stop()
        codes = {line.get("code") for line in LINES}
        check({"web-refused", "object-refused", "web-connections"} <= codes, "refusals are in the log")
        check(TOKEN not in json.dumps(LINES), "no token in the log")
        trail = (folder / "audit.xml").read_text()
        check("127.0.0.1" in trail and "110104" in trail, "the audit trail tells what came")
        wrong = compare(BINARY, daemon.config, cases())
        check(wrong == 0, "the values are those that pydicom reads")
        full_disk(work)
    print(f"{len(FAILURES)} differences")
    return 1 if FAILURES else 0


if __name__ == "__main__":
    sys.exit(main())
