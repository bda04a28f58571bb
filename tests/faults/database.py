"""A PostgreSQL of a harness's own, with what can happen to one; and the balancer before several daemons."""

import os
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from pathlib import Path

import psycopg
from harness import Broken, until

# Where Debian keeps the programs of the server, which are in no path.
PROGRAMS = sorted(Path("/usr/lib/postgresql").glob("*/bin"))
ROLE = "sheathline"


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


class Database:
    """A server with one empty database. `durable`: its syncs are real."""

    def __init__(self, parent: Path | None = None, durable: bool = False):
        if not PROGRAMS:
            raise Broken("no PostgreSQL is installed: .ci/setup does that")
        self.folder = Path(tempfile.mkdtemp(prefix="database-", dir=parent))
        self.data, self.port = self.folder / "data", free_port()
        # The server refuses to run as root.
        self.under = []
        if os.geteuid() == 0:
            shutil.chown(self.folder, "nobody", "nogroup")
            self.under = ["setpriv", "--reuid=nobody", "--regid=nogroup", "--clear-groups"]
        self._run("initdb", "-D", self.data, "-U", ROLE, "-A", "trust", "-E", "UTF8", "--locale=C", "-N")
        settings = {
            "port": self.port,
            "listen_addresses": "'127.0.0.1'",
            "unix_socket_directories": "''",
            "fsync": "on" if durable else "off",
            "max_connections": 200,
            "log_min_messages": "warning",
        }
        with open(self.data / "postgresql.conf", "a") as out:
            out.writelines(f"{name} = {value}\n" for name, value in settings.items())
        self.start()
        self.ask(f"create database {ROLE}", "postgres")

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.thaw()
        self.stop()
        shutil.rmtree(self.folder, ignore_errors=True)

    def _run(self, program: str, *arguments) -> str:
        command = [*self.under, PROGRAMS[-1] / program, *map(str, arguments)]
        # The server it starts keeps what it inherits open: nothing is read from a pipe.
        with open(self.folder / "said", "w+b") as out:
            done = subprocess.run(command, stdout=out, stderr=out, cwd="/", stdin=subprocess.DEVNULL)
            out.seek(0)
            text = out.read().decode(errors="replace")
        if done.returncode != 0:
            raise Broken(f"{program} ended with {done.returncode}: {text}")
        return text

    @property
    def url(self) -> str:
        return f"postgresql://{ROLE}@127.0.0.1:{self.port}/{ROLE}"

    def start(self) -> None:
        self._run("pg_ctl", "start", "-w", "-t", 60, "-D", self.data, "-l", self.folder / "log")

    def stop(self, how: str = "immediate") -> None:
        if (self.data / "postmaster.pid").exists():
            self._run("pg_ctl", "stop", "-w", "-t", 60, "-m", how, "-D", self.data)

    def crash(self) -> None:
        """As after a power cut of the server's machine: it recovers from its log."""
        self.stop()
        self.start()

    def pids(self) -> list[int]:
        """The server and its children."""
        first = int((self.data / "postmaster.pid").read_text().split()[0])
        children = Path(f"/proc/{first}/task/{first}/children").read_text().split()
        return [first, *map(int, children)]

    def freeze(self) -> None:
        for pid in self.pids():
            os.kill(pid, signal.SIGSTOP)

    def thaw(self) -> None:
        try:
            for pid in self.pids():
                os.kill(pid, signal.SIGCONT)
        except (OSError, ValueError):
            pass  # it does not run

    def connect(self, database: str = ROLE) -> psycopg.Connection:
        address = {"host": "127.0.0.1", "port": self.port, "user": ROLE, "dbname": database}
        return psycopg.connect(**address, autocommit=True, connect_timeout=10)

    def ask(self, sql: str, database: str = ROLE) -> list[tuple]:
        with self.connect(database) as base:
            answer = base.execute(sql)
            return answer.fetchall() if answer.description else []

    def end_connections(self) -> int:
        """Ends every connection but this one, at whatever it is doing."""
        of_others = "datname = current_database() and pid <> pg_backend_pid()"
        return len(self.ask(f"select pg_terminate_backend(pid) from pg_stat_activity where {of_others}"))


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


if __name__ == "__main__":
    with Database() as one:
        start = time.monotonic()
        one.crash()
        print(one.ask("select version()"), f"{time.monotonic() - start:.1f} s for a crash and a start")
