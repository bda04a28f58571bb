"""A PostgreSQL of a harness's own, with what can happen to one."""

import os
import random
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from pathlib import Path

import psycopg
from harness import MEMORY, Broken, until

# Where Debian keeps the programs of the server, which are in no path.
PROGRAMS = sorted(Path("/usr/lib/postgresql").glob("*/bin"))
ROLE = "sheathline"


def free_port() -> int:
    """Of those that the system gives to nobody by itself, so that a daemon which is started again finds it."""
    dice = random.SystemRandom()
    while True:
        port = dice.randrange(20000, 32000)
        try:
            socket.create_server(("127.0.0.1", port)).close()
            return port
        except OSError:
            pass  # taken


class Database:
    """A server with one empty database. `durable`: its syncs are real; `tables`: where these lie."""

    def __init__(self, parent: Path | None = MEMORY, durable: bool = False, tables: Path | None = None):
        if not PROGRAMS:
            raise Broken("no PostgreSQL is installed: .ci/setup does that")
        self.folder = Path(tempfile.mkdtemp(prefix="database-", dir=parent))
        self.data, self.port = self.folder / "data", free_port()
        # The server refuses to run as root.
        self.under = []
        if os.geteuid() == 0:
            self._give(self.folder)
            self.under = ["setpriv", "--reuid=nobody", "--regid=nogroup", "--clear-groups"]
        self._run("initdb", "-D", self.data, "-U", ROLE, "-A", "trust", "-E", "UTF8", "--locale=C", "-N")
        settings = {
            "port": self.port,
            "listen_addresses": "'127.0.0.1'",
            "unix_socket_directories": "''",
            "fsync": "on" if durable else "off",
            "max_connections": 200,
            "shared_buffers": "32MB",
            "deadlock_timeout": "50ms",
            "log_min_messages": "warning",
        }
        with open(self.data / "postgresql.conf", "a") as out:
            out.writelines(f"{name} = {value}\n" for name, value in settings.items())
        self.start()
        self._where = ""
        if tables:
            self._give(tables)
            self.ask(f"create tablespace small location '{tables}'", "postgres")
            self._where = " tablespace small"
        self._make()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.thaw()
        self.stop()
        shutil.rmtree(self.folder, ignore_errors=True)

    def _make(self) -> None:
        self.ask(f"create database {ROLE}{self._where}", "postgres")

    def empty(self) -> None:
        """Nothing of what it held is there."""
        self.ask(f"drop database {ROLE} with (force)", "postgres")
        self._make()

    def _give(self, path: Path) -> None:
        if os.geteuid() == 0:
            shutil.chown(path, "nobody", "nogroup")

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
        return self.url_by(self.port)

    def url_by(self, port: int) -> str:
        """By a relay, say."""
        return f"postgresql://{ROLE}@127.0.0.1:{port}/{ROLE}"

    def start(self) -> None:
        self._run("pg_ctl", "start", "-w", "-t", 60, "-D", self.data, "-l", self.folder / "log")

    def stop(self, how: str = "immediate") -> None:
        if (self.data / "postmaster.pid").exists():
            self._run("pg_ctl", "stop", "-w", "-t", 60, "-m", how, "-D", self.data)

    def crash(self) -> None:
        """As after a power cut of the server's machine: it recovers from its log."""
        self.stop()
        self.start()

    def lose_a_child(self) -> None:
        """One of its processes is killed: it ends all others and recovers by itself."""
        pids = self.ask("select pid from pg_stat_activity where pid <> pg_backend_pid() and datname is not null")
        if pids:
            os.kill(random.choice(pids)[0], signal.SIGKILL)
        until("the server to take connections again", self.answers)

    def answers(self) -> bool:
        try:
            return bool(self.ask("select 1"))
        except psycopg.Error:
            return False

    def keep(self) -> Path:
        """A copy of everything, while it stands still for a moment."""
        self.stop("fast")
        copy = self.folder / "kept"
        shutil.copytree(self.data, copy)
        self.start()
        return copy

    def put_back(self, copy: Path) -> None:
        """What came since is gone, as if it had never been on the disk."""
        self.stop()
        shutil.rmtree(self.data)
        shutil.move(copy, self.data)
        for path in (self.data, *self.data.rglob("*")):
            self._give(path)
        self.data.chmod(0o700)
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


if __name__ == "__main__":
    with Database() as one:
        start = time.monotonic()
        one.crash()
        print(one.ask("select version()"), f"{time.monotonic() - start:.1f} s for a crash and a start")
