"""Several daemons on one database, behind a balancer: a site of which every daemon is a part.

All have the same configuration but for their own ports, drop folder and spool; they share the outbox.
"""

import contextlib
import os
import random
import shutil
import signal
import sqlite3
from pathlib import Path

from balancer import Balancer
from database import Database, free_port
from harness import MEMORY, PATIENCE, Daemon, send, until, waiting
from relay import Relay
from served import Served

# A daemon's connection that changes the store calls itself `sheathline`, the first letters of the id of its
# membership, and the epoch of that.
WITNESS = """
create table witness (writer text, about text);
create function look_at_writer() returns trigger language plpgsql as $$
declare
    writer text[] := string_to_array(current_setting('application_name'), ' ');
begin
    if writer[1] = 'sheathline' and array_length(writer, 1) = 3 then
        perform nextval('looked_at');
        if not exists (
            select 1 from member where left(id, 8) = writer[2] and epoch::text = writer[3]
        ) then
            insert into witness values (array_to_string(writer, ' '), tg_table_name);
        end if;
    end if;
    return null;
end $$;
create sequence looked_at;
"""
# What is changed by who joins, leaves, or is put out by others.
OF_MEMBERS = ("witness", "member", "duty", "last_commit", "meta", "owner", "shape")


class Node(Served):
    """The place of one daemon."""

    def __init__(self, whole: "Several", number: int):
        self.whole, self.number = whole, number
        relay = whole.relay if number == whole.relayed else None
        super().__init__(
            whole.binary,
            whole.database,
            whole.database.url_by(relay.port) if relay else None,
            whole.folder,
            whole.outbox,
            f'spool = "spool.sqlite"\nspool_limit_mb = {whole.spool_limit_mb}\ndurability = "{whole.durability}"',
            free_port(),
            free_port(),
        )

    def unsound(self) -> str | None:
        return self.whole.unsound()

    def is_forwarded(self) -> bool:
        """Its spool is empty; there is none where nothing goes there first."""
        if not (spool := self.folder / "spool.sqlite").exists():
            return True
        with contextlib.closing(sqlite3.connect(f"file:{spool}?mode=ro", uri=True, timeout=30)) as base:
            return base.execute("select count(*) from waiting").fetchone()[0] == 0


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
        parent: Path | None = MEMORY,
    ):
        """`durable`: the server's syncs are real; `relayed`: this daemon comes to it through a relay."""
        self.binary, self.durability, self.spool_limit_mb = binary, durability, spool_limit_mb
        self.database = Database(parent, durable)
        self.relayed, self.relay = relayed, None if relayed is None else Relay(self.database.port)
        own = self.database.folder
        self.outbox = own.with_name(f"{own.name}-outbox")
        self.folder = own.with_name(f"{own.name}-daemons")
        self.folder.mkdir()
        self.nodes = [Node(self, number) for number in range(count)]
        self.daemons: list[Daemon | None] = [None] * count
        self.balancer: Balancer | None = None

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

    def begin(self, watched: bool = True) -> None:
        """Starts all that do not run yet, and the balancer."""
        for number in range(len(self.nodes)):
            if self.daemons[number] is None:
                self.serve(number)
        if watched:
            self.watch()
        self.balancer = Balancer(self.folder, [(node.dicom, node.health) for node in self.nodes])

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

    def send_rest(self, by_network, acknowledged) -> list:
        """Sends what was not acknowledged yet; what of it is now."""
        known = {one.uid for one in acknowledged}
        rest = [one for one in by_network if one.uid not in known]
        answers = send(self.address(), rest)
        return [one for one in rest if answers.get(one.uid) == 0]

    def settle(self, objects, by_folder) -> None:
        """Waits until all of them are in the database, and nothing is left to do."""
        until("the drop folders", lambda: all(map(self.is_done, by_folder)))
        until("everything to be stored and drained", lambda: self.has(objects) and self.is_drained(), 3 * PATIENCE)

    def watch(self) -> None:
        """A witness of the harness's own in the database: who writes under an epoch that is over."""
        self.database.ask(WITNESS)
        for (table,) in self.database.ask("select tablename from pg_tables where schemaname = 'public'"):
            if table not in OF_MEMBERS:
                self.database.ask(
                    f"create trigger witness before insert or update or delete on {table}"
                    " for each statement execute function look_at_writer()"
                )

    def looked_at(self) -> int:
        """How many changes of members the witness saw."""
        return self.database.ask("select case when is_called then last_value else 0 end from looked_at")[0][0]

    def unsound(self) -> str | None:
        """A server checks its own pages, and what is stored is checked by its hash; but who wrote?"""
        if not self.looked_at():
            return "the witness saw nobody; internal to the harness, or no daemon says who it is"
        seen = self.database.ask("select writer, about, count(*) from witness group by 1, 2 order by 3 desc")
        return f"written under an epoch that is over: {seen[:3]}" if seen else None

    def write_as(self, writer: str) -> None:
        """A change by somebody who calls himself so."""
        with self.database.connect() as base:
            base.execute("select set_config('application_name', %s, false)", (writer,))
            base.execute("update object set source = source where id = (select min(id) from object)")

    def read(self, work):
        return self.nodes[0].read(work)

    def stored(self) -> set[bytes]:
        return self.nodes[0].stored()

    def is_shared_by(self, count: int) -> bool:
        """Whether there are so many members, and those hold all duties that anybody ever held."""
        free = "member is null or member not in (select id from member)"
        members, duties = self.read(
            lambda base: base.execute(
                f"select (select count(*) from member), (select count(*) from duty where {free})"
            ).fetchone()
        )
        return members == count and duties == 0

    def has(self, objects) -> bool:
        """Whether all of them have come into the database."""
        return {one.sha256 for one in objects} <= self.stored()

    def is_drained(self) -> bool:
        """Nothing waits in a spool, nor in the database to be read, assessed or published."""
        return all(node.is_forwarded() for node in self.nodes) and self.read(waiting) == 0
