"""Sends fixtures with pynetdicom to the running daemon and compares what it kept with pydicom.

    python tests/python/check_send.py BINARY

Starts `serve` on free ports, sends every readable fixture over three associations, every second one
over TLS with certificates made for the occasion by `openssl`, and checks that each was answered 0x0000, that the values in the store are those of `expected.json` (read by
pydicom), and that what was received adds up. Exit 1 on any difference.
"""

import json
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
FIXTURES = ROOT / "fixtures" / "sr"
CONFIG = """
[receive.dicom]
listen = "127.0.0.1:0"
[receive.dicom.tls]
listen = "127.0.0.1:0"
certificate = "server.pem"
key = "server.key"
client_ca = "ca.pem"
[store]
path = "store.sqlite"
[outbox]
folder = "outbox"
[observe]
log_format = "json"
"""


def addresses(daemon: subprocess.Popen) -> dict[bool, str]:
    """Where it listens, without TLS and with it."""
    found = {}
    for line in daemon.stdout:
        event = json.loads(line)["fields"]
        if event.get("code") == "listening":
            found[event["tls"]] = event["address"]
        if len(found) == 2:
            return found
    raise SystemExit("the daemon ended before it listened")


def certificates(folder: Path) -> None:
    """An authority, and a certificate of version 3 by it for the server and for the sender."""

    def openssl(*arguments: str) -> None:
        subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True)

    (folder / "leaf.txt").write_text("basicConstraints = CA:FALSE\n")
    new = ["-newkey", "rsa:2048", "-nodes"]
    ca = ["-keyout", "ca.key", "-out", "ca.pem", "-subj", "/CN=Test Authority", "-days", "2"]
    openssl("req", "-x509", *new, *ca)
    for name in ["server", "sender"]:
        asked = ["-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj", f"/CN={name}"]
        openssl("req", *new, *asked)
        by = ["-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-days", "2"]
        openssl("x509", "-req", "-in", f"{name}.csr", *by, "-extfile", "leaf.txt", "-out", f"{name}.pem")


def cases() -> list[Path]:
    """Fixtures that pydicom can read; one of each UID, since the first content of a UID wins."""
    found, seen = [], set()
    for case in sorted(FIXTURES.iterdir()):
        expected = json.loads((case / "expected.json").read_text())
        if expected["readable"] and expected["sop_instance_uid"] not in seen:
            seen.add(expected["sop_instance_uid"])
            found.append(case)
    return found


def main() -> int:
    binary = Path(sys.argv[1]).resolve()
    sent = cases()
    files = [str(case / "report.dcm") for case in sent]
    with tempfile.TemporaryDirectory() as folder:
        config = Path(folder) / "site.toml"
        config.write_text(CONFIG)
        certificates(Path(folder))
        daemon = subprocess.Popen(
            [binary, "serve", "--config", config], stdout=subprocess.PIPE, text=True
        )
        try:
            at = addresses(daemon)
            sender = [sys.executable, str(ROOT / "tests/python/send.py"), "--associations", "3"]
            tls = ["--tls", *(f"{folder}/{name}" for name in ["ca.pem", "sender.pem", "sender.key"])]
            results = [
                subprocess.run([*sender, at[False], *files[::2]], text=True).returncode,
                subprocess.run([*sender, at[True], *files[1::2], *tls], text=True).returncode,
            ]
        finally:
            daemon.terminate()
            rest = daemon.stdout.read()
            code = daemon.wait(60)
        if any(results) or code != 0:
            print(f"sending ended with {results}, the daemon with {code}\n{rest}")
            return 1
        return compare(binary, config, sent)


def compare(binary: Path, config: Path, sent: list[Path]) -> int:
    wrong = 0
    for case in sent:
        expected = json.loads((case / "expected.json").read_text())
        uid = expected["sop_instance_uid"]
        output = subprocess.run(
            [binary, "explain", "--config", config, "--json", uid], capture_output=True, text=True
        )
        stories = [json.loads(line) for line in output.stdout.splitlines()]
        kept = [story for story in stories if story.get("reading", {}).get("sop_instance_uid") == uid]
        places = {item["place"]: item["value"] for item in expected["numbers"]}
        read = kept[0]["reading"]["measurements"] if kept else []
        differ = [m for m in read if places.get(m["place"], "absent") != m["value_as_sent"]]
        same = len(kept) == 1 and kept[0]["repeats"] == 0 and not differ
        print(f"{case.name:26} {len(read):2} values  {'same' if same else 'DIFFERENT'}")
        wrong += not same
    print(f"{len(sent)} reports sent by pynetdicom, {wrong} differ")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
