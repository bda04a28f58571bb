"""The shipped configuration of HAProxy before two daemons: who connects is known, and a dead one is left out.

    python tests/python/check_balancer.py target/debug/sheathline [--without-proxy]

With `--without-proxy` the daemons do not know the balancer, and everything must be refused: what this
check would otherwise not notice.
"""

import pathlib
import re
import signal
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request

from pynetdicom import AE

ROOT = pathlib.Path(__file__).resolve().parents[2]
PROGRAM = pathlib.Path(sys.argv[1]).resolve()
KNOWS_IT = "--without-proxy" not in sys.argv
BALANCER = ROOT / "daemon/packaging/haproxy/haproxy.cfg"
ALLOWED, OTHER = "127.0.0.2", "127.0.0.3"
VERIFICATION = "1.2.840.10008.1.1"
PATIENCE = 60
MESSAGE = (
    "MSH|^~\\&|ADT|WARD|SHEATHLINE|US|20260301120000||ADT^A40|{}|P|2.5.1\r"
    "EVN|A40|20260301120000\rPID|||P-1^^^WARD\rMRG|P-2^^^WARD\r"
)


def free():
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


class Ports:
    """A free port for each one of the file, at each of its addresses."""

    def __init__(self):
        self.of = {}

    def __call__(self, address, port):
        return self.of.setdefault((address, port), free())


def daemon(folder, address, ports):
    folder.mkdir()
    proxy = 'proxy_from = ["127.0.0.1"]' if KNOWS_IT else ""
    listen = {port: f'"127.0.0.1:{ports(address, port)}"' for port in ("11112", "2575", "8443", "9464")}
    (folder / "site.toml").write_text(f"""
        [receive.dicom]
        listen = {listen["11112"]}
        addresses_allowed = ["{ALLOWED}"]
        {proxy}
        [receive.hl7]
        listen = {listen["2575"]}
        addresses_allowed = ["{ALLOWED}"]
        {proxy}
        [receive.web]
        listen = {listen["8443"]}
        addresses_allowed = ["{ALLOWED}"]
        {proxy}
        [store]
        path = "store.sqlite"
        [outbox]
        folder = "outbox"
        [observe]
        listen = {listen["9464"]}
    """)
    log = open(folder / "log", "wb")
    command = [PROGRAM, "serve", "--config", folder / "site.toml"]
    process = subprocess.Popen(command, stdout=log, stderr=subprocess.STDOUT)

    def is_ready():
        try:
            url = f"http://127.0.0.1:{ports(address, '9464')}/readyz"
            return urllib.request.urlopen(url, timeout=2).status == 200
        except OSError:
            return False

    until(f"the daemon in {folder.name}", is_ready)
    return process


def until(what, holds):
    end = time.monotonic() + PATIENCE
    while not holds():
        if time.monotonic() > end:
            sys.exit(f"waited too long for {what}")
        time.sleep(0.1)


def echo(port, source):
    """Whether an association from this address is accepted and an echo answered."""
    entity = AE("SENDER")
    entity.add_requested_context(VERIFICATION)
    entity.acse_timeout = entity.network_timeout = entity.dimse_timeout = 10
    association = entity.associate("127.0.0.1", port, ae_title="SHEATHLINE", bind_address=(source, 0))
    if not association.is_established:
        return False
    status = association.send_c_echo().Status
    association.release()
    return status == 0


def said(port, source, bytes_):
    """What comes back for these bytes until the peer ends or is quiet."""
    answer = b""
    try:
        with socket.create_connection(("127.0.0.1", port), 10, (source, 0)) as peer:
            peer.settimeout(5)
            peer.sendall(bytes_)
            while part := peer.recv(4096):
                answer += part
                if answer.endswith((b"\x1c\r", b"\r\n\r\n")):
                    break
    except OSError:
        pass
    return answer


def acknowledged(port, source, number):
    return b"\rMSA|A" in said(port, source, b"\x0b" + MESSAGE.format(number).encode() + b"\x1c\r")


def answered(port, source):
    asked = b"GET /studies HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n"
    return said(port, source, asked).startswith(b"HTTP/1.1 ")


def main():
    ports = Ports()
    if KNOWS_IT:
        subprocess.run(["haproxy", "-c", "-q", "-f", BALANCER], check=True)
    text = BALANCER.read_text()
    text = re.sub(r"(192\.0\.2\.\d+):(\d+)", lambda one: f"127.0.0.1:{ports(*one.groups())}", text)
    # The port of the checks is one for all servers there; here each has its own.
    for address in ("192.0.2.11", "192.0.2.12"):
        for port in ("11112", "2762", "2575", "8443", "8643"):
            own = f"127.0.0.1:{ports(address, port)}\n"
            text = text.replace(own, f"{own.strip()} port {ports(address, '9464')}\n")
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        daemons = [
            daemon(folder / host, f"192.0.2.{host}", ports) for host in ("11", "12")
        ]
        (folder / "haproxy.cfg").write_text(text)
        balancer = subprocess.Popen(["haproxy", "-db", "-f", folder / "haproxy.cfg"])
        try:
            work(ports, daemons, folder)
        finally:
            for process in [balancer, *daemons]:
                process.kill()
                process.wait()


def work(ports, daemons, folder):
    dicom, hl7, web = (ports("192.0.2.10", port) for port in ("11112", "2575", "8443"))
    if not KNOWS_IT:
        # The first header that the daemons cannot place ends the connection.
        time.sleep(5)
        found = [echo(dicom, ALLOWED), acknowledged(hl7, ALLOWED, 1), answered(web, ALLOWED)]
        assert found == [False, False, False], found
        print("without proxy_from nothing gets through: noticed")
        return
    until("the balancer", lambda: echo(dicom, ALLOWED))
    assert acknowledged(hl7, ALLOWED, 1) and answered(web, ALLOWED)
    # The address behind the balancer counts.
    assert not echo(dicom, OTHER)
    assert not acknowledged(hl7, OTHER, 2) and not answered(web, OTHER)
    # Whoever comes past the balancer from its address must say for whom.
    one = {port: ports("192.0.2.11", port) for port in ("11112", "2575", "8443")}
    assert not echo(one["11112"], "127.0.0.1")
    assert not acknowledged(one["2575"], "127.0.0.1", 3) and not answered(one["8443"], "127.0.0.1")
    # Both take their part: as many associations as each allows are held open.
    logs = [(folder / host / "log").read_text() for host in ("11", "12")]
    assert all(log.count("\n") for log in logs)
    # One dies without a word: new connections go to the other one.
    daemons[0].send_signal(signal.SIGKILL)
    daemons[0].wait()
    until("the dead one to be left out", lambda: all(echo(dicom, ALLOWED) for _ in range(4)))
    assert all(echo(dicom, ALLOWED) for _ in range(10))
    assert acknowledged(hl7, ALLOWED, 4) and answered(web, ALLOWED)
    print("two daemons behind HAProxy: addresses known, one dead and left out")


if __name__ == "__main__":
    main()
