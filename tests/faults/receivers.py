"""Receivers of results that are no better than real ones: they take their time, put off, and lose
their answers. What one has taken it keeps by the key that a receiver of its kind goes by."""

import json
import random
import re
import socketserver
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from pynetdicom import AE, evt
from pynetdicom.sop_class import ComprehensiveSRStorage

# What becomes of one delivery.
TAKE, PUT_OFF, LOSE_ANSWER = "take", "put off", "lose the answer"


class Receiver:
    """What it took, and how it treats the next one."""

    def __init__(self, name: str, seed: int):
        self.name, self.dice, self.mutex = name, random.Random(f"{seed} {name}"), threading.Lock()
        # By key, the bytes that came, as often as they came.
        self.taken: dict[str, list[bytes]] = {}
        # So many that go wrong in all; then it is a good one, so that every run comes to an end.
        self.moods_left = 12

    def mood(self) -> str:
        with self.mutex:
            time.sleep(self.dice.random() * 0.04)
            mood = self.dice.choices((TAKE, PUT_OFF, LOSE_ANSWER), (8, 1, 1))[0]
            if mood != TAKE:
                self.moods_left -= 1
            return mood if self.moods_left >= 0 else TAKE

    def take(self, key: str, content: bytes) -> None:
        with self.mutex:
            self.taken.setdefault(key, []).append(content)


class Http(Receiver):
    """POST, by `key_of(headers, body)`; `answer_of(body)` is what it says."""

    def __init__(self, name: str, seed: int, key_of, answer_of):
        super().__init__(name, seed)
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self):
                length = int(self.headers["content-length"])
                body = self.rfile.read(length)
                if len(body) < length:
                    self.close_connection = True
                    return
                mood = receiver.mood()
                if mood != PUT_OFF:
                    receiver.take(key_of(self.headers, body), body)
                if mood == LOSE_ANSWER:
                    self.close_connection = True
                    return
                answer = answer_of(body) if mood == TAKE else b"{}"
                self.send_response(200 if mood == TAKE else 503)
                self.send_header("content-type", "application/fhir+json")
                self.send_header("content-length", str(len(answer)))
                self.end_headers()
                self.wfile.write(answer)

            def log_message(self, *_):
                pass

        class Server(ThreadingHTTPServer):
            def handle_error(self, *_):
                pass  # The peer was killed.

        self.server = Server(("127.0.0.1", 0), Handler)
        self.port = self.server.server_address[1]
        threading.Thread(target=self.server.serve_forever, daemon=True).start()

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()


def hook(seed: int) -> Http:
    """By the Idempotency-Key."""
    return Http("hook", seed, lambda headers, _: headers["idempotency-key"].strip('"'), lambda _: b"{}")


def fhir(seed: int) -> Http:
    """By the tag under which the statement of origin is made once."""

    def key(_, body: bytes) -> str:
        entries = json.loads(body)["entry"]
        made = [entry["request"].get("ifNoneExist", "") for entry in entries]
        tags = [text.partition("%7C")[2] for text in made if text.startswith("_tag=")]
        (tag,) = tags
        return tag

    def answer(body: bytes) -> bytes:
        entries = [{"response": {"status": "200 OK"}} for _ in json.loads(body)["entry"]]
        return json.dumps(
            {"resourceType": "Bundle", "type": "transaction-response", "entry": entries}
        ).encode()

    return Http("fhir", seed, key, answer)


class Mllp(Receiver):
    """HL7 v2 in blocks of MLLP, by MSH-10."""

    def __init__(self, seed: int):
        super().__init__("engine", seed)
        receiver = self

        class Handler(socketserver.BaseRequestHandler):
            def handle(self):
                held = b""
                while True:
                    try:
                        more = self.request.recv(65536)
                    except OSError:
                        return
                    if not more:
                        return
                    held += more
                    while match := re.match(rb"\x0b(.*?)\x1c\r", held, re.DOTALL):
                        held = held[match.end() :]
                        message = match[1]
                        control = message.split(b"\r")[0].split(b"|")[9].decode()
                        mood = receiver.mood()
                        if mood == PUT_OFF:
                            return
                        receiver.take(control, message)
                        if mood == LOSE_ANSWER:
                            return
                        head = "MSH|^~\\&|ENGINE||SHEATHLINE||20260101000000||ACK^R01^ACK|A|P|2.5.1"
                        answer = f"{head}\rMSA|AA|{control}\r".encode()
                        try:
                            self.request.sendall(b"\x0b" + answer + b"\x1c\r")
                        except OSError:
                            return

        class Server(socketserver.ThreadingTCPServer):
            daemon_threads, allow_reuse_address = True, True

        self.server = Server(("127.0.0.1", 0), Handler)
        self.port = self.server.server_address[1]
        threading.Thread(target=self.server.serve_forever, daemon=True).start()

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()


class Archive(Receiver):
    """C-STORE of pynetdicom, by SOP Instance UID."""

    def __init__(self, seed: int):
        super().__init__("archive", seed)
        entity = AE("ARCHIVE")
        entity.add_supported_context(ComprehensiveSRStorage)
        handlers = [(evt.EVT_C_STORE, self.store)]
        self.server = entity.start_server(("127.0.0.1", 0), block=False, evt_handlers=handlers)
        self.port = self.server.server_address[1]

    def store(self, event) -> int:
        mood = self.mood()
        if mood == PUT_OFF:
            return 0xA700
        request = event.request
        self.take(str(request.AffectedSOPInstanceUID), request.DataSet.getvalue())
        if mood == LOSE_ANSWER:
            event.assoc.abort()
        return 0x0000

    def close(self) -> None:
        self.server.shutdown()
