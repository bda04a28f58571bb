"""What the daemon tells about itself, read by others: metrics, audit messages.

    python tests/python/check_observe.py BINARY

Starts `serve` on free ports, sends fixtures, damaged ones and repeats with pynetdicom, knocks at the
port without DICOM, lets it deliver to an archive (pynetdicom), a hook and one that is down, and reads the metrics with the OpenMetrics parser of prometheus_client and the audit
trail against the RELAX NG grammar of DICOM PS3.15 A.5.1 with lxml. Exit 1 on any difference.
"""

import base64
import json
import socket
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

from lxml import etree
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from pynetdicom import AE, evt
from pynetdicom.sop_class import ComprehensiveSRStorage

ROOT = Path(__file__).resolve().parents[2]
SENT = ["tid1500", "tid1410", "basic-text", "no-patient-id", "tid1500"]
KNOCKS = 40
CONFIG = """
[receive.dicom]
listen = "127.0.0.1:0"
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
listen = "127.0.0.1:0"
audit = "audit.xml"
[pages]
listen = "127.0.0.1:0"
[[destination]]
name = "archive"
kind = "dicom"
host = "127.0.0.1"
port = {archive}
called = "ARCHIVE"
[[destination]]
name = "hook"
kind = "hook"
url = "http://127.0.0.1:{hook}/results?secret=1"
[[destination]]
name = "down"
kind = "fhir"
url = "http://127.0.0.1:1/r4"
"""


class Hook(BaseHTTPRequestHandler):
    def do_POST(self):
        self.rfile.read(int(self.headers["content-length"]))
        self.send_response(204)
        self.end_headers()

    def log_message(self, *_):
        pass


def addresses(daemon: subprocess.Popen) -> tuple[str, str, str]:
    """Where it takes associations, where it answers over HTTP, and where its pages are."""
    found = {}
    for line in daemon.stdout:
        event = json.loads(line)["fields"]
        if event.get("code") in ("listening", "observe-listening", "pages-listening"):
            found[event["code"]] = event["address"]
        if len(found) == 3:
            return found["listening"], found["observe-listening"], found["pages-listening"]
    raise SystemExit("the daemon ended before it listened")


def sign_in(binary: Path, folder: Path, pages: str) -> None:
    """An account signs in to the pages, once with a wrong password, and is ended."""
    (folder / "password").write_text("a password of the ward\n")
    account = [binary, "account"]
    config = ["--config", folder / "site.toml"]
    named = ["Wren", "--role", "reader", "--password-file", folder / "password"]
    subprocess.run([*account, "add", *config, *named], check=True, capture_output=True)
    for password in ["a wrong password", "a password of the ward"]:
        form = urllib.parse.urlencode({"name": "Wren", "password": password}).encode()
        try:
            urllib.request.urlopen(f"http://{pages}/sign-in", data=form, timeout=60)
        except urllib.error.HTTPError as error:
            assert error.code == 403 and "wrong" in password, error.code
    subprocess.run([*account, "end", *config, "Wren"], check=True, capture_output=True)


def metrics(address: str) -> dict[tuple, float]:
    """Every sample; the parser refuses text that breaks a rule of OpenMetrics 1.0."""
    with urllib.request.urlopen(f"http://{address}/metrics", timeout=30) as answer:
        kind = answer.headers["Content-Type"]
        assert kind.startswith("application/openmetrics-text; version=1.0.0"), kind
        text = answer.read().decode()
    samples = {}
    for family in text_string_to_metric_families(text):
        assert family.documentation, f"{family.name} has no meaning"
        assert family.name.startswith("sheathline_"), family.name
        for sample in family.samples:
            samples[(sample.name, *sorted(sample.labels.values()))] = sample.value
    return samples


def grammar_notices(grammar: etree.RelaxNG, good: str) -> None:
    """The grammar refuses what breaks it, or it would prove nothing."""
    for old, new in [
        ("EventActionCode=", "Action="),
        ('EventOutcomeIndicator="0"', 'EventOutcomeIndicator="1"'),
        ("<EventIdentification", "<X/><EventIdentification"),
        ("originalText", "displayName"),
    ]:
        assert old in good
        assert not grammar.validate(etree.fromstring(good.replace(old, new))), new


def main() -> int:
    binary = Path(sys.argv[1]).resolve()
    grammar = etree.RelaxNG(etree.parse(ROOT / "fixtures" / "audit" / "message.rng"))
    hook = HTTPServer(("127.0.0.1", 0), Hook)
    threading.Thread(target=hook.serve_forever, daemon=True).start()
    entity = AE("ARCHIVE")
    entity.add_supported_context(ComprehensiveSRStorage)
    stored = [(evt.EVT_C_STORE, lambda _: 0x0000)]
    archive = entity.start_server(("127.0.0.1", 0), block=False, evt_handlers=stored)
    ports = {"archive": archive.server_address[1], "hook": hook.server_address[1]}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "drop").mkdir()
        (folder / "site.toml").write_text(CONFIG.format(**ports))
        daemon = subprocess.Popen(
            [binary, "serve", "--config", folder / "site.toml"], stdout=subprocess.PIPE, text=True
        )
        try:
            dicom, http, pages = addresses(daemon)
            sign_in(binary, folder, pages)
            files = [ROOT / "fixtures" / "sr" / case / "report.dcm" for case in SENT]
            send = [sys.executable, ROOT / "tests" / "python" / "send.py", dicom, *files]
            subprocess.run(send, check=True, capture_output=True)
            whole = files[0].read_bytes()
            (folder / "drop" / "cut.dcm").write_bytes(whole[:-100])
            (folder / "drop" / "empty.dcm").write_bytes(b"")
            host, port = dicom.rsplit(":", 1)
            for _ in range(KNOCKS):
                with socket.create_connection((host, int(port))) as stranger:
                    stranger.sendall(b"GET / HTTP/1.1\r\n\r\n")
                    stranger.recv(100)
            deadline = time.monotonic() + 60
            while True:
                found = metrics(http)
                read = sum(v for k, v in found.items() if k[0] == "sheathline_objects_read_total")
                waits = [v for k, v in found.items() if k[0] == "sheathline_queue_waiting"]
                published = found[("sheathline_results_published_total",)]
                delivered = [found[("sheathline_deliveries_total", to)] for to in ports]
                is_known_down = found[("sheathline_destination_reached", "down")] == 0
                if read == 5 and sum(waits) == 0 and delivered == [published] * 2 and is_known_down:
                    break
                assert time.monotonic() < deadline, found
                time.sleep(0.1)
            for key, value in {
                ("sheathline_objects_received_total", "dicom", "kept"): 4,
                ("sheathline_objects_received_total", "dicom", "repeat"): 1,
                ("sheathline_objects_received_total", "folder", "kept"): 1,
                ("sheathline_objects_received_total", "folder", "refused"): 1,
                ("sheathline_peers_refused_total", "refused-not-dicom"): KNOCKS,
                ("sheathline_failures_total", "refused-not-dicom"): KNOCKS,
                ("sheathline_failures_total", "folder-failed"): 1,
                ("sheathline_store_responses_total", "0000H"): 5,
                ("sheathline_ready",): 1,
                ("sheathline_destination_reached", "archive"): 1,
                ("sheathline_destination_reached", "hook"): 1,
                ("sheathline_destination_reached", "down"): 0,
                ("sheathline_deliveries_waiting", "down"): published,
                ("sheathline_deliveries_dead", "down"): 0,
                ("sheathline_deliveries_waiting", "hook"): 0,
                ("sheathline_failures_total", "destination-down"): 1,
            }.items():
                assert found.get(key) == value, (key, found.get(key))
            assert found[("sheathline_store_response_seconds_count",)] == 5
            assert published > 0 and found[("sheathline_deliveries_oldest_seconds", "down")] > 0
            try:
                urllib.request.urlopen(f"http://{http}/metrics", data=b"x", timeout=30)
                raise SystemExit("POST was answered")
            except urllib.error.HTTPError as error:
                assert error.code == 405, error.code
        finally:
            daemon.terminate()
            # Read to its end, or it would wait for room in the pipe.
            daemon.communicate(timeout=60)
        lines = (folder / "audit.xml").read_text().splitlines()
        grammar_notices(grammar, lines[0])
        to_archive = [line for line in lines if 'UserID="ARCHIVE"' in line]
        to_hook = [line for line in lines if f'UserID="http://127.0.0.1:{ports["hook"]}/results"' in line]
        assert len(to_archive) == len(to_hook) == published, (len(to_archive), len(to_hook))
        assert not any("secret" in line for line in lines)
        # The first at once, and at the stop how many more.
        refused = [line for line in lines if base64.b64encode(b"refused-not-dicom").decode() in line]
        repeats = f'type="Number of Repeats" value="{base64.b64encode(str(KNOCKS - 1).encode()).decode()}"'
        assert len(refused) == 2 and repeats in refused[1], refused
        # User Authentication of the pages, and what commands did to the account (PS3.15 A.5.3.12, A.5.3.11).
        logins = [line for line in lines if 'csd-code="110122"' in line]
        assert ['EventOutcomeIndicator="0"' in line for line in logins] == [False, True], logins
        assert len([line for line in lines if 'csd-code="110137"' in line]) == 2
        for line in lines:
            grammar.assertValid(etree.fromstring(line))
    print(f"{len(found)} samples read by prometheus_client, {len(lines)} audit messages valid")
    return 0


if __name__ == "__main__":
    sys.exit(main())
