"""Peers at their limits beside one honest sender, at every port.

    crowd.py BINARY [--long] [--seed N] [--self-test]

Several peers, each with an address of its own, take all they can get and give nothing up: idle and
trickling connections, associations, handshakes that stall, large objects that never end, answers that are never
read, bodies of empty parts, deflate bombs. What the daemon closes they open again. Beside them one
sender connects anew for each object, message or question, and must be answered with success within a
second, at each port. The slowest answer is told, and the highest memory.

Everything goes over the loopback network, of which Linux has all addresses 127.0.0.0/8.
"""

import http.client
import multiprocessing
import os
import selectors
import signal
import socket
import ssl
import struct
import subprocess
import sys
import threading
import time
import zlib
from dataclasses import dataclass, replace
from pathlib import Path

from harness import Broken, Ended, Site, arguments, end, noticed
from sender import Association, Refused, Report, report

# What only being held up can miss: an answer takes some milliseconds.
WITHIN_S = 1.0
HONEST = "127.0.9.9"
DEFLATED = "1.2.840.10008.1.2.1.99"
# In all, however quickly the daemon closes; and again at a time, since this is no test of its speed.
OPENED_AT_MOST = 3000
AGAIN, ROUND_S = 2, 0.1
# Memory that all of it may take: the pools of the DICOM and the HTTP ports, of 256 MiB each, an object
# that is decoded, and what is small. A bomb that is decoded many times at once takes gigabytes.
MEMORY_MB = 2 * 256 + 192 + 128

MORE = """\
[[receive.dicom.sender]]
ae_title = "STRICT"
malformed = "refuse"
[receive.dicom.tls]
listen = "127.0.0.1:0"
certificate = "server.pem"
key = "server.key"
client_certificate = "off"
[receive.hl7]
listen = "127.0.0.1:0"
default_issuer = "HOME"
[receive.web]
listen = "127.0.0.1:0"
[receive.web.tls]
listen = "127.0.0.1:0"
certificate = "server.pem"
key = "server.key"
client_certificate = "off"
"""

# The beginning of a ClientHello (RFC 8446 5.1).
HELLO = bytes([0x16, 3, 1, 2, 0, 1, 0, 1, 0xFC])
BOUNDARY = b"e"
KIND = 'multipart/related; type="application/dicom"; boundary=e'


def head(path: str, length: int) -> bytes:
    return f"POST {path} HTTP/1.1\r\nHost: a\r\nContent-Type: {KIND}\r\nContent-Length: {length}\r\n\r\n".encode()


def body(*parts: bytes) -> bytes:
    return b"".join(b"--e\r\n\r\n" + part + b"\r\n" for part in parts) + b"--e--"


class Ports:
    """Where the daemon listens, by name."""

    def __init__(self, site: Site):
        site.config.write_text(
            site.config.read_text().replace("[observe]\n", '[observe]\nlisten = "127.0.0.1:0"\n') + MORE
        )
        command = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=server", "-days", "2"]
        command += ["-keyout", "server.key", "-out", "server.pem"]
        subprocess.run(command, cwd=site.folder, check=True, capture_output=True)
        self.daemon = site.serve()
        names = {"listening": "dicom", "hl7-listening": "hl7", "web-listening": "web", "observe-listening": "health"}
        self.of: dict[str, tuple[str, int]] = {}
        start = time.monotonic()
        while len(self.of) < 6:
            if time.monotonic() - start > 30:
                raise Broken(f"only {sorted(self.of)} are open")
            for event in self.daemon.events():
                if name := names.get(event.get("code")):
                    host, _, port = event["address"].rpartition(":")
                    self.of[name + ("-tls" if event.get("tls") else "")] = (host, int(port))
            time.sleep(0.01)
        self.tls = ssl.create_default_context()
        self.tls.check_hostname, self.tls.verify_mode = False, ssl.CERT_NONE


def connect(source: str, address, timeout: float = 10) -> socket.socket:
    return socket.create_connection(address, timeout, (source, 0))


# The honest sender: one new connection, one success.


def ask_dicom(ports: Ports, source: str, name: str, number: int) -> None:
    over = connect(source, ports.of[name])
    if name.endswith("tls"):
        over = ports.tls.wrap_socket(over)
    # Reports without sheath values, so that the time is not that of results.
    one = report(number * 10 + 1)
    with Association(None, [one.sop_class], over=over) as peer:
        if status := peer.store(one):
            raise Broken(f"C-STORE is answered {status:04X}H")
        peer.release()


def ask_hl7(ports: Ports, source: str, name: str, number: int) -> None:
    message = (
        f"MSH|^~\\&|ADT|HOME|SHEATHLINE||20260101||ADT^A40^ADT_A39|M{number}|P|2.5.1\rEVN||20260101\r"
        f"PID|||A{number}\rMRG|B{number}\r"
    )
    with connect(source, ports.of[name]) as peer:
        peer.sendall(b"\x0b" + message.encode() + b"\x1c\r")
        got = b""
        while not got.endswith(b"\x1c\r"):
            more = peer.recv(4096)
            if not more:
                raise Broken("closed without an answer")
            got += more
    if b"MSA|AA|" not in got:
        raise Broken(f"answered {got!r}")


def ask_web(ports: Ports, source: str, name: str, number: int) -> None:
    sent = body(report(number * 10 + 2).file)
    kind = http.client.HTTPConnection if name == "web" else http.client.HTTPSConnection
    more = {} if name == "web" else {"context": ports.tls}
    peer = kind(*ports.of[name], timeout=10, source_address=(source, 0), **more)
    peer.request("POST", "/studies", sent, {"Content-Type": KIND})
    answer = peer.getresponse()
    said = answer.read()
    peer.close()
    if answer.status != 200:
        raise Broken(f"answered {answer.status} {said[:100]!r}")


def ask_health(ports: Ports, source: str, name: str, number: int) -> None:
    peer = http.client.HTTPConnection(*ports.of[name], timeout=10, source_address=(source, 0))
    peer.request("GET", "/livez")
    answer = peer.getresponse()
    answer.read()
    peer.close()
    if answer.status != 200:
        raise Broken(f"answered {answer.status}")


ASK = {
    "dicom": ask_dicom,
    "dicom-tls": ask_dicom,
    "hl7": ask_hl7,
    "web": ask_web,
    "web-tls": ask_web,
    "health": ask_health,
}


# The others. Each yields what is to be sent next over a connection of its own; `None` waits a while.


def silent(ports, name, source):
    yield None


def trickling(ports, name, source):
    """A byte now and then of what may stand there."""
    begin = {"dicom": b"\1\0\0\0\0\x80" + bytes(200), "hl7": b"\x0bMSH" + b"|" * 200}.get(
        name.removesuffix("-tls"), b"POST /studies HTTP/1.1\r\nA: " + b"a" * 200
    )
    for byte in HELLO + bytes(200) if name.endswith("tls") else begin:
        yield bytes([byte])
        yield None


def stalling(ports, name, source):
    yield HELLO


def unread(ports, name, source):
    """Questions without end, of which no answer is read."""
    path = "/metrics" if name == "health" else "/"
    while True:
        yield f"GET {path} HTTP/1.1\r\nHost: a\r\n\r\n".encode() * 100


def endless_body(ports, name, source):
    """63 MiB of an object at once, then two bytes at a time."""
    yield head("/studies", 64 << 20) + b"--e\r\n\r\n"
    for _ in range(63):
        yield bytes(1 << 20)
    while True:
        yield b"ab"
        yield None


def empty_parts(ports, name, source):
    whole = body(*[b""] * 300_000)
    yield head("/studies", len(whole)) + whole


def bomb() -> bytes:
    """64 MiB of blanks in 764 kB at least: text, then a stream that cannot be made smaller."""
    deflate = zlib.compressobj(9, zlib.DEFLATED, -15)
    data = struct.pack("<HH2sHI", 0x0040, 0xA160, b"UT", 0, 60 << 20) + b" " * (60 << 20)
    data += struct.pack("<HH2sHI", 0x0042, 0x0011, b"OB", 0, 700_000) + os.urandom(700_000)
    return deflate.compress(data) + deflate.flush()


def bomb_file(data: bytes, one: Report) -> bytes:
    """The same as a file that names its object (PS3.10 7.1)."""

    def element(number: int, vr: bytes, value: bytes) -> bytes:
        value += b"\0" * (len(value) % 2)
        return struct.pack("<HH2sH", 2, number, vr, len(value)) + value

    meta = element(2, b"UI", one.sop_class.encode()) + element(3, b"UI", one.uid.encode())
    meta += element(0x10, b"UI", DEFLATED.encode())
    return bytes(128) + b"DICM" + element(0, b"UL", struct.pack("<I", len(meta))) + meta + data


@dataclass
class Attack:
    """Connections that one peer keeps open at one port."""

    ports: Ports
    name: str
    source: str
    shape: object
    count: int

    def run(self, stop: threading.Event) -> None:
        """Opens again what is closed, until told to stop; all of it in one thread, never waiting for a peer."""
        opened, held, next_round = 0, {}, 0.0
        chooser = selectors.DefaultSelector()
        while not stop.is_set():
            now = time.monotonic()
            room = max(AGAIN, 20 if opened < self.count else 0) if now >= next_round else 0
            while room and len(held) < self.count and opened < OPENED_AT_MOST:
                next_round = now + ROUND_S
                opened, room = opened + 1, room - 1
                try:
                    peer = socket.socket()
                    peer.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
                    peer.bind((self.source, 0))
                    peer.settimeout(2)
                    peer.connect(self.ports.of[self.name])
                except OSError:
                    peer.close()
                    break
                peer.setblocking(False)
                held[peer] = [self.shape(self.ports, self.name, self.source), b"", now]
                if self.shape is not unread:
                    chooser.register(peer, selectors.EVENT_READ)
            for key, _ in chooser.select(0):
                # What it says matters to nobody, only that it ended.
                if not alive(key.fileobj):
                    chooser.unregister(key.fileobj)
                    key.fileobj.close()
                    del held[key.fileobj]
            for peer, state in list(held.items()):
                if not push(peer, state, now):
                    if self.shape is not unread:
                        chooser.unregister(peer)
                    peer.close()
                    del held[peer]
            time.sleep(0.01)
        for peer in held:
            peer.close()


def alive(peer: socket.socket) -> bool:
    try:
        return bool(peer.recv(1 << 16))
    except BlockingIOError:
        return True
    except OSError:
        return False


def push(peer: socket.socket, state: list, now: float) -> bool:
    """Sends as much as goes; whether the connection lives."""
    shape, rest, due = state
    try:
        for _ in range(64):
            if not rest:
                if now < due:
                    return True
                more = next(shape, None)
                if more is None:
                    # Less than the two seconds after which a connection is quiet.
                    state[2] = now + 0.5
                    return True
                state[1] = rest = more
            sent = peer.send(rest)
            state[1] = rest = rest[sent:]
    except BlockingIOError:
        pass
    except OSError:
        return False
    return True


@dataclass
class Associations:
    """Associations at their limit, idle, or each with an object that does not end, or sending bombs."""

    ports: Ports
    source: str
    count: int
    each: str
    data: bytes = b""

    def run(self, stop: threading.Event) -> None:
        threads = [threading.Thread(target=self.one, args=(stop, number), daemon=True) for number in range(self.count)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()

    def one(self, stop: threading.Event, number: int) -> None:
        one = report(number)
        syntax = {"syntax": DEFLATED, "calling": "STRICT"} if self.each == "bombs" else {}
        for _ in range(OPENED_AT_MOST // 100):
            if stop.is_set():
                return
            try:
                over = connect(self.source, self.ports.of["dicom"])
                with Association(None, [one.sop_class], over=over, **syntax) as peer:
                    self.go(peer, one, stop)
            except (OSError, Refused):
                stop.wait(0.1)

    def go(self, peer: Association, one: Report, stop: threading.Event) -> None:
        if self.each == "bombs":
            while not stop.is_set():
                peer.store(replace(one, data_set=self.data))
        if self.each == "endless":
            peer.begin(one)
            for _ in range(63):
                if stop.is_set():
                    return
                peer.go_on(one, bytes(1 << 20), False)
        while not stop.wait(0.5):
            if self.each == "endless":
                peer.go_on(one, b"ab", False)
            elif not alive_blocking(peer.socket):
                return


def alive_blocking(peer: socket.socket) -> bool:
    peer.settimeout(0.01)
    try:
        return bool(peer.recv(1))
    except TimeoutError:
        return True


@dataclass
class WebBombs:
    """Bombs over HTTP into a study, so that each has to be read before it is refused."""

    ports: Ports
    source: str
    data: bytes
    count: int

    def run(self, stop: threading.Event) -> None:
        threads = [threading.Thread(target=self.one, args=(stop,), daemon=True) for _ in range(self.count)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()

    def one(self, stop: threading.Event) -> None:
        while not stop.is_set():
            try:
                peer = http.client.HTTPConnection(
                    *self.ports.of["web"], timeout=60, source_address=(self.source, 0)
                )
                peer.request("POST", "/studies/1.2.3", self.data, {"Content-Type": KIND})
                peer.getresponse().read()
                peer.close()
            except (OSError, http.client.HTTPException):
                stop.wait(0.1)


def peak_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in status if line.startswith("VmHWM:"))


def all_of(attacks: list, stop) -> None:
    """What one peer does, until told to stop."""
    threads = [threading.Thread(target=one.run, args=(stop,), daemon=True) for one in attacks]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


class Beside:
    """Asks at each port while others do what they do."""

    def __init__(self, ports: Ports, honest: str = HONEST):
        self.ports, self.honest, self.number, self.slowest = ports, honest, 0, 0.0

    def ask(self, what: str, names, times: int) -> list[str]:
        problems = []
        for name in names:
            slowest, found = self.some(name, times)
            print(f"crowd: beside {what}: {name}: slowest answer {slowest * 1000:.0f} ms", flush=True)
            if slowest > WITHIN_S and not found:
                # Once more: a machine that does much else is late at times, a port that is blocked always.
                slowest, found = self.some(name, times)
                print(f"crowd: beside {what}: {name}: once more {slowest * 1000:.0f} ms", flush=True)
            self.slowest = max(self.slowest, slowest)
            if slowest > WITHIN_S:
                found.append(f"an answer took {slowest:.1f} s")
            problems += [f"{what}: {name}: {problem}" for problem in found]
        return problems

    def some(self, name: str, times: int) -> tuple[float, list[str]]:
        """Asks so often; the slowest answer, and what was no success."""
        slowest, problems = 0.0, []
        for _ in range(times):
            self.number += 1
            start = time.monotonic()
            try:
                ASK[name](self.ports, self.honest, name, self.number)
            except (OSError, Refused, Broken, http.client.HTTPException) as error:
                events = self.ports.daemon.events()
                said = [event.get("code") for event in events if event.get("peer") == self.honest][-3:]
                problems.append(f"{type(error).__name__}: {error}; the log says last {said}")
            slowest = max(slowest, time.monotonic() - start)
            time.sleep(0.02)
        return slowest, problems

    def beside(self, what: str, attacks: list, names, times: int, before: float = 1.0) -> list[str]:
        # Processes of their own, or the sender would wait for them in this one.
        context = multiprocessing.get_context("fork")
        stop = context.Event()
        sources = sorted({one.source for one in attacks})
        others = [
            context.Process(target=all_of, args=([one for one in attacks if one.source == source], stop))
            for source in sources
        ]
        for other in others:
            other.start()
        time.sleep(before)
        problems = self.ask(what, names, times)
        stop.set()
        for other in others:
            other.join(5)
            other.kill()
            other.join()
        time.sleep(0.3)
        if not self.ports.daemon.is_alive():
            raise Broken(f"{what}: the daemon ended")
        return problems


# More than the daemon lets one have.
COUNTS = {"dicom": 180, "dicom-tls": 180, "hl7": 20, "web": 40, "web-tls": 40, "health": 20}


def crowd(options, peers: list[str], times: int) -> list[str]:
    problems = []
    data = bomb()
    file = body(bomb_file(data, report(0)))
    with Site(options.binary) as site:
        ports = Ports(site)
        beside = Beside(ports)
        problems += beside.ask("nobody", ASK, times)

        def everywhere(shape, names):
            return [Attack(ports, name, source, shape, COUNTS[name]) for name in names for source in peers]

        tls = [name for name in ASK if name.endswith("tls")]
        web = ["web", "health"]
        for what, shape, names, seconds in [
            ("silent connections", silent, list(ASK), 1.5),
            ("a byte at a time", trickling, list(ASK), 1.5),
            ("stalled handshakes", stalling, tls, 1.5),
            ("answers never read", unread, web, 2.0),
            ("bodies of empty parts", empty_parts, ["web"], 2.0),
        ]:
            problems += beside.beside(what, everywhere(shape, names), names, times, seconds)
        associations = [Associations(ports, source, 50, "idle") for source in peers]
        problems += beside.beside("idle associations", associations, ["dicom", "dicom-tls"], times, 3.0)
        large = [Associations(ports, source, 1, "endless") for source in peers]
        problems += beside.beside("objects of 63 MiB without end", large, ["dicom", "dicom-tls"], times, 4.0)
        large = [Attack(ports, "web", source, endless_body, 1) for source in peers]
        problems += beside.beside("bodies of 63 MiB without end", large, ["web", "web-tls"], times, 4.0)
        bombs = [Associations(ports, source, 20, "bombs", data) for source in peers]
        problems += beside.beside("deflate bombs by C-STORE", bombs, ["dicom", "dicom-tls"], times, 3.0)
        bombs = [WebBombs(ports, source, file, 6) for source in peers]
        problems += beside.beside("deflate bombs by STOW-RS", bombs, ["web", "web-tls"], times, 3.0)
        peak = peak_mb(ports.daemon.pid)
        log = ports.daemon.log.stat().st_size / 1e6
        print(
            f"crowd: {len(peers)} peers: slowest answer of all {beside.slowest * 1000:.0f} ms, "
            f"{peak:.0f} MB at most, {log:.1f} MB of log",
            flush=True,
        )
        if peak > MEMORY_MB:
            problems.append(f"{peak:.0f} MB of memory")
        ports.daemon.stop()
    return problems


def self_test(options) -> list[str]:
    """A sender that is one of the crowd has no place of its own; a daemon that stands still answers nobody."""
    problems = []
    with Site(options.binary) as site:
        ports = Ports(site)
        for name in ASK:
            attack = Attack(ports, name, HONEST, trickling, COUNTS[name])
            found = Beside(ports).beside("a crowd at its own address", [attack], [name], 5, 1.5)
            problems += noticed("crowd", f"a sender without a place, {name}", found)
        asked = threading.Event()
        freezer = threading.Thread(target=freeze, args=(ports.daemon.pid, asked))
        freezer.start()
        time.sleep(0.1)
        found = Beside(ports).ask("a daemon that stands still", ["health"], 3)
        asked.set()
        freezer.join()
        problems += noticed("crowd", "slow answers", found)
    return problems


def freeze(pid: int, asked: threading.Event) -> None:
    """Lets the daemon run for a twentieth of its time."""
    while not asked.is_set():
        os.kill(pid, signal.SIGSTOP)
        asked.wait(WITHIN_S + 0.5)
        os.kill(pid, signal.SIGCONT)
        time.sleep(0.05)


def main() -> int:
    options = arguments(__doc__)
    print(f"crowd: seed {options.seed} (nothing is drawn)")
    try:
        if options.self_test:
            problems = self_test(options)
        else:
            peers = [f"127.0.1.{n + 1}" for n in range(12 if options.long else 5)]
            problems = crowd(options, peers, 50 if options.long else 10)
    except (Broken, Ended) as error:
        problems = [str(error)]
    print(f"crowd: {len(problems)} problems")
    return end("crowd", problems)


if __name__ == "__main__":
    sys.exit(main())
