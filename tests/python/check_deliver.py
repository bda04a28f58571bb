"""Delivers results to receivers of other projects, and looks at what arrived and what is said.

    python tests/python/check_deliver.py target/debug/sheathline target/debug/examples/deliver

The demonstration makes a result. It is delivered, and every receiver is tried by `echo`:

- DICOM: DCMTK `storescp`, plain and over TLS with a certificate of the client; pynetdicom, which also
  answers each status of PS3.4 table B.2-1, rejects (PS3.8 table 9-21), aborts and hangs. What arrived
  is byte for byte what `render` writes; in implicit little endian, element by element.
- FHIR and hook: Python's `http.server`, plain, over TLS, with certificates on both sides, with a
  bearer token, answering each status. The bundle is that of `render`; a repeat makes nothing new.
- The daemon delivers all that the demonstration made, with what its store knows of it.
- Who does not speak the protocol, says nothing, or is not there.

Exit 1 on any difference.
"""

import contextlib
import json
import shutil
import socket
import ssl
import subprocess
import sys
import tempfile
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from io import BytesIO
from pathlib import Path

import pydicom
from check_forms import tool
from fhir.resources.R4B.bundle import Bundle
from pynetdicom import AE, evt
from pynetdicom.sop_class import ComprehensiveSRStorage, EncapsulatedPDFStorage, Verification

IMPLICIT, EXPLICIT = "1.2.840.10008.1.2", "1.2.840.10008.1.2.1"
TOKEN = "Gx7-token.of~the+test/4="
# Long enough for a loaded machine; where waiting for the end of it is the test, it is short.
PATIENCE_S, SHORT_S = 60, 1


def table(name: str, keys: dict) -> str:
    lines = [f"{key} = {json.dumps(value)}" for key, value in keys.items()]
    return "\n".join(["[[destination]]", f'name = "{name}"', *lines, ""])


class Check:
    """The programs under test, their destinations, and what differs."""

    def __init__(self, binary: Path, deliver: Path, folder: Path):
        self.binary, self.program, self.folder = binary, deliver, folder
        self.config = folder / "deliver.toml"
        self.config.write_text("")
        self.result: Path | None = None
        self.wrong, self.done = [], 0

    def destination(self, name: str, **keys) -> str:
        with self.config.open("a") as file:
            file.write(table(name, keys))
        return name

    def deliver(self, name: str) -> dict | None:
        command = [self.program, self.config, name, self.result]
        done = subprocess.run(command, capture_output=True, text=True, timeout=300)
        if done.returncode != 0:
            sys.exit(f"{name}: {done.stderr}")
        return json.loads(done.stdout)

    def same(self, what, got, wanted):
        self.done += 1
        if got != wanted:
            self.wrong.append(f"{what} is {str(got)[:500]}, wanted {str(wanted)[:200]}")

    def taken(self, name: str) -> None:
        self.same(f"delivery to {name}", self.deliver(name), None)

    def fails(self, name: str, stage: str, code: str, lasts: bool = False, words: str = "") -> None:
        failure = self.deliver(name) or {}
        got = tuple(failure.get(key) for key in ("stage", "code", "lasts"))
        self.same(f"failure of {name} ({failure.get('words')})", got, (stage, code, lasts))
        if words:
            self.same(f"{words!r} in {failure.get('words')!r}", words in failure.get("words", ""), True)

    def echo(self, name: str, passed: list[str], code: str | None = None) -> None:
        command = [self.binary, "echo", name, "--json", "--config", self.config]
        done = subprocess.run(command, capture_output=True, text=True, timeout=300)
        said = json.loads(done.stdout)
        self.same(f"stages of {name} ({done.stderr.strip()})", said["passed"], passed)
        self.same(f"code of {name}", (said["failed"] or {}).get("code"), code)
        self.same(f"exit of {name}", done.returncode, 1 if code else 0)
        self.same(f"{name} says why", bool(done.stderr.strip()), bool(code))

    def rendered(self, form: str) -> bytes:
        path = self.folder / "rendered"
        command = [self.binary, "render", self.result, "--form", form, "-o", path]
        subprocess.run(command, check=True, timeout=300)
        return path.read_bytes()


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


def dataset(file: bytes) -> bytes:
    """What comes after the meta information (PS3.10 7.1)."""
    length = int.from_bytes(file[140:144], "little")
    return file[144 + length :]


def certificates(folder: Path) -> None:
    """An authority, certificates by it for both sides, and an authority nobody knows."""

    def openssl(*arguments: str) -> None:
        subprocess.run([tool("openssl"), *arguments], cwd=folder, check=True, capture_output=True)

    new = ["-newkey", "rsa:2048", "-nodes"]
    for ca in ["ca", "other"]:
        out = ["-keyout", f"{ca}.key", "-out", f"{ca}.pem", "-subj", f"/CN=Test {ca}", "-days", "2"]
        openssl("req", "-x509", *new, *out)
    for name, host, ca in [
        ("server", "localhost", "ca"),
        ("elsewhere", "archive.example", "ca"),
        ("client", "client.example", "ca"),
        ("stranger", "client.example", "other"),
    ]:
        (folder / "leaf.txt").write_text(
            f"basicConstraints = CA:FALSE\nsubjectAltName = DNS:{host}\n"
        )
        asked = ["-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj", f"/CN={host}"]
        openssl("req", *new, *asked)
        by = ["-CA", f"{ca}.pem", "-CAkey", f"{ca}.key", "-CAcreateserial", "-days", "2"]
        files = ["-in", f"{name}.csr", "-out", f"{name}.pem", "-extfile", "leaf.txt"]
        openssl("x509", "-req", *by, *files)


def waits_for(what: str, holds) -> None:
    for _ in range(PATIENCE_S * 50):
        if holds():
            return
        time.sleep(0.02)
    sys.exit(f"waited too long for {what}")


def listens(port: int) -> bool:
    with socket.socket() as one:
        return one.connect_ex(("127.0.0.1", port)) == 0


class Storescp:
    """`storescp` of DCMTK, which writes what it gets as it is."""

    def __init__(self, folder: Path, name: str, *options: str):
        self.port, self.folder = free_port(), folder / name
        self.folder.mkdir()
        # pynetdicom has a program of this name beside Python; that of DCMTK is on the path.
        program = shutil.which("storescp") or sys.exit("DCMTK is missing; .ci/setup installs it")
        command = [program, "+B", "-aet", "ARCHIVE", "-od", self.folder, *options, str(self.port)]
        self.process = subprocess.Popen(
            command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        waits_for(name, lambda: listens(self.port))

    def datasets(self) -> list[bytes]:
        return sorted(dataset(path.read_bytes()) for path in self.folder.iterdir())

    def end(self) -> None:
        self.process.kill()
        self.process.wait()


def check_dcmtk(check: Check, folder: Path) -> None:
    sent = sorted(dataset(check.rendered(form)) for form in ("sr", "pdf-dicom"))
    dicom = dict(kind="dicom", called="ARCHIVE", objects=["sr", "pdf"], timeout_s=PATIENCE_S)
    plain = Storescp(folder, "dcmtk")
    name = check.destination("dcmtk", host="127.0.0.1", port=plain.port, **dicom)
    check.echo(name, ["name", "connect", "association", "answer"])
    check.same("objects of an echo", plain.datasets(), [])
    for _ in range(2):
        check.taken(name)
        check.same("what storescp has", plain.datasets(), sent)
    for path in plain.folder.iterdir():
        done = subprocess.run([tool("dciodvfy"), "-new", path], capture_output=True, text=True)
        errors = [line for line in done.stderr.splitlines() if line.startswith("Error")]
        check.same(f"dciodvfy of {path.name}", errors, [])
    tls = ["+tls", "server.key", "server.pem", "+cf", "ca.pem"]
    secure = Storescp(folder, "dcmtk-tls", *tls)
    at = dict(host="localhost", port=secure.port, tls=True, ca="ca.pem", **dicom)
    ours = dict(certificate="client.pem", key="client.key")
    name = check.destination("dcmtk-tls", **at, **ours)
    check.echo(name, ["files", "name", "connect", "tls", "association", "answer"])
    check.taken(name)
    check.same("what storescp has over TLS", secure.datasets(), sent)
    name = check.destination("dcmtk-no-certificate", **at)
    check.echo(name, ["files", "name", "connect"], "tls-certificate-wanted")
    check.fails(name, "tls", "tls-certificate-wanted")
    strange = dict(certificate="stranger.pem", key="stranger.key")
    name = check.destination("dcmtk-stranger", **at, **strange)
    check.fails(name, "tls", "tls-certificate-refused")
    name = check.destination("dcmtk-other-ca", **at | ours | dict(ca="other.pem"))
    check.fails(name, "tls", "tls-unknown-authority")
    name = check.destination("dcmtk-other-name", **at | ours | dict(host="127.0.0.1"))
    check.fails(name, "tls", "tls-name")
    name = check.destination("dcmtk-no-file", **at | ours | dict(ca="absent.pem"))
    check.echo(name, [], "file-missing")
    at_plain = at | ours | dict(port=plain.port)
    name = check.destination("dcmtk-tls-on-plain", **at_plain)
    failure = check.deliver(name) or {}
    check.same("TLS to a plain port", failure.get("stage"), "tls")
    plain.end(), secure.end()
    name = check.destination("dcmtk-gone", host="127.0.0.1", port=plain.port, **dicom)
    check.echo(name, ["name"], "connect-refused")


class Archive:
    """pynetdicom as a receiver that answers as told."""

    def __init__(self, check: Check, name: str, store=None, classes=None, syntaxes=None, **settings):
        self.kept = []
        ae = AE("ARCHIVE")
        for key, value in settings.items():
            setattr(ae, key, value)
        for one in classes or [ComprehensiveSRStorage, EncapsulatedPDFStorage, Verification]:
            ae.add_supported_context(one, syntaxes or [EXPLICIT, IMPLICIT])

        def keep(event):
            syntax = event.context.transfer_syntax
            self.kept.append((syntax, bytes(event.request.DataSet.getvalue())))
            return store(event) if store else 0x0000

        handlers = [(evt.EVT_C_STORE, keep)]
        self.server = ae.start_server(("127.0.0.1", 0), block=False, evt_handlers=handlers)
        self.port = self.server.socket.getsockname()[1]
        self.keys = dict(
            kind="dicom",
            host="127.0.0.1",
            port=self.port,
            called="ARCHIVE",
            objects=["sr"],
            timeout_s=PATIENCE_S,
        )
        self.name = check.destination(name, **self.keys)


def commented(status: int):
    answer = pydicom.Dataset()
    answer.Status = status
    answer.ErrorComment = "disk 3 is full"
    return answer


def check_pynetdicom(check: Check) -> None:
    # PS3.4 table B.2-1 and PS3.7 annex C: taken, or whether it lasts.
    for status, lasts in [
        (0x0000, None),
        (0x0111, None),
        (0xB000, None),
        (0xB006, None),
        (0xB007, None),
        (0xA700, False),
        (0x0110, False),
        (0x0122, False),
        (0x0124, False),
        (0xA900, True),
        (0xC000, True),
        (0xC123, True),
        (0x0117, True),
    ]:
        archive = Archive(check, f"status-{status:04x}", lambda _, status=status: commented(status))
        if lasts is None:
            check.taken(archive.name)
        else:
            code = f"status-{status:04x}"
            check.fails(archive.name, "answer", code, lasts, "disk 3 is full")
        check.echo(archive.name, ["name", "connect", "association", "answer"])
        archive.server.shutdown()
    # The second object is refused after the first was taken; the next attempt brings both.
    answers = [0x0000, 0xA700, 0x0111, 0x0000]
    archive = Archive(check, "half", lambda _: answers.pop(0))
    both = check.destination("half-both", **archive.keys | dict(objects=["sr", "pdf"]))
    check.fails(both, "answer", "status-a700", False, "the PDF object")
    check.taken(both)
    check.same("answers given", answers, [])
    archive.server.shutdown()
    # Small PDUs; each object is put together again.
    archive = Archive(check, "small", maximum_pdu_size=4096)
    name = check.destination("small-both", **archive.keys | dict(objects=["pdf", "sr"]))
    check.taken(name)
    wanted = [(EXPLICIT, dataset(check.rendered(form))) for form in ("pdf-dicom", "sr")]
    check.same("objects in PDUs of 4096 bytes", archive.kept, wanted)
    archive.server.shutdown()
    archive = Archive(check, "implicit", syntaxes=[IMPLICIT])
    name = check.destination("implicit-both", **archive.keys | dict(objects=["pdf", "sr"]))
    check.taken(name)
    for form, (syntax, data) in zip(("pdf-dicom", "sr"), archive.kept, strict=True):
        check.same("syntax", syntax, IMPLICIT)
        got = pydicom.filereader.read_dataset(BytesIO(data), True, True)
        wanted = pydicom.dcmread(BytesIO(check.rendered(form)))
        check.same(f"{form} in implicit little endian", got.to_json_dict(), wanted.to_json_dict())
    archive.server.shutdown()


def check_associations(check: Check) -> None:
    no = ("association",)
    archive = Archive(check, "other-title", require_called_aet=True)
    name = check.destination("called", **archive.keys | dict(called="OTHER"))
    check.fails(name, *no, "reject-called-ae")
    check.echo(name, ["name", "connect"], "reject-called-ae")
    archive.server.shutdown()
    archive = Archive(check, "calling", require_calling_aet=["KNOWN"])
    check.fails(archive.name, *no, "reject-calling-ae")
    name = check.destination("calling-known", **archive.keys | dict(calling="KNOWN"))
    check.taken(name)
    archive.server.shutdown()
    archive = Archive(check, "full", maximum_associations=1)
    holding = AE("OTHER")
    holding.add_requested_context(Verification)
    held = holding.associate("127.0.0.1", archive.port)
    check.fails(archive.name, *no, "reject-limit")
    held.release()
    archive.server.shutdown()
    archive = Archive(check, "no-pdf", classes=[ComprehensiveSRStorage, Verification])
    check.taken(archive.name)
    name = check.destination("no-pdf-both", **archive.keys | dict(objects=["sr", "pdf"]))
    check.fails(name, *no, "context-refused", words="Encapsulated PDF")
    check.echo(name, ["name", "connect"], "context-refused")
    archive.server.shutdown()
    archive = Archive(check, "no-verification", classes=[ComprehensiveSRStorage])
    check.echo(archive.name, ["name", "connect", "association"])
    archive.server.shutdown()

    def abort(event):
        event.assoc.abort()
        return 0x0000

    archive = Archive(check, "aborts", abort)
    check.fails(archive.name, "answer", "association-aborted")
    archive.server.shutdown()
    over = threading.Event()
    archive = Archive(check, "hangs", lambda _: over.wait(PATIENCE_S) and 0x0000)
    name = check.destination("hangs-short", **archive.keys | dict(timeout_s=SHORT_S))
    check.fails(name, "answer", "answer-timeout")
    over.set()
    archive.server.shutdown()


def raw(answer: bytes | None) -> int:
    """Somebody who answers everything with these bytes, or with nothing for ever."""
    listener = socket.create_server(("127.0.0.1", 0))
    held = []

    def serve():
        while True:
            peer, _ = listener.accept()
            held.append(peer)
            if answer is not None:
                peer.recv(65536)
                # Whoever has heard enough closes.
                with contextlib.suppress(OSError):
                    peer.sendall(answer)
                peer.close()

    threading.Thread(target=serve, daemon=True).start()
    return listener.getsockname()[1]


def check_others(check: Check) -> None:
    dicom = dict(kind="dicom", host="127.0.0.1", called="ARCHIVE")
    silent, web = raw(None), raw(b"HTTP/1.1 400 Bad Request\r\n\r\n")
    name = check.destination("silent", port=silent, timeout_s=SHORT_S, **dicom)
    check.fails(name, "association", "association-timeout")
    tls = dict(tls=True, ca="ca.pem", timeout_s=SHORT_S)
    name = check.destination("silent-tls", port=silent, **tls, **dicom)
    check.fails(name, "tls", "tls-timeout")
    name = check.destination("web", port=web, timeout_s=PATIENCE_S, **dicom)
    check.fails(name, "association", "not-dicom")
    name = check.destination("web-tls", port=web, **tls | dict(timeout_s=PATIENCE_S), **dicom)
    check.fails(name, "tls", "tls-not-spoken")
    # A name that never leads anywhere (RFC 6761 6.4).
    nowhere = dict(kind="dicom", host="archive.invalid", port=104, called="A", timeout_s=PATIENCE_S)
    name = check.destination("nowhere", **nowhere)
    check.echo(name, [], "name-unknown")
    for kind in ["fhir", "hook"]:
        url = f"http://127.0.0.1:{silent}"
        name = check.destination(f"{kind}-silent", kind=kind, url=url, timeout_s=SHORT_S)
        check.fails(name, "answer", "answer-timeout")


DAEMON = """
[receive.dicom]
listen = "127.0.0.1:0"
[store]
path = "demo/store.sqlite"
[templates]
dictionaries = ["demo/pocket-t.toml"]
[outbox]
folder = "demo/outbox"
"""


def check_daemon(check: Check, folder: Path) -> None:
    """The daemon delivers what the demonstration made, with all that the store knows of it."""
    config = folder / "daemon.toml"
    archive = Storescp(folder, "dcmtk-daemon", "+tls", "server.key", "server.pem", "+cf", "ca.pem")
    keys = dict(
        kind="dicom",
        host="localhost",
        port=archive.port,
        called="ARCHIVE",
        objects=["pdf", "sr"],
        tls=True,
        ca="ca.pem",
        certificate="client.pem",
        key="client.key",
    )
    config.write_text(DAEMON + table("archive", keys))

    def run(*command: str) -> str:
        command = [check.binary, *command, "--config", config]
        done = subprocess.run(command, capture_output=True, text=True, timeout=300)
        if done.returncode != 0:
            sys.exit(f"{command}: {done.stderr}")
        return done.stdout

    def states() -> list[str]:
        lines = run("outbox", "list", "--json").splitlines()
        return [json.loads(line)["state"] for line in lines]

    command = [check.binary, "serve", "--config", config]
    log = folder / "daemon.log"
    with log.open("w") as file:
        daemon = subprocess.Popen(command, stdout=file, stderr=subprocess.STDOUT)
    try:
        waits_for("the daemon", lambda: "listening" in log.read_text())
        run("outbox", "replay", "--destination", "archive", "--from", "2000-01-01", "--to", "2100-01-01")
        waits_for("deliveries", lambda: "waiting" not in states())
    finally:
        daemon.terminate()
        daemon.wait()
    results = list((folder / "demo" / "outbox").glob("E*/result.json"))
    check.same("deliveries", states(), ["delivered"] * len(results))
    arrived = archive.datasets()
    check.same("objects that arrived", len(arrived), 2 * len(results))
    newest = {}
    for path in results:
        result = json.loads(path.read_bytes())
        exam, version = result["exam"]["id"], result["version"]
        newest[exam] = max(version, newest.get(exam, 0))
    # One of each: the first version, and a later one.
    for exam in {version: exam for exam, version in newest.items()}.values():
        path = folder / "rendered"
        run("render", exam, "--form", "sr", "-o", str(path))
        check.same(f"the SR of {exam} arrived", dataset(path.read_bytes()) in arrived, True)
    archive.end()


class Web:
    """An HTTP server that answers as its handler says, and keeps what it was asked."""

    def __init__(self, answer, tls: ssl.SSLContext | None = None):
        self.got = []
        got = self.got

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def any(self):
                body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
                got.append((self.command, self.path, self.headers, body))
                status, headers, text = answer(*got[-1])
                self.send_response(status)
                for key, value in headers.items():
                    self.send_header(key, value)
                self.send_header("Content-Length", str(len(text)))
                self.end_headers()
                self.wfile.write(text)

            do_GET = do_POST = do_OPTIONS = any

            def log_message(self, *_):
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        # What a refused handshake raises is not for the terminal.
        self.server.handle_error = lambda *_: None
        if tls:
            self.server.socket = tls.wrap_socket(
                self.server.socket, server_side=True, do_handshake_on_connect=False
            )
        threading.Thread(target=self.server.serve_forever, daemon=True).start()
        self.port = self.server.server_address[1]


class Records:
    """As much of a FHIR server as a transaction of conditional updates needs (R4 3.1.0.11)."""

    def __init__(self):
        self.resources, self.bundles = {}, []
        self.change = lambda entries: entries

    def __call__(self, method, path, headers, body):
        json_type = {"Content-Type": "application/fhir+json"}
        if (method, path) == ("GET", "/r4/metadata"):
            # Servers of this size exist.
            statement = {"resourceType": "CapabilityStatement", "text": "\u00e9" * 1_500_000}
            return 200, json_type, json.dumps(statement, ensure_ascii=False).encode()
        if (method, path) != ("POST", "/r4"):
            return 404, {}, b"nothing here"
        if headers["Content-Type"] != "application/fhir+json":
            return 415, {}, b""
        bundle = json.loads(body)
        Bundle.model_validate(bundle)
        self.bundles.append(bundle)
        entries = []
        for entry in bundle["entry"]:
            request = entry["request"]
            key = (request["url"], request.get("ifNoneExist", ""))
            status = "200 OK" if key in self.resources else "201 Created"
            self.resources[key] = entry["resource"]
            entries.append({"response": {"status": status}})
        answer = {
            "resourceType": "Bundle",
            "type": "transaction-response",
            "entry": self.change(entries),
        }
        return 200, json_type, json.dumps(answer).encode()


def check_fhir(check: Check, web: dict[str, ssl.SSLContext]) -> None:
    records = Records()
    server = Web(records, web["mutual"])
    at = dict(kind="fhir", ca="ca.pem", timeout_s=PATIENCE_S)
    ours = dict(certificate="client.pem", key="client.key")
    url = f"https://localhost:{server.port}/r4"
    wanted = json.loads(check.rendered("fhir"))
    for n, base in enumerate([url, url + "/"]):
        name = check.destination(f"fhir-{n}", url=base, **at, **ours)
        check.echo(name, ["files", "name", "connect", "tls", "answer"])
        check.taken(name)
        check.same("the bundle", records.bundles[-1:], [wanted])
        check.same("resources", len(records.resources), len(wanted["entry"]))
    count = len(server.got)
    name = check.destination("fhir-no-certificate", url=url, **at)
    check.echo(name, ["files", "name", "connect"], "tls-certificate-wanted")
    check.fails(name, "tls", "tls-certificate-wanted")
    check.same("requests without a certificate", len(server.got), count)
    name = check.destination("fhir-path", url=url + "/other", **at, **ours)
    check.echo(name, ["files", "name", "connect", "tls"], "http-404")
    check.fails(name, "answer", "http-404", words="nothing here")
    for what, last, code, lasts in [
        ("less", [], "fhir-answer", False),
        ("412", [entry("412 Precondition Failed")], "fhir-entry-412", False),
        ("422", [entry("422")], "fhir-entry-422", True),
    ]:
        records.change = lambda entries, last=last: [*entries[1:], *last]
        name = check.destination(f"fhir-{what}", url=url, **at, **ours)
        check.fails(name, "answer", code, lasts)
    outcome = {
        "resourceType": "OperationOutcome",
        "issue": [{"severity": "error", "code": "invalid", "diagnostics": "no such profile"}],
    }
    check_statuses(check, "fhir", json.dumps(outcome).encode(), "no such profile")


def entry(status: str) -> dict:
    return {"response": {"status": status}}


def check_statuses(check: Check, kind: str, text: bytes, words: str) -> None:
    """RFC 9110 15: which speak of the content, and last."""
    status = None
    server = Web(lambda *_: (status, {"Retry-After": "7"}, text))
    name = check.destination(
        f"{kind}-status", kind=kind, url=f"http://127.0.0.1:{server.port}/", timeout_s=PATIENCE_S
    )
    for status in [400, 401, 403, 404, 405, 408, 409, 412, 413, 415, 422, 423, 425, 429, 500, 503]:
        check.fails(name, "answer", f"http-{status}", status in (400, 413, 422), words)
    check.fails(name, "answer", "http-503", False, "Retry-After 7")


def change_of(result: dict) -> str:
    """What kind of change a result tells, by its own `result.json`."""
    flagged, replaces = result["assessment"]["flagged"], result.get("replaces")
    if result["supersedes"] is None:
        return "new_rise" if flagged else "first"
    if replaces and replaces["flagged"] != flagged:
        return "new_rise" if flagged else "withdrawn_rise"
    return "changed"


def check_hook(check: Check, web: dict[str, ssl.SSLContext]) -> None:
    seen = {}

    def take(method, path, headers, body):
        if headers.get("Authorization") != f"Bearer {TOKEN}":
            return 401, {"WWW-Authenticate": "Bearer"}, b""
        if method == "OPTIONS":
            return 405, {}, b""
        seen.setdefault(headers["Idempotency-Key"], []).append(json.loads(body))
        return 202, {}, b""

    server = Web(take, web["server"])
    url = f"https://localhost:{server.port}/results?site=1"
    at = dict(kind="hook", url=url, ca="ca.pem", timeout_s=PATIENCE_S)
    (check.folder / "token").write_text(TOKEN + "\n")
    (check.folder / "old-token").write_text("old\n")
    name = check.destination("hook", **at, bearer="token")
    check.echo(name, ["files", "name", "connect", "tls", "answer"])
    check.same("notices of an echo", seen, {})
    for _ in range(2):
        check.taken(name)
    result = json.loads(check.result.read_bytes())
    exam, version = result["exam"]["id"], result["version"]
    notice = {
        "key": result["key"],
        "exam": exam,
        "version": version,
        "folder": f"{exam}-v{version}",
        "change": change_of(result),
    }
    check.same("notices", seen, {f'"{result["key"]}-v{version}"': [notice, notice]})
    check.same("path", {path for _, path, _, _ in server.got}, {"/results?site=1"})
    # The token is read for every request.
    name = check.destination("hook-token", **at, bearer="old-token")
    check.echo(name, ["files", "name", "connect", "tls"], "http-401")
    check.fails(name, "answer", "http-401")
    (check.folder / "old-token").write_text(TOKEN)
    check.taken(name)
    # A redirect is not followed, least of all with the token.
    moved = Web(lambda *_: (307, {"Location": url}, b""))
    count = len(server.got)
    at = dict(kind="hook", url=f"http://127.0.0.1:{moved.port}/", timeout_s=PATIENCE_S)
    name = check.destination("hook-moved", **at, bearer="token")
    check.fails(name, "answer", "http-307", words=url)
    check.echo(name, ["files", "name", "connect"], "http-307")
    check.same("requests after a redirect", len(server.got), count)
    endless = raw(b"HTTP/1.1 500 X\r\n\r\n" + b"x" * 10_000_000)
    url = f"http://127.0.0.1:{endless}"
    name = check.destination("hook-endless", kind="hook", url=url, timeout_s=PATIENCE_S)
    check.fails(name, "answer", "http-500")
    check_statuses(check, "hook", b"ask the desk", "ask the desk")


def contexts(folder: Path) -> dict[str, ssl.SSLContext]:
    found = {}
    for name in ["server", "mutual"]:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(folder / "server.pem", folder / "server.key")
        if name == "mutual":
            context.load_verify_locations(folder / "ca.pem")
            context.verify_mode = ssl.CERT_REQUIRED
        found[name] = context
    return found


def main() -> int:
    binary, deliver = (Path(part).resolve() for part in sys.argv[1:3])
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        demo = folder / "demo"
        done = subprocess.run([binary, "demo", "--dir", demo], capture_output=True, timeout=300)
        if done.returncode != 0:
            sys.exit(f"the demonstration failed: {done.stderr[-500:]}")
        certificates(folder)
        check = Check(binary, deliver, folder)
        results = sorted((demo / "outbox").glob("E*-v1/result.json"))
        check.result = next(
            path for path in results if json.loads(path.read_bytes())["assessment"]["flagged"]
        )
        check_dcmtk(check, folder)
        check_pynetdicom(check)
        check_associations(check)
        check_others(check)
        web = contexts(folder)
        check_fhir(check, web)
        check_hook(check, web)
        check_daemon(check, folder)
    for line in check.wrong:
        print(line)
    print(f"delivery: {check.done} checks, {len(check.wrong)} differ")
    return 1 if check.wrong or check.done < 260 else 0


if __name__ == "__main__":
    sys.exit(main())
