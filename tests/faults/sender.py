"""Reports to send, and a sender that knows exactly what was answered.

The sender speaks the upper layer by itself (PS3.8 section 9.3, PS3.7 section 9.3.1), one
association over one socket, because a toolkit may lose an answer on its way to its caller, and
here an answer is the whole point.
"""

import copy
import hashlib
import io
import socket
import struct
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pydicom

ROOT = Path(__file__).resolve().parents[2]
EXPLICIT_LITTLE = "1.2.840.10008.1.2.1"
EXAMS_OF_A_PATIENT = 4
# Bytes of a data set in one PDU; the daemon takes 128 KiB.
FRAGMENT = 64 << 10


@dataclass(frozen=True)
class Report:
    """One SR object: as a data set for the network, as a Part 10 file for the drop folder."""

    uid: str
    sop_class: str
    has_sheath: bool
    data_set: bytes
    file: bytes
    by_folder: bool
    by_web: bool = False

    @property
    def sha256(self) -> bytes:
        """Of the bytes that the daemon gets."""
        as_file = self.by_folder or self.by_web
        return hashlib.sha256(self.file if as_file else self.data_set).digest()


def _encoded(data: pydicom.Dataset) -> tuple[bytes, bytes]:
    whole, bare = io.BytesIO(), io.BytesIO()
    data.save_as(whole, enforce_file_format=True)
    pydicom.dcmwrite(bare, pydicom.Dataset(data), implicit_vr=False, little_endian=True)
    return bare.getvalue(), whole.getvalue()


# Same length as what takes their place, so that a report is made by replacing bytes.
_UID, _STUDY, _PATIENT = "2.25.19999999999999", "2.25.29999999999999", "K-999999"


@cache
def _pattern(has_sheath: bool, exam: int) -> tuple[str, bytes, bytes]:
    case = "tid1500" if has_sheath else "other-numbers"
    data = copy.deepcopy(pydicom.dcmread(ROOT / "fixtures" / "sr" / case / "report.dcm"))
    data.SOPInstanceUID = data.file_meta.MediaStorageSOPInstanceUID = _UID
    data.StudyInstanceUID, data.PatientID = _STUDY, _PATIENT
    data.StudyDate = data.ContentDate = f"{2021 + exam}0301"
    data.pop("PredecessorDocumentsSequence", None)
    if has_sheath:
        _shift(data, 1.0 if exam == EXAMS_OF_A_PATIENT - 1 else 0.1 * exam)
    return (str(data.SOPClassUID), *_encoded(data))


def _shift(data: pydicom.Dataset, more: float) -> None:
    """Adds to every number, and drops its binary twin."""
    if "NumericValue" in data:
        data.NumericValue = f"{float(data.NumericValue) + more:.2f}"
        data.pop("FloatingPointValue", None)
    for name in ("ContentSequence", "MeasuredValueSequence"):
        for item in data.get(name) or []:
            _shift(item, more)


def report(number: int) -> Report:
    """The nth of an endless list: three of ten carry sheath values, one of ten comes as a file."""
    has_sheath, by_folder = number % 10 in (0, 4, 7), number % 10 in (7, 8) and number % 20 < 10
    # Reports with sheath values are told apart among themselves, so that patients have courses.
    place = (number // 10) * 3 + (0, 4, 7).index(number % 10) if has_sheath else number
    patient, exam = divmod(place, EXAMS_OF_A_PATIENT)
    sop_class, data_set, file = _pattern(has_sheath, exam)
    uid = f"2.25.1{number:013d}"
    for mark, text in (
        (_UID, uid),
        (_STUDY, f"2.25.2{number:013d}"),
        (_PATIENT, f"{'K' if has_sheath else 'N'}-{patient:06d}"),
    ):
        assert len(mark) == len(text)
        data_set = data_set.replace(mark.encode(), text.encode())
        file = file.replace(mark.encode(), text.encode())
    return Report(uid, sop_class, has_sheath, data_set, file, by_folder)


def reports(count: int) -> list[Report]:
    return [report(number) for number in range(count)]


class Refused(Exception):
    """The association was not accepted, or the peer aborted it."""


def _item(kind: int, body: bytes) -> bytes:
    return struct.pack(">BBH", kind, 0, len(body)) + body


class Association:
    """An open association. `OSError` and `Refused` mean that nothing more is known."""

    def __init__(
        self,
        address: tuple[str, int],
        sop_classes: list[str],
        timeout: float = 60,
        *,
        over: socket.socket | None = None,
        calling: str = "SENDER",
        syntax: str = EXPLICIT_LITTLE,
    ):
        """`over`: a connection that is open already, perhaps from another address or over TLS."""
        self.contexts = {uid: 2 * n + 1 for n, uid in enumerate(sop_classes)}
        self.message = 0
        self.socket = over or socket.create_connection(address, timeout)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        body = struct.pack(">HH16s16s32x", 1, 0, b"SHEATHLINE".ljust(16), calling.encode().ljust(16))
        body += _item(0x10, b"1.2.840.10008.3.1.1.1")
        for uid, number in self.contexts.items():
            syntaxes = _item(0x30, uid.encode()) + _item(0x40, syntax.encode())
            body += _item(0x20, bytes([number, 0, 0, 0]) + syntaxes)
        user = _item(0x51, struct.pack(">I", 16384)) + _item(0x52, b"2.25.3")
        self._send(1, body + _item(0x50, user))
        kind, _ = self._receive()
        if kind != 2:
            raise Refused(f"PDU type {kind} answers the request")

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.socket.close()

    def _send(self, kind: int, body: bytes) -> None:
        self.socket.sendall(struct.pack(">BBI", kind, 0, len(body)) + body)

    def _exactly(self, count: int) -> bytes:
        taken = b""
        while len(taken) < count:
            more = self.socket.recv(count - len(taken))
            if not more:
                raise ConnectionError("the peer closed the connection")
            taken += more
        return taken

    def _receive(self) -> tuple[int, bytes]:
        kind, length = struct.unpack(">BxI", self._exactly(6))
        return kind, self._exactly(length)

    def store(self, one: Report) -> int:
        """Sends it and returns the status that came back (PS3.7 annex C)."""
        self.begin(one)
        self.go_on(one, one.data_set, True)
        return self.status()

    def begin(self, one: Report) -> None:
        """The command of a C-STORE."""
        self.message = self.message % 65535 + 1

        def element(number: int, value: bytes) -> bytes:
            value += b"\0" * (len(value) % 2)
            return struct.pack("<HHI", 0, number, len(value)) + value

        command = (
            element(0x0002, one.sop_class.encode())
            + element(0x0100, struct.pack("<H", 0x0001))
            + element(0x0110, struct.pack("<H", self.message))
            + element(0x0700, struct.pack("<H", 0))
            + element(0x0800, struct.pack("<H", 0))
            + element(0x1000, one.uid.encode())
        )
        command = element(0x0000, struct.pack("<I", len(command))) + command
        context = self.contexts[one.sop_class]
        self._send(4, struct.pack(">IBB", len(command) + 2, context, 3) + command)

    def go_on(self, one: Report, part: bytes, is_last: bool) -> None:
        """Some of the data set, in PDUs that the daemon takes."""
        context = self.contexts[one.sop_class]
        pieces = [part[at : at + FRAGMENT] for at in range(0, len(part), FRAGMENT)] or [b""]
        for number, piece in enumerate(pieces, 1):
            header = 2 if is_last and number == len(pieces) else 0
            self._send(4, struct.pack(">IBB", len(piece) + 2, context, header) + piece)

    def status(self) -> int:
        kind, body = self._receive()
        if kind != 4:
            raise Refused(f"PDU type {kind} answers a C-STORE")
        return _status(body[6:])

    def release(self) -> None:
        self._send(5, bytes(4))
        self._receive()
        self.socket.close()


def _status(command: bytes) -> int:
    at = 0
    while at < len(command):
        group, number, length = struct.unpack_from("<HHI", command, at)
        if (group, number) == (0, 0x0900):
            return struct.unpack_from("<H", command, at + 8)[0]
        at += 8 + length
    raise Refused("an answer without a status")
