"""A PostgreSQL of a check's own: made in a folder, gone with it."""

import os
import shutil
import socket
import subprocess
import sys
import tempfile
from pathlib import Path

# Where Debian keeps the programs of the server, which are in no path.
PROGRAMS = sorted(Path("/usr/lib/postgresql").glob("*/bin"))
ROLE = "sheathline"


class Database:
    """A server with one empty database; its role may do everything."""

    def __enter__(self):
        self.folder = Path(tempfile.mkdtemp(prefix="database-"))
        self.data = self.folder / "data"
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        # The server refuses to run as root.
        self.under = []
        if os.geteuid() == 0:
            shutil.chown(self.folder, "nobody", "nogroup")
            self.under = ["setpriv", "--reuid=nobody", "--regid=nogroup", "--clear-groups"]
        self._run("initdb", "-D", self.data, "-U", ROLE, "-A", "trust", "-E", "UTF8", "--locale=C", "-N")
        with open(self.data / "postgresql.conf", "a") as out:
            out.write(f"port = {self.port}\nfsync = off\nunix_socket_directories = ''\n")
        self._run("pg_ctl", "start", "-w", "-D", self.data, "-l", self.folder / "log")
        self._run("createdb", "-h", "127.0.0.1", "-p", self.port, "-U", ROLE, ROLE)
        return self

    def __exit__(self, *_):
        self._run("pg_ctl", "stop", "-w", "-m", "immediate", "-D", self.data)
        shutil.rmtree(self.folder)

    @property
    def url(self) -> str:
        return f"postgresql://{ROLE}@127.0.0.1:{self.port}/{ROLE}"

    def _run(self, program: str, *arguments) -> None:
        command = [*self.under, PROGRAMS[-1] / program, *map(str, arguments)]
        # The server keeps what it inherits open: nothing is read from a pipe.
        with open(self.folder / "said", "w+b") as out:
            done = subprocess.run(command, stdout=out, stderr=out, cwd="/", stdin=subprocess.DEVNULL)
            out.seek(0)
            if done.returncode != 0:
                sys.exit(f"{program}: {out.read().decode(errors='replace')}")
