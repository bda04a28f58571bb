"""Merges of patient ids by HL7 v2, written and read by somebody else's library.

    python tests/python/check_identity.py BINARY

Makes two reports of one invented child under two ids, a year apart, starts `serve`, and sends ADT^A40
and ADT^A37 built and validated by hl7apy over MLLP, in v2.3.1 to v2.6. Acknowledgements are parsed and
validated by hl7apy, with MSA and ERR as HL7 v2.5.1 has them. The results must change as the merge says,
and be the first ones again after the unlink; each message is in the audit trail, valid by the RELAX NG
grammar of DICOM PS3.15 A.5.1. Exit 1 on any difference.
"""

import json
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pydicom
from hl7apy.core import Message
from hl7apy.parser import parse_message
from hl7apy.consts import VALIDATION_LEVEL
from lxml import etree

ROOT = Path(__file__).resolve().parents[2]
CONFIG = """
[receive.dicom]
listen = "127.0.0.1:0"
[receive.hl7]
listen = "127.0.0.1:0"
[[receive.hl7.authority]]
authority = "ADT-HOUSE"
issuer = "TARNHOLT"
[store]
path = "store.sqlite"
[outbox]
folder = "outbox"
[observe]
log_format = "json"
audit = "audit.xml"
"""
START, END = b"\x0b", b"\x1c\r"
problems = []


def check(what: str, found, expected) -> None:
    if found != expected:
        problems.append(f"{what}: {found!r} instead of {expected!r}")


def earlier(source: Path, target: Path) -> None:
    """The report a year before, under another id and UIDs."""

    def change(dataset, element) -> None:
        if element.VR in ("DA", "DT", "TM") and str(element.value).startswith("20240501"):
            element.value = "20230501" + str(element.value)[8:]
        elif element.VR == "UI" and str(element.value).startswith("2.25."):
            element.value = str(element.value)[:-3] + "777"

    report = pydicom.dcmread(source)
    report.walk(change)
    report.file_meta.MediaStorageSOPInstanceUID = report.SOPInstanceUID
    report.PatientID = "SL-0099"
    report.save_as(target)


def adt(event: str, version: str, control: str, at: str) -> Message:
    message = Message(f"ADT_{'A39' if event == 'A40' else event}", version=version)
    message.msh.msh_3 = "ADT"
    message.msh.msh_4 = "CLINIC"
    message.msh.msh_5 = "SHEATHLINE"
    message.msh.msh_7 = at
    message.msh.msh_9 = f"ADT^{event}^{message.name}"
    message.msh.msh_10 = control
    message.msh.msh_11 = "P"
    message.evn.evn_1 = event
    message.evn.evn_2 = at
    return message


def a40(into: str, prior: str, version: str, control: str, at: str) -> str:
    message = adt("A40", version, control, at)
    group = message.add_group("ADT_A39_PATIENT")
    for one in into.split("~"):
        group.pid.add_field("pid_3").value = one
    group.pid.pid_5 = "Hollowfield^Mara"
    group.mrg.mrg_1 = prior
    assert message.validate(), "hl7apy does not accept our own A40"
    return message.to_er7()


def a37(one: str, other: str, control: str, at: str) -> str:
    message = adt("A37", "2.5.1", control, at)
    for identifier in (one, other):
        pid = message.add_segment("PID")
        pid.pid_3 = identifier
        pid.pid_5 = "Hollowfield^Mara"
    return message.to_er7()


class Line:
    """A connection over MLLP."""

    def __init__(self, address: str) -> None:
        host, port = address.rsplit(":", 1)
        self.socket = socket.create_connection((host, int(port)), timeout=30)

    def ask(self, text: str) -> Message:
        self.socket.sendall(START + text.encode() + END)
        got = b""
        while not got.endswith(END):
            more = self.socket.recv(4096)
            assert more, f"closed after {got!r}"
            got += more
        assert got.startswith(START)
        answer = parse_message(
            got[1:-2].decode(), validation_level=VALIDATION_LEVEL.STRICT, find_groups=False
        )
        assert answer.validate()
        return answer


def listening(daemon: subprocess.Popen) -> str:
    for line in daemon.stdout:
        event = json.loads(line)["fields"]
        if event.get("code") == "hl7-listening":
            return event["address"]
    raise SystemExit("the daemon ended before it listened")


def newest(folder: Path) -> list[tuple]:
    """Date, patient id, joined, status, baseline of each exam's newest result."""
    results = {}
    for path in folder.glob("E*/result.json"):
        result = json.loads(path.read_text())
        exam = result["exam"]["id"]
        if exam not in results or results[exam]["version"] < result["version"]:
            results[exam] = result
    rows = (
        (
            one["exam"]["performed_at"][:10],
            one["patient"]["id"],
            len(one.get("joined", [])),
            one["assessment"]["status"],
            len(one["baseline"]),
        )
        for one in results.values()
    )
    return sorted(rows)


def until(folder: Path, expected: list[tuple]) -> None:
    end = time.monotonic() + 60
    while newest(folder) != expected and time.monotonic() < end:
        time.sleep(0.1)
    check("results", newest(folder), expected)


def main() -> None:
    binary = sys.argv[1]
    with tempfile.TemporaryDirectory() as name:
        site = Path(name)
        (site / "site.toml").write_text(CONFIG)
        report = ROOT / "fixtures/sr/tid1500/report.dcm"
        earlier(report, site / "earlier.dcm")
        subprocess.run(
            [binary, "process", "--config", site / "site.toml", report, site / "earlier.dcm"],
            check=True,
            stdout=subprocess.DEVNULL,
        )
        outbox = site / "outbox"
        apart = newest(outbox)
        check(
            "before",
            [row[:3] for row in apart],
            [("2023-05-01", "SL-0099", 0), ("2024-05-01", "SL-0042", 0)],
        )
        daemon = subprocess.Popen(
            [binary, "serve", "--config", site / "site.toml"], stdout=subprocess.PIPE, text=True
        )
        try:
            line = Line(listening(daemon))
            into, prior = "SL-0042^^^ADT-HOUSE", "SL-0099^^^TARNHOLT"
            versions = ["2.3.1", "2.4", "2.5", "2.5.1", "2.6"]
            for number, version in enumerate(versions):
                text = a40(into, prior, version, f"M{number}", "20260301120000+0000")
                answer = line.ask(text)
                check(f"MSA-1 of {version}", answer.msa.msa_1.value, "AA")
                check(f"MSA-2 of {version}", answer.msa.msa_2.value, f"M{number}")
                check("MSH-9", answer.msh.msh_9.value, "ACK^A40^ACK")
                check("MSH-5", answer.msh.msh_5.value, "ADT")
            joined = newest(outbox)
            end = time.monotonic() + 60
            while not all(row[2] == 1 for row in joined) and time.monotonic() < end:
                time.sleep(0.1)
                joined = newest(outbox)
            check(
                "joined",
                [row[:3] + row[4:] for row in joined],
                [("2023-05-01", "SL-0042", 1, 0), ("2024-05-01", "SL-0042", 1, 1)],
            )
            check("status before", apart[1][3], "no_baseline")
            if joined[1][3] in ("no_baseline", "not_comparable"):
                problems.append(f"the later exam is {joined[1][3]} after the merge")

            refusals = [
                (a40("SL-0042", prior, "2.5.1", "R1", "20260301"), "AE", "101", "PID^1^3^1^4"),
                (
                    a40("1^^^X~2^^^X", "3^^^X", "2.5.1", "R2", "20260301"),
                    "AE",
                    "204",
                    "MRG^1^1^1",
                ),
                (
                    a40(into, prior, "2.5.1", "R3", "20260301").replace("ADT^A40", "ADT^A08"),
                    "AR",
                    "201",
                    "MSH^1^9^1^2",
                ),
                (
                    a40(into, prior, "2.5.1", "R4", "20260301").replace("|P|", "|D|"),
                    "AR",
                    "202",
                    "MSH^1^11",
                ),
            ]
            for text, code, error, place in refusals:
                answer = line.ask(text)
                check("MSA-1", answer.msa.msa_1.value, code)
                check("ERR-3", answer.err.err_3.err_3_1.value, error)
                check("ERR-2", answer.err.err_2.value, place)
                check("ERR-4", answer.err.err_4.value, "E")

            answer = line.ask(a37(prior, into, "U1", "20260302120000+0000"))
            check("MSA-1 of the unlink", answer.msa.msa_1.value, "AA")
            until(outbox, apart)
        finally:
            daemon.terminate()
            daemon.communicate(timeout=60)
        grammar = etree.RelaxNG(etree.parse(ROOT / "fixtures/audit/message.rng"))
        lines = (site / "audit.xml").read_text().splitlines()
        records = [etree.fromstring(one) for one in lines if 'originalText="Patient Record"' in one]
        check("audited", len(records), len(versions) + 2)
        for record in records:
            check("audit message", grammar.validate(record), True)
            ids = {one.get("ParticipantObjectID") for one in record.iter("ParticipantObjectIdentification")}
            check("audited ids", ids, {"SL-0042", "SL-0099"})
    for problem in problems:
        print(problem)
    if problems:
        raise SystemExit(1)
    print(f"{len(versions)} merges, {len(refusals)} refusals and an unlink by hl7apy: as they must be")


if __name__ == "__main__":
    main()
