"""Several daemons on one database, behind a balancer: a site of which every daemon is a part.

All have the same configuration but for their own ports, drop folder and spool; they share the outbox.
"""

import os
import random
import shutil
import signal
from pathlib import Path

import psycopg
from database import ROLE, Balancer, Database, free_port
from harness import MEMORY, Broken, Daemon, Site, waiting
from relay import Relay

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
spool = "spool"
spool_limit_mb = {limit}
durability = "{durability}"
[outbox]
folder = "{outbox}"
[observe]
listen = "127.0.0.1:{health}"
log = "info"
log_format = "json"
"""

# A daemon's connection that writes is called `sheathline MEMBER EPOCH`.
WITNESS = """
create table witness (writer text, about text);
create function look_at_writer() returns trigger language plpgsql as $$
declare
    writer text[] := string_to_array(current_setting('application_name'), ' ');
begin
    if writer[1] = 'sheathline' and array_length(writer, 1) = 3 and not exists (
        select 1 from member where id = writer[2] and epoch::text = writer[3]
    ) then
        insert into witness values (array_to_string(writer, ' '), tg_table_name);
    end if;
    return null;
end $$;
"""


class Node(Site):
    """The place of one daemon."""

    def __init__(self, whole: "Several", number: int):
        super().__init__(whole.binary, whole.folder)
        self.whole, self.number = whole, number
        self.dicom, self.health = free_port(), free_port()
        self.outbox = whole.outbox
        self.config.write_text(
            CONFIG.format(
                dicom=self.dicom,
                health=self.health,
                url=whole.url(number),
                outbox=self.outbox,
                durability=whole.durability,
                limit=whole.spool_limit_mb,
            )
        )

    def pid_of(self, daemon: Daemon) -> int:
        """Nothing is beside the store; where it runs under another program, that one's child."""
        pid = daemon.process.pid
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        return int(children[0]) if children else pid

    def unsound(self) -> str | None:
        return self.whole.unsound()

    def read(self, work):
        return self.whole.read(work)


class Several:
    """A database, daemons on it and the balancer; what the checks ask of a site."""

    def __init__(
        self,
        binary: Path,
        count: int = 3,
        durability: str = "spool",
        durable: bool = False,
        relayed: int | None = None,
        spool_limit_mb: int = 1024,
    ):
        """`durable`: the server's syncs are real; `relayed`: this daemon comes to it through a relay."""
        self.binary, self.durability, self.spool_limit_mb = binary, durability, spool_limit_mb
        self.database = Database(MEMORY, durable)
        self.relayed, self.relay = relayed, None if relayed is None else Relay(self.database.port)
        self.folder = Path(self.database.folder)
        self.outbox = self.folder.with_name(f"{self.folder.name}-outbox")
        self.folder = self.folder.with_name(f"{self.folder.name}-daemons")
        self.folder.mkdir()
        self.nodes = [Node(self, number) for number in range(count)]
        self.daemons: list[Daemon | None] = [None] * count
        self.balancer = None

    def __enter__(self):
        return self

    def __exit__(self, *_):
        if self.balancer:
            self.balancer.close()
        for node in self.nodes:
            node.__exit__()
        self.database.__exit__()
        for folder in (self.folder, self.outbox):
            shutil.rmtree(folder, ignore_errors=True)

    def url(self, number: int) -> str:
        port = self.relay.port if number == self.relayed else self.database.port
        return f"postgresql://{ROLE}@127.0.0.1:{port}/{ROLE}"

    def begin(self, **how) -> None:
        """Starts all of them, and the balancer."""
        for number in range(len(self.nodes)):
            if self.daemons[number] is None:
                self.serve(number, **how)
        self.watch()
        ports = [(node.dicom, node.health) for node in self.nodes]
        self.balancer = Balancer(self.folder, ports)

    def serve(self, number: int, **how) -> Daemon:
        self.daemons[number] = daemon = self.nodes[number].serve(**how)
        return daemon

    def kill(self, number: int) -> None:
        self.daemons[number].kill()

    def signal(self, number: int, which: signal.Signals) -> None:
        os.kill(self.daemons[number].pid, which)

    def stop(self) -> list[str]:
        codes = [daemon.stop() for daemon in self.daemons if daemon and daemon.is_alive()]
        return [f"a daemon stopped with {code}" for code in codes if code != 0]

    def address(self) -> tuple[str, int]:
        return self.balancer.address

    def process(self, *paths: Path) -> dict:
        return self.nodes[0].process(*paths)

    def put(self, one, dice: random.Random) -> None:
        dice.choice(self.nodes).put(one)

    def is_done(self, one) -> bool:
        return any(node.is_done(one) for node in self.nodes)

    def unsound(self) -> str | None:
        """A server checks its own pages, and what is stored is checked by hash; but who wrote?"""
        seen = self.database.ask("select writer, about, count(*) from witness group by 1, 2 order by 3 desc")
        return f"written under an epoch that is over: {seen[:3]}" if seen else None

    def write_as(self, writer: str) -> None:
        """A change by somebody who calls himself so."""
        with self.database.connect() as base:
            base.execute("select set_config('application_name', %s, false)", (writer,))
            base.execute("insert into meta (name, value) values ('written', '1')")

    def read(self, work):
        try:
            with self.database.connect() as base:
                return work(base)
        except psycopg.Error as error:
            raise Broken(f"the store cannot be read: {error}") from None

    def stored(self) -> set[bytes]:
        return self.read(lambda base: {row[0] for row in base.execute("select body_sha256 from object")})

    def watch(self) -> None:
        """A witness of the harness's own in the database: who writes under an epoch that is over."""
        self.database.ask(WITNESS)
        tables = self.database.ask("select tablename from pg_tables where schemaname = 'public'")
        for (table,) in tables:
            if table not in ("witness", "member", "duty"):
                self.database.ask(
                    f"create trigger witness before insert or update or delete on {table}"
                    " for each statement execute function look_at_writer()"
                )

    def has(self, objects) -> bool:
        """Whether all of them have come into the database."""
        return {one.sha256 for one in objects} <= self.stored()

    def is_drained(self) -> bool:
        return self.read(waiting) == 0
