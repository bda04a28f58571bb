"""Ways in beside C-STORE and the drop folder: objects over HTTP, merges of ids by HL7, labels.

Each sender keeps what was answered with success, since that is what must be there after a kill.
"""

import http.client
import json
import socket
import sqlite3
import subprocess
import threading
import time
from pathlib import Path

import pydicom
from harness import Broken, Daemon, Site, until
from sender import ROOT, Report

CONFIG = """\
[receive.web]
listen = "127.0.0.1:0"
[receive.hl7]
listen = "127.0.0.1:0"
"""

DECIDED = "20250102030405+0000"
ISSUER = str(pydicom.dcmread(ROOT / "fixtures/sr/tid1500/report.dcm").IssuerOfPatientID)
BOUNDARY = "edge"
LABELLED = "select study_instance_uid from entry where kind = 'label' and value is not null"
KIND = f'multipart/related; type="application/dicom"; boundary={BOUNDARY}'


def opened(site: Site) -> None:
    """Names the further ports in the configuration."""
    site.config.write_text(site.config.read_text() + CONFIG)


def address(daemon: Daemon, code: str) -> tuple[str, int]:
    """Where the daemon listens, as its log says; it may say so after the port for DICOM."""
    for _ in range(500):
        for event in daemon.events():
            if event.get("code") == code:
                host, _, port = event["address"].rpartition(":")
                return host, int(port)
        time.sleep(0.01)
    raise Broken(f"no {code} in the log")


class Way:
    """Does one thing after the other in a thread of its own until told to stop."""

    pause = 0.05

    def __init__(self, daemon: Daemon, todo: list):
        self.daemon, self.todo = daemon, todo
        self.acknowledged: list = []
        self._stop = threading.Event()
        self.thread = threading.Thread(target=self._run, daemon=True)
        self.thread.start()

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                for one in list(self.todo):
                    if self._stop.is_set():
                        return
                    if self.one(one):
                        self.acknowledged.append(one)
                    time.sleep(self.pause)
        except (OSError, http.client.HTTPException):
            pass  # killed

    def one(self, one) -> bool:
        raise NotImplementedError

    def finish(self) -> list:
        self._stop.set()
        self.thread.join(60)
        return self.acknowledged


class Web(Way):
    """The Store transaction (PS3.18 10.5), one object a request."""

    def one(self, one: Report) -> bool:
        return stow(address(self.daemon, "web-listening"), one)


def stow(to: tuple[str, int], one: Report) -> bool:
    body = f"--{BOUNDARY}\r\nContent-Type: application/dicom\r\n\r\n".encode()
    body += one.file + f"\r\n--{BOUNDARY}--".encode()
    connection = http.client.HTTPConnection(*to, timeout=60)
    try:
        connection.request("POST", "/studies", body, {"Content-Type": KIND})
        answer = connection.getresponse()
        told = answer.read()
    finally:
        connection.close()
    # Stored is what stands in Referenced SOP Sequence (0008,1199).
    return answer.status == 200 and one.uid in json.dumps(json.loads(told).get("00081199", {}))


class Hl7(Way):
    """ADT^A40 over MLLP: the first id was merged into the second."""

    pause = 0.2

    def one(self, one: tuple[str, str]) -> bool:
        return merge(address(self.daemon, "hl7-listening"), one)


def control_id(one: tuple[str, str]) -> str:
    return f"M{one[0][2:]}{one[1][2:]}"


def merge(to: tuple[str, int], one: tuple[str, str]) -> bool:
    lost, kept = one
    message = (
        f"MSH|^~\\&|PAS|WARD|||{DECIDED}||ADT^A40^ADT_A39|{control_id(one)}|P|2.5.1\r"
        f"EVN|A40|{DECIDED}\rPID|||{kept}^^^{ISSUER}\rMRG|{lost}^^^{ISSUER}\r"
    )
    with socket.create_connection(to, 60) as peer:
        peer.sendall(b"\x0b" + message.encode() + b"\x1c\r")
        answer = b""
        while not answer.endswith(b"\x1c\r"):
            more = peer.recv(4096)
            if not more:
                raise ConnectionError("closed before the answer")
            answer += more
    return f"MSA|AA|{control_id(one)}" in answer.decode()


class Labels(Way):
    """`label EXAM well` beside the daemon, for studies whose exams have a result."""

    pause = 0.1

    def __init__(self, site: Site, daemon: Daemon, todo: list):
        self.site = site
        super().__init__(daemon, todo)

    def one(self, study: str) -> bool:
        exam = exams(self.site.outbox).get(study)
        return bool(exam) and label(self.site, exam)


def label(site: Site, exam: str) -> bool:
    # Flagged or not: what is asked at a terminal is not the matter here.
    command = [site.binary, "label", "--config", site.config, exam, "well", "--yes"]
    return subprocess.run(command, capture_output=True, timeout=60).returncode == 0


def exams(outbox: Path) -> dict[str, str]:
    """Exam ids by study."""
    found = {}
    for folder in outbox.glob("E*-v*"):
        try:
            exam = json.loads((folder / "result.json").read_bytes())["exam"]
        except OSError:
            continue
        found[exam["study_instance_uid"]] = exam["id"]
    return found


def said(base: sqlite3.Connection) -> tuple[set[str], set[str]]:
    """Control ids of the merges and studies of the labels in a store."""
    merges = {row[0] for row in base.execute("select message from id_statement")}
    return merges, {row[0] for row in base.execute(LABELLED)}


def doubled(base: sqlite3.Connection) -> list[str]:
    """Studies with more than one entry for the one label that each gets."""
    counts = base.execute("select study_instance_uid, count(*) from entry where kind = 'label' group by 1")
    return sorted(study for study, count in counts if count > 1)


def say_all(site: Site, merges: list, studies: list) -> None:
    """The same in a run where nothing goes wrong. By the same ways: a result names them."""
    opened(site)
    daemon = site.serve()
    to, known = address(daemon, "hl7-listening"), exams(site.outbox)
    if not all(merge(to, one) for one in merges):
        raise Broken("the clean run is not clean: a merge is refused")
    if not all(label(site, known[study]) for study in studies):
        raise Broken("the clean run is not clean: a label is refused")
    until("the queue to drain", site.is_drained)
    daemon.stop()
