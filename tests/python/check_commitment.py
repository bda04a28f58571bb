"""Asks the running daemon for Storage Commitment with pynetdicom, both ways.

    python tests/python/check_commitment.py BINARY

Stores fixtures, asks for them by N-ACTION (PS3.4 annex J) and compares what N-EVENT-REPORT says: over the
same association while it is open; over an association of the daemon's to a requester that released; to one
that listens only later; and after the daemon was killed between answer and report. What is not held, of
another class, without its pixels or was dropped by `other_classes` is never committed. Exit 1 on any
difference.
"""

import json
import socket
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

from pydicom import dcmread
from pydicom.dataset import Dataset
from pydicom.uid import ExplicitVRLittleEndian, generate_uid
from pynetdicom import AE, evt
from pynetdicom.sop_class import (
    ComprehensiveSRStorage,
    CTImageStorage,
    StorageCommitmentPushModel,
    StorageCommitmentPushModelInstance,
    UltrasoundImageStorage,
)

ROOT = Path(__file__).resolve().parents[2]
SYNTAX = ExplicitVRLittleEndian
PATIENCE = 90
CONFIG = """
[receive.dicom]
listen = "127.0.0.1:{ours}"
other_classes = "take-and-drop"
[[receive.dicom.sender]]
ae_title = "MODALITY"
commitment_host = "127.0.0.1"
commitment_port = {theirs}
[store]
path = "store.sqlite"
[outbox]
folder = "outbox"
[observe]
log_format = "json"
"""

wrong = []


def check(what: str, found, expected) -> None:
    good = found == expected
    print(f"{'ok   ' if good else 'WRONG'} {what}{'' if good else f': {found!r}, not {expected!r}'}")
    if not good:
        wrong.append(what)


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


class Told:
    """Reports as they come."""

    def __init__(self) -> None:
        self.reports, self.came = {}, threading.Condition()

    def handle(self, event):
        said = event.event_information
        items = lambda name: [
            (item.ReferencedSOPClassUID, item.ReferencedSOPInstanceUID, item.get("FailureReason"))
            for item in said.get(name, [])
        ]
        with self.came:
            report = (event.event_type, items("ReferencedSOPSequence"), items("FailedSOPSequence"))
            self.reports.setdefault(said.TransactionUID, []).append(report)
            self.came.notify_all()
        return 0x0000, None

    def wait(self, transaction: str):
        with self.came:
            self.came.wait_for(lambda: transaction in self.reports, PATIENCE)
            return self.reports.get(transaction, [None])[-1]


def listen(port: int, told: Told):
    """The requester as it takes reports over associations of the daemon."""
    ae = AE("MODALITY")
    ae.add_supported_context(StorageCommitmentPushModel, scu_role=False, scp_role=True)
    return ae.start_server(("127.0.0.1", port), block=False, evt_handlers=[(evt.EVT_N_EVENT_REPORT, told.handle)])


class Daemon:
    def __init__(self, binary: str, config: Path) -> None:
        command = [binary, "serve", "--config", str(config)]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        self.log = []
        for line in self.process.stdout:
            self.log.append(line)
            if json.loads(line)["fields"].get("code") == "listening":
                break
        else:
            raise SystemExit("the daemon ended before it listened")
        threading.Thread(target=lambda: self.log.extend(self.process.stdout), daemon=True).start()


def associate(port: int, told: Told | None = None, title: str = "MODALITY"):
    ae = AE(title)
    for uid in [ComprehensiveSRStorage, CTImageStorage, UltrasoundImageStorage, StorageCommitmentPushModel]:
        ae.add_requested_context(uid, SYNTAX)
    handlers = [(evt.EVT_N_EVENT_REPORT, told.handle)] if told else []
    made = ae.associate("127.0.0.1", port, ae_title="SHEATHLINE", evt_handlers=handlers)
    if not made.is_established:
        raise SystemExit("no association")
    return made


def ask(association, transaction: str, objects: list, action: int = 1) -> int:
    asked = Dataset()
    asked.TransactionUID = transaction
    asked.ReferencedSOPSequence = []
    for sop_class, instance in objects:
        item = Dataset()
        item.ReferencedSOPClassUID, item.ReferencedSOPInstanceUID = sop_class, instance
        asked.ReferencedSOPSequence.append(item)
    status, _ = association.send_n_action(
        asked, action, StorageCommitmentPushModel, StorageCommitmentPushModelInstance
    )
    return status.get("Status", -1)


def reports() -> list:
    """Two Comprehensive SR of the fixtures in the transfer syntax that is asked for."""
    found, seen = [], set()
    for path in sorted((ROOT / "fixtures" / "sr").glob("*/report.dcm")):
        try:
            one = dcmread(path)
        except Exception:
            continue
        fits = one.get("SOPClassUID") == ComprehensiveSRStorage and one.file_meta.TransferSyntaxUID == SYNTAX
        if fits and one.SOPInstanceUID not in seen:
            seen.add(one.SOPInstanceUID)
            found.append(one)
        if len(found) == 2:
            return found
    raise SystemExit("no such fixtures")


def other(sop_class: str) -> Dataset:
    one = dcmread(ROOT / "fixtures" / "drawn" / "straight" / "picture-1.dcm")
    if sop_class != one.SOPClassUID:
        one.SOPClassUID = one.file_meta.MediaStorageSOPClassUID = sop_class
        one.SOPInstanceUID = one.file_meta.MediaStorageSOPInstanceUID = generate_uid()
    return one


def main() -> int:
    binary = str(Path(sys.argv[1]).resolve())
    with tempfile.TemporaryDirectory() as folder:
        ours, theirs = free_port(), free_port()
        config = Path(folder) / "site.toml"
        config.write_text(CONFIG.format(ours=ours, theirs=theirs))
        daemon = Daemon(binary, config)
        try:
            daemon = everything(binary, config, daemon, ours, theirs)
        finally:
            daemon.process.terminate()
            code = daemon.process.wait(60)
        check("the daemon ended in order", code, 0)
        if wrong:
            print("".join(daemon.log))
    print(f"{len(wrong)} differ")
    return 1 if wrong else 0


def everything(binary: str, config: Path, daemon: Daemon, ours: int, theirs: int) -> Daemon:
    first, second = reports()
    picture, ct = other(UltrasoundImageStorage), other(CTImageStorage)
    names = [(one.SOPClassUID, one.SOPInstanceUID) for one in (first, second)]
    held = [(*name, None) for name in names]
    absent = (ComprehensiveSRStorage, "2.25.1")
    conflict = (CTImageStorage, first.SOPInstanceUID)

    told = Told()
    association = associate(ours, told)
    for one in (first, second, picture, ct):
        check(f"C-STORE of {one.SOPClassUID}", association.send_c_store(one).Status, 0)
    one = generate_uid()
    check("N-ACTION", ask(association, one, names), 0)
    check("same association: all held", told.wait(one), (1, held, []))
    some = generate_uid()
    pictures = [(picture.SOPClassUID, picture.SOPInstanceUID), (CTImageStorage, ct.SOPInstanceUID)]
    check("N-ACTION, some not held", ask(association, some, [names[0], absent, conflict, *pictures]), 0)
    failed = [(*absent, 0x0112), (*conflict, 0x0119), *((*name, 0x0112) for name in pictures)]
    check("same association: failures exist", told.wait(some), (2, held[:1], failed))
    check("another action", ask(association, generate_uid(), names, action=2), 0x0123)
    check("nothing named", ask(association, generate_uid(), []), 0x0115)
    association.release()

    # The requester releases at once and listens.
    later = Told()
    server = listen(theirs, later)
    association = associate(ours)
    # Without a handler pynetdicom refuses the report over this association.
    one = generate_uid()
    check("N-ACTION, then released", ask(association, one, names), 0)
    association.release()
    check("association of the daemon: all held", later.wait(one), (1, held, []))
    server.shutdown()

    # The requester is not there when the daemon tries first, and the daemon is killed meanwhile.
    association = associate(ours)
    one = generate_uid()
    check("N-ACTION, then killed", ask(association, one, names), 0)
    daemon.process.kill()
    daemon.process.wait()
    association.abort()
    daemon = Daemon(binary, config)
    association = associate(ours)
    check("the same again is one request", ask(association, one, names), 0)
    check("the same name for something else", ask(association, one, names[:1]), 0x0115)
    association.abort()
    time.sleep(20)
    server = listen(theirs, later)
    check("after kill and start: all held", later.wait(one), (1, held, []))
    time.sleep(3)
    check("told once", len(later.reports[one]), 1)
    server.shutdown()

    # Who has no table with an address may not ask.
    association = associate(ours, title="STRANGER")
    refused = [context.abstract_syntax for context in association.rejected_contexts]
    check("a stranger may not ask", refused, [StorageCommitmentPushModel])
    association.release()
    return daemon


if __name__ == "__main__":
    sys.exit(main())
