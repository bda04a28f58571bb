"""A site whose store is a database on a server."""

from pathlib import Path

import psycopg
from database import Database
from harness import MEMORY, Broken, Daemon, Site

CONFIG = """\
[receive.dicom]
listen = "127.0.0.1:{dicom}"
[receive.hl7]
listen = "127.0.0.1:0"
[receive.folder]
path = "drop"
scan_every_ms = 100
settle_ms = 100
[store]
kind = "postgresql"
url = "{url}"
tls = "off"
{store}
[outbox]
folder = "{outbox}"
[observe]
listen = "127.0.0.1:{health}"
log = "info"
log_format = "json"
"""


class Served(Site):
    """The place of one daemon. `store`: further keys of its section."""

    def __init__(
        self,
        binary: Path,
        database: Database,
        url: str | None = None,
        parent: Path | None = MEMORY,
        outbox: Path | str = "outbox",
        store: str = "",
        dicom: int = 0,
        health: int = 0,
    ):
        super().__init__(binary, parent)
        self.database, self.dicom, self.health = database, dicom, health
        self.outbox = self.folder / outbox
        self.config.write_text(
            CONFIG.format(
                dicom=dicom, health=health, url=url or database.url, outbox=self.outbox, store=store
            )
        )

    def pid_of(self, daemon: Daemon) -> int:
        """Nothing is beside the store; where it runs under another program, that one's child."""
        pid = daemon.process.pid
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        return int(children[0]) if children else pid

    def unsound(self) -> str | None:
        """A server checks its own pages, and what is stored is checked by its hash."""
        return None

    def read(self, work):
        try:
            with self.database.connect() as base:
                return work(base)
        except psycopg.Error as error:
            raise Broken(f"the store cannot be read: {error}") from None
