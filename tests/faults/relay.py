"""A relay between two ends of a connection, which can be stopped and cut."""

import socket
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
        for end in ends:
            end.close()
        self._flows.set()

    def hold(self) -> None:
        """Nothing comes through, and nobody is told: as where a cable is pulled."""
        self._flows.clear()

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                one, _ = listener.accept()
                other = socket.create_connection(("127.0.0.1", self.to), 10)
            except OSError:
                if self._listener is not listener:
                    return
                time.sleep(0.05)
                continue
            other.settimeout(None)
            with self._mutex:
                self._open |= {one, other}
            for ends in ((one, other), (other, one)):
                threading.Thread(target=self._hand_over, args=ends, daemon=True).start()

    def _hand_over(self, source: socket.socket, sink: socket.socket) -> None:
        try:
            while part := source.recv(1 << 16):
                self._flows.wait()
                sink.sendall(part)
        except OSError:
            pass
        for end in (source, sink):
            try:
                end.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass
