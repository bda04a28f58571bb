"""What costs more than its size: each load twice as large must cost about twice as much, not four times.

    doubling.py BINARY [--long] [--seed N] [--self-test] [--only NAME]

Measures the processor time of the daemon, which a busy machine changes less than the time that passes,
and compares sizes within one run. For each load a size is doubled; the ratio that counts is the one of the
last doubling. More than 2.3 is told, if it is so in the median of three runs as well.

    parts     parts of one multipart body (STOW-RS), all of them the same object
    ids       ids that go into one person, a hundred a message of HL7
    chain     ids of one person that many messages make, each merging an id into the next one
    exams     exams of one patient: the oldest one comes last, so that all others change
    refusals  associations refused to one peer

The self-test sends as many refusals as the square of the size, which must be told, and as many as the
size, which must not.
"""

import http.client
import os
import socket
import statistics
import sys
import time
from pathlib import Path

import harness
from harness import Broken, Daemon, Ended, Site, arguments, end, noticed, send, until
from sender import _PATIENT, _STUDY, _UID, Report, _pattern

MOST = 2.3
RUNS = 3
MORE = """\
listen = "127.0.0.1:0"
audit = "audit.xml"
[receive.web]
listen = "127.0.0.1:0"
[receive.hl7]
listen = "127.0.0.1:0"
"""


def seconds(daemon: Daemon) -> float:
    """Processor time of all its threads, also of those that have ended."""
    fields = Path(f"/proc/{daemon.pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


class Fresh(Site):
    """A site with every port, and a daemon that has come to rest."""

    def __enter__(self):
        self.config.write_text(self.config.read_text() + MORE)
        self.daemon = self.serve()
        self.ports = {code: self.port(code) for code in ("web-listening", "hl7-listening")}
        return self

    def port(self, code: str) -> tuple[str, int]:
        until(code, lambda: self.daemon.said(code))
        address = next(event["address"] for event in self.daemon.events() if event.get("code") == code)
        host, _, port = address.rpartition(":")
        return host, int(port)

    def rest(self) -> float:
        """Waits until nothing is left to do; the processor time so far."""
        until("all to be in results", self.is_drained, harness.PATIENCE * 6)
        last = -1.0
        while (now := seconds(self.daemon)) - last > 0.02:
            last = now
            time.sleep(0.6)
        until("all to be in results", self.is_drained, harness.PATIENCE * 6)
        return now


def acknowledged(peer: socket.socket, text: str) -> str:
    """The acknowledgement of an HL7 message over MLLP: MSA-1."""
    peer.sendall(b"\x0b" + text.encode() + b"\x1c\r")
    answer = b""
    while not answer.endswith(b"\x1c\r"):
        piece = peer.recv(65536)
        if not piece:
            raise Broken("no acknowledgement")
        answer += piece
    return answer.decode().partition("MSA|")[2][:2]


def merge(number: int, goes: list[str], survives: str) -> str:
    ids = "~".join(f"{one}^^^HOUSE" for one in goes)
    return (
        f"MSH|^~\\&|A|B|||20260101000000+0000||ADT^A40^ADT_A39|{number}|P|2.5.1\r"
        f"EVN||20260101000000+0000\rPID|||{survives}^^^HOUSE\rMRG|{ids}\r"
    )


def merges(site: Fresh, pairs: list[tuple[list[str], str]]) -> float:
    with socket.create_connection(site.ports["hl7-listening"], 120) as peer:
        for number, (goes, survives) in enumerate(pairs):
            if (code := acknowledged(peer, merge(number, goes, survives))) != "AA":
                raise Broken(f"a merge was answered {code}")
    return site.rest()


def ids(site: Fresh, size: int) -> float:
    all_ids = [f"A{number}" for number in range(size)]
    return merges(site, [(all_ids[at : at + 100], "END") for at in range(0, size, 100)])


def chain(site: Fresh, size: int) -> float:
    return merges(site, [([f"C{number}"], f"C{number + 1}") for number in range(size)])


def parts(site: Fresh, size: int) -> float:
    one = b"--x\r\nContent-Type: application/dicom\r\n\r\n" + exam(0).file + b"\r\n"
    body = one * size + b"--x--\r\n"
    peer = http.client.HTTPConnection(*site.ports["web-listening"], timeout=300)
    kind = 'multipart/related; type="application/dicom"; boundary=x'
    peer.request("POST", "/studies", body, {"Content-Type": kind})
    answer = peer.getresponse()
    answer.read()
    if answer.status != 200:
        raise Broken(f"the parts were answered {answer.status}")
    return site.rest()


def exam(number: int) -> Report:
    """One of a patient's exams, a week after the one before, all alike."""
    sop_class, bare, whole = _pattern(True, 0)
    day = time.strftime("%Y%m%d", time.gmtime(1_300_000_000 + number * 7 * 86_400))
    changes = [
        (_UID, f"2.25.{3_000_000 + number:014d}"),
        (_STUDY, f"2.25.{4_000_000 + number:014d}"),
        (_PATIENT, "K-000001"),
        ("20210301", day),
    ]
    for old, new in changes:
        assert len(old) == len(new), (old, new)
        bare, whole = bare.replace(old.encode(), new.encode()), whole.replace(old.encode(), new.encode())
    return Report(changes[0][1], sop_class, True, bare, whole, False)


def exams(site: Fresh, size: int) -> float:
    later = [exam(number) for number in range(1, size)]
    if any(send(site.daemon.address, later, 600).values()):
        raise Broken("an exam was refused")
    before = site.rest()
    send(site.daemon.address, [exam(0)], 600)
    return site.rest() - before


def refusals(site: Fresh, size: int) -> float:
    for _ in range(size):
        with socket.create_connection(site.daemon.address, 60) as peer:
            peer.sendall(b"GET / HTTP/1.1\r\n\r\n")
            while peer.recv(100):
                pass
    return site.rest()


def square_of_refusals(site: Fresh, size: int) -> float:
    return refusals(site, size * size // 1_000)


# Name, what is done, smallest and largest size in the quick form and in the long one.
LOADS = [
    ("parts", parts, (2_000, 4_000), (1_000, 8_000)),
    ("ids", ids, (4_000, 8_000), (2_000, 16_000)),
    ("chain", chain, (1_000, 2_000), (500, 4_000)),
    ("exams", exams, (100, 200), (100, 800)),
    ("refusals", refusals, (2_000, 4_000), (2_000, 16_000)),
]


def cost(options, load, size: int) -> float:
    with Fresh(options.binary, harness.MEMORY) as site:
        idle = 0.0 if load is exams else site.rest()
        took = load(site, size) - idle
        site.daemon.stop()
    # One tick is the least that can be told.
    return max(took, 0.01)


def ratios(options, name: str, among: list[int], load) -> list[str]:
    """Problems, if the last doubling costs too much."""
    found = []
    # One run that is good enough is; a bad one may have been the machine's.
    while not found or (len(found) < RUNS and found[0] > MOST):
        costs = [cost(options, load, size) for size in among]
        found.append(costs[-1] / costs[-2])
        told = ", ".join(f"{size}: {one:.2f} s" for size, one in zip(among, costs))
        print(f"doubling: {name}: {told}; the last doubling costs {found[-1]:.2f} times", flush=True)
    ratio = statistics.median(found)
    return [f"{name}: twice as many cost {ratio:.2f} times"] if ratio > MOST else []


def sizes(least: int, most: int) -> list[int]:
    found = [least]
    while found[-1] < most:
        found.append(found[-1] * 2)
    return found


def self_test(options) -> list[str]:
    # So many that the ticks of the clock and what goes on beside them are small.
    among = [2_000, 4_000]
    square = ratios(options, "square", among, square_of_refusals)
    return noticed("doubling", "a planted square", square) + ratios(options, "linear", among, refusals)


def main() -> int:
    options = arguments(__doc__, lambda parser: parser.add_argument("--only"))
    print(f"doubling: seed {options.seed} (nothing is drawn)")
    if options.self_test:
        return end("doubling", self_test(options))
    problems = []
    for name, load, quick, long in LOADS:
        if options.only in (None, name):
            try:
                among = sizes(*(long if options.long else quick))
                problems += ratios(options, name, among, load)
            except (Broken, Ended) as error:
                problems.append(f"{name}: {error}")
    return end("doubling", problems)


if __name__ == "__main__":
    sys.exit(main())
