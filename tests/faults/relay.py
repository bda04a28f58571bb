"""Relays between the ends of a connection: one that is cut or holds everything back, and one to a
PostgreSQL that cuts at a commit, on whichever side of the server's decision."""

import socket
import struct
import threading
import time

from database import free_port


class Relay:
    """Hands over bytes both ways. Held, it takes connections and hands nothing over; cut, it refuses."""

    def __init__(self, port: int):
        self.to, self.port = port, free_port()
        self._open: set[socket.socket] = set()
        self._mutex, self._flows = threading.Lock(), threading.Event()
        self._flows.set()
        self._listener: socket.socket | None = None
        self.join()

    def join(self) -> None:
        """Lets connections through."""
        self._listener = socket.create_server(("127.0.0.1", self.port))
        self._flows.set()
        threading.Thread(target=self._accept, args=(self._listener,), daemon=True).start()

    def cut(self) -> None:
        """Ends every connection and refuses further ones."""
        listener, self._listener = self._listener, None
        if listener:
            listener.shutdown(socket.SHUT_RDWR)
            listener.close()
        with self._mutex:
            ends, self._open = self._open, set()
        part(*ends)
        self._flows.set()

    def hold(self) -> None:
        """Nothing comes through, and nobody is told: as where a cable is pulled."""
        self._flows.clear()

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                one, _ = listener.accept()
            except OSError:
                return
            try:
                other = socket.create_connection(("127.0.0.1", self.to), 10)
            except OSError:
                # As if nobody listened there.
                one.close()
                time.sleep(0.02)
                continue
            other.settimeout(None)
            with self._mutex:
                self._open |= {one, other}
            for run, ends in ((self._to_server, (one, other)), (self._to_client, (other, one))):
                threading.Thread(target=self._until_over, args=(run, *ends), daemon=True).start()

    def _until_over(self, run, source: socket.socket, sink: socket.socket) -> None:
        try:
            run(source, sink)
        except OSError:
            pass
        part(source, sink)
        with self._mutex:
            self._open -= {source, sink}

    def _to_server(self, client: socket.socket, server: socket.socket) -> None:
        while piece := client.recv(1 << 16):
            self._flows.wait()
            server.sendall(piece)

    def _to_client(self, server: socket.socket, client: socket.socket) -> None:
        while piece := server.recv(1 << 16):
            self._flows.wait()
            client.sendall(piece)


def part(*ends: socket.socket) -> None:
    """Both threads of a connection hear of it."""
    for end in ends:
        try:
            end.shutdown(socket.SHUT_RDWR)
        except OSError:
            pass


# How much of a commit comes to the server, and whether its answer comes back.
BEFORE, HALF, UNHEARD, AFTER = "before", "half", "unheard", "after"
SIDES = (BEFORE, HALF, UNHEARD, AFTER)
# A relay that lies: nothing comes to the server, and the client hears that it is stored.
FORGED = "forged"


def _message(kind: bytes, body: bytes) -> bytes:
    return kind + struct.pack(">I", len(body) + 4) + body


class AtCommits(Relay):
    """Cuts the connection in which the next change is committed, where it is told to.

    The messages are those of PostgreSQL's protocol (documentation, 55.7 "Message Formats").
    """

    def __init__(self, port: int):
        self._side: str | None = None
        self._silent: set[socket.socket] = set()
        self._done, self._decided = threading.Event(), threading.Event()
        super().__init__(port)

    def cut_next(self, side: str, patience: float = 60) -> bool:
        """Waits for a commit and cuts there; whether the server was heard to have committed."""
        self._done.clear()
        self._decided.clear()
        self._side = side
        if not self._done.wait(patience):
            raise TimeoutError("no commit came")
        return self._decided.is_set()

    def _take(self) -> str | None:
        with self._mutex:
            side, self._side = self._side, None
        return side

    def _to_server(self, client: socket.socket, server: socket.socket) -> None:
        held, head = b"", 0
        while piece := client.recv(1 << 16):
            self._flows.wait()
            held += piece
            # The first message of a connection has no kind before its length.
            while len(held) >= head + 4:
                length = head + struct.unpack_from(">I", held, head)[0]
                if len(held) < length:
                    break
                message, held = held[:length], held[length:]
                head = 1
                if is_commit(message) and (side := self._take()):
                    self._at_commit(side, message, client, server)
                    return
                server.sendall(message)

    def _at_commit(self, side: str, message: bytes, client: socket.socket, server: socket.socket) -> None:
        with self._mutex:
            self._silent.add(server)
        if side == HALF:
            server.sendall(message[: len(message) // 2])
        elif side in (UNHEARD, AFTER):
            server.sendall(message)
        if side == AFTER:
            self._decided.wait(10)
        if side == FORGED:
            tags = (b"INSERT 0 1\0", b"UPDATE 1\0", b"COMMIT\0")
            client.sendall(b"".join(_message(b"C", tag) for tag in tags) + _message(b"Z", b"I"))
            time.sleep(0.5)
        part(client, server)
        self._done.set()

    def _to_client(self, server: socket.socket, client: socket.socket) -> None:
        while piece := server.recv(1 << 16):
            self._flows.wait()
            with self._mutex:
                is_silent = server in self._silent
            if not is_silent:
                client.sendall(piece)
            elif b"COMMIT\0" in piece:
                self._decided.set()


def is_commit(message: bytes) -> bool:
    """Of a change: a word of its own goes with it, by which it is found again."""
    return message[:1] == b"Q" and b"last_commit" in message and message.rstrip(b"\0 ;").endswith(b"commit")
