"""The balancer before several daemons."""

import socket
import subprocess
from pathlib import Path

from database import free_port
from harness import Broken, until

BALANCER = """\
global
    maxconn 2000
defaults
    mode tcp
    timeout connect 2s
    timeout client 10m
    timeout server 10m
frontend senders
    bind 127.0.0.1:{port}
    default_backend daemons
backend daemons
    balance leastconn
    option httpchk GET /readyz
    http-check expect status 200
    default-server check inter 200ms fall 1 rise 1
"""


class Balancer:
    """HAProxy before daemons, each given by the ports of DICOM and of its health."""

    def __init__(self, folder: Path, ports: list[tuple[int, int]]):
        self.address = ("127.0.0.1", free_port())
        lines = [
            f"    server daemon{number} 127.0.0.1:{dicom} check port {health}\n"
            for number, (dicom, health) in enumerate(ports)
        ]
        config = folder / "balancer.cfg"
        config.write_text(BALANCER.format(port=self.address[1]) + "".join(lines))
        self.log = open(folder / "balancer.log", "wb")
        self.process = subprocess.Popen(["haproxy", "-db", "-f", config], stdout=self.log, stderr=self.log)
        until("the balancer", self._answers)

    def _answers(self) -> bool:
        if self.process.poll() is not None:
            raise Broken(f"the balancer ended: {Path(self.log.name).read_text()}")
        try:
            socket.create_connection(self.address, 1).close()
            return True
        except OSError:
            return False

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        self.log.close()
