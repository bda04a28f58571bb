"""Sends fixtures with pynetdicom to the running daemon and compares what it kept with pydicom.

    python tests/python/check_send.py BINARY

Starts `serve` on a free port, sends every readable fixture over three associations, and checks
that each was answered 0x0000, that the values in the store are those of `expected.json` (read by
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
[store]
path = "store.sqlite"
[outbox]
folder = "outbox"
[observe]
log_format = "json"
"""


def address(daemon: subprocess.Popen) -> str:
    for line in daemon.stdout:
        event = json.loads(line)["fields"]
        if event.get("code") == "listening":
            return event["address"]
    raise SystemExit("the daemon ended before it listened")


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
        daemon = subprocess.Popen(
            [binary, "serve", "--config", config], stdout=subprocess.PIPE, text=True
        )
        try:
            sender = [sys.executable, str(ROOT / "tests/python/send.py"), address(daemon)]
            result = subprocess.run([*sender, "--associations", "3", *files], text=True)
        finally:
            daemon.terminate()
            rest = daemon.stdout.read()
            code = daemon.wait(60)
        if result.returncode != 0 or code != 0:
            print(f"sending ended with {result.returncode}, the daemon with {code}\n{rest}")
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
