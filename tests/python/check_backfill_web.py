"""Gets the history of an archive that speaks DICOMweb with `backfill`, as check_backfill.py does by DICOM.

    python tests/python/check_backfill_web.py BINARY

The archive answers QIDO-RS and WADO-RS (DICOM PS3.18) by Python's own HTTP server and pydicom, and has
bad habits on demand. That it answers as it should is seen by dicomweb-client, which asks it first. Exit 1
on any difference.
"""

import json
import signal
import ssl
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from io import BytesIO
from pathlib import Path
from threading import Thread
from urllib.parse import parse_qsl, urlsplit

import pydicom
from check_backfill import FAILURES, Site, check, corpus, counts_of, done, reports, sent_by
from dicomweb_client.api import DICOMwebClient

NAMES = {"StudyDate": "00080020", "StudyTime": "00080030", "ModalitiesInStudy": "00080061", "Modality": "00080060"}
BOUNDARY = "a-boundary"


@dataclass
class Habits:
    """What it does beside what it should."""

    page_max: int = 0  # answers of one page, whatever is asked for
    knows_offset: bool = True
    knows_limit: bool = True
    knows_keys: bool = True  # matches, and tells what was matched
    warns: bool = False  # Warning 299 where a page is not the last
    never: set[str] = field(default_factory=set)  # 404
    other_for: set[str] = field(default_factory=set)  # another object comes
    busy: int = 0  # so many answers of 503 first
    drop_every: int = 0  # breaks off in the middle of every such answer
    token: str = ""


class WebArchive:
    """Listens on a port of its own until it is stopped."""

    def __init__(self, sets: list[pydicom.Dataset], habits: Habits | None = None, tls: tuple | None = None):
        self.sets, self.habits = sets, habits or Habits()
        self.sent: list[str] = []
        self.asked = 0
        archive = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def log_message(self, *_):
                pass

            def do_GET(self):
                archive.answer(self)

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        if tls:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(*tls)
            self.server.socket = context.wrap_socket(self.server.socket, server_side=True)
        self.url = f"{'https' if tls else 'http'}://127.0.0.1:{self.server.server_address[1]}/dw"
        Thread(target=self.server.serve_forever, daemon=True).start()

    def stop(self) -> None:
        self.server.shutdown()
        self.server.server_close()

    def answer(self, request: BaseHTTPRequestHandler) -> None:
        parts = urlsplit(request.path)
        words = parts.path.removeprefix("/dw/").split("/")
        self.asked += 1
        if self.habits.token and request.headers["Authorization"] != f"Bearer {self.habits.token}":
            return self.say(request, 401, "text/plain", b"who is it")
        if self.habits.busy:
            self.habits.busy -= 1
            return self.say(request, 503, "text/plain", b"later")
        sets = [one for one in self.sets if len(words) < 2 or one.StudyInstanceUID == words[1]]
        sets = [one for one in sets if len(words) < 4 or one.SeriesInstanceUID == words[3]]
        if len(words) == 6:
            return self.object(request, [one for one in sets if one.SOPInstanceUID == words[5]])
        level = {1: "StudyInstanceUID", 3: "SeriesInstanceUID", 5: "SOPInstanceUID"}[len(words)]
        self.search(request, sets, level, parse_qsl(parts.query))

    def search(self, request, sets, level, query) -> None:
        habits, keys = self.habits, dict(query)
        fields = [value for name, value in query if name == "includefield"]
        found = {}
        for one in sets:
            if not habits.knows_keys or self.fits(one, keys):
                answer = {"00080020": one["StudyDate"].to_json_dict(None, 0)} if "00080020" in fields else {}
                answer |= {tag: one[tag].to_json_dict(None, 0) for tag in fields if tag in one}
                answer[f"{one[level].tag:08X}"] = one[level].to_json_dict(None, 0)
                if "00080061" in fields and habits.knows_keys:
                    answer["00080061"] = {"vr": "CS", "Value": self.modalities(one)}
                found.setdefault(one[level].value, answer)
        answers = list(found.values())
        start = int(keys.get("offset", 0)) if habits.knows_offset else 0
        most = int(keys.get("limit", 0)) if habits.knows_limit else 0
        most = min(filter(None, [most, habits.page_max]), default=0) or len(answers)
        page = answers[start : start + most]
        more = {"Warning": '299 archive "There are more"'} if habits.warns and start + most < len(answers) else {}
        if not page:
            return self.say(request, 204, None, b"")
        self.say(request, 200, "application/dicom+json", json.dumps(page).encode(), more)

    def fits(self, one, keys) -> bool:
        first, _, last = keys.get("StudyDate", "0-9").partition("-")
        begin, _, end = keys.get("StudyTime", "0-9").partition("-")
        return (
            first <= one.StudyDate <= (last or first)
            and begin <= one.StudyTime <= end
            and keys.get("ModalitiesInStudy", "SR") in self.modalities(one)
            and keys.get("Modality", one.Modality) == one.Modality
        )

    def modalities(self, one) -> list[str]:
        return sorted({other.Modality for other in self.sets if other.StudyInstanceUID == one.StudyInstanceUID})

    def object(self, request, found) -> None:
        if not found or found[0].SOPInstanceUID in self.habits.never:
            return self.say(request, 404, "text/plain", b"not here")
        one = found[0]
        self.sent.append(one.SOPInstanceUID)
        if one.SOPInstanceUID in self.habits.other_for:
            one = next(other for other in self.sets if other.SOPInstanceUID != one.SOPInstanceUID)
        file = BytesIO()
        one.save_as(file, enforce_file_format=True)
        head = f"\r\n--{BOUNDARY}\r\nContent-Type: application/dicom\r\n\r\n"
        body = head.encode() + file.getvalue() + f"\r\n--{BOUNDARY}--\r\n".encode()
        kind = f'multipart/related; type="application/dicom"; boundary={BOUNDARY}'
        if self.habits.drop_every and len(self.sent) % self.habits.drop_every == 0:
            request.send_response(200)
            request.send_header("Content-Type", kind)
            request.send_header("Content-Length", str(len(body)))
            request.end_headers()
            request.wfile.write(body[: len(body) // 2])
            request.close_connection = True
            return
        self.say(request, 200, kind, body)

    def say(self, request, status, kind, body, more=None) -> None:
        request.send_response(status)
        for name, value in ({"Content-Type": kind} if kind else {}).items() | (more or {}).items():
            request.send_header(name, value)
        request.send_header("Content-Length", str(len(body)))
        request.end_headers()
        request.wfile.write(body)


@contextmanager
def archive(sets, habits=None, tls=None):
    one = WebArchive(sets, habits, tls)
    try:
        yield one
    finally:
        one.stop()


def site(folder: Path, url: str, **keys) -> Site:
    one = Site(folder, 9, **keys)
    text = one.config.read_text()
    old = 'kind = "dicom"\nhost = "127.0.0.1"\nport = 9\ncalled = "ARCHIVE"\n'
    assert old in text
    one.config.write_text(text.replace(old, f'kind = "dicomweb"\nurl = "{url}"\n'))
    return one


def uids(sets) -> list[str]:
    return sorted(one.SOPInstanceUID for one in sets)


def by_reference(peer: WebArchive, sets) -> None:
    """The archive answers a client that is not ours as it should."""
    client = DICOMwebClient(peer.url)
    studies = client.search_for_studies(search_filters={"StudyDate": "20210304", "ModalitiesInStudy": "SR"}, fields=["00080061"])
    wanted = {one.StudyInstanceUID for one in reports(sets) if one.StudyDate == "20210304"}
    check({one["0020000D"]["Value"][0] for one in studies} == wanted, "dicomweb-client finds the studies of a day")
    one = reports(sets)[3]
    got = client.retrieve_instance(one.StudyInstanceUID, one.SeriesInstanceUID, one.SOPInstanceUID)
    check(got == one, "dicomweb-client gets an object")


def as_it_should(work: Path, sets, sent) -> None:
    with archive(sets) as peer:
        by_reference(peer, sets)
        one = site(work / "got", peer.url, deliver=True)
        code, dry, error = one.backfill("--dry-run")
        check(code == 0 and one.ask("select count(*) from object") == [(0,)], f"a dry run gets nothing: {error}")
        code, events, error = one.backfill()
        check(code == 0, f"from DICOMweb: {error}")
        check(counts_of(dry) == counts_of(events), "the dry run counts what is then got")
        check(one.stored() == uids(reports(sets)), "every report is stored once, and nothing else")
        asked = peer.asked
        one.backfill()
        check(peer.asked == asked, "finished days are not asked for again")
        with one.serving():
            pass
        check(one.results() == sent, "DICOMweb gives the results of C-STORE")


def bad_habits(work: Path, sets) -> None:
    wanted = uids(reports(sets))
    whole = {
        "few answers a page": Habits(page_max=2),
        "few answers a page, said": Habits(page_max=2, warns=True),
        "no limit": Habits(knows_limit=False),
        "no offset": Habits(knows_offset=False),
        "neither": Habits(knows_limit=False, knows_offset=False),
        "no keys": Habits(knows_keys=False),
        "busy at first": Habits(busy=2),
        "broken answers": Habits(drop_every=5),
    }
    for number, (name, habits) in enumerate(whole.items()):
        with archive(sets, habits) as peer:
            one = site(work / f"habit-{number}", peer.url)
            code, events, error = one.backfill()
            check(code == 0, f"{name}: {error} {events[-1]}")
            check(one.stored() == wanted, f"{name}: every report is stored once")
    # Pages that are cut and cannot be gone on with: hours are asked for instead.
    with archive(sets, Habits(page_max=2, warns=True, knows_offset=False)) as peer:
        one = site(work / "cut", peer.url)
        code, events, _ = one.backfill()
        check(one.stored() == wanted or code == 1, "cut answers are told, or all is got by the hour")
        check(code == 0 or done(events)["incomplete"] > 0, "what is cut off is told")
    with archive(sets, Habits(never={wanted[4]}, other_for={wanted[6]})) as peer:
        one = site(work / "never", peer.url)
        code, events, _ = one.backfill()
        missing = sorted(event["instance"] for event in events if event["event"] == "missing")
        check(code == 1 and missing == [wanted[4], wanted[6]], "what does not come is named")
        check(one.stored() == sorted(set(wanted) - set(missing)), "the others are stored")
        peer.habits = Habits()
        code, events, _ = one.backfill()
        check(code == 0 and one.stored() == wanted, "the next time it is got")
        check(done(events)["fetched"] == 2, "and nothing else")
    # What is no UID would go into a path.
    strange = [one for one in corpus()]
    strange[5].SeriesInstanceUID = "../../2.25.1"
    with archive(strange) as peer:
        one = site(work / "strange", peer.url)
        code, events, _ = one.backfill()
        told = [event for event in events if event["event"] == "incomplete"]
        check(code == 1 and "no UID" in told[0]["words"], "a name that is no UID is told")
        rest = sorted(set(wanted) - {strange[5].SOPInstanceUID})
        check(one.stored() == rest, "the others are stored all the same")
    # Nothing listens there.
    one = site(work / "away", "http://127.0.0.1:9/dw")
    code, _, error = one.backfill()
    check(code == 1 and "the same command goes on" in error, "an archive that is away is told")


def killed(work: Path, sets) -> None:
    wanted = uids(reports(sets))
    with archive(sets) as peer:
        one = site(work / "killed", peer.url, objects_per_s=40, at_once=3)
        cut = 0
        for number in range(8):
            process = one.start()
            time.sleep(0.05 + 0.07 * number)
            process.send_signal(signal.SIGKILL)
            process.communicate()
            cut += process.returncode == -signal.SIGKILL
        code, _, error = one.backfill()
        check(cut >= 4, f"{cut} of 8 were killed on the way")
        check(code == 0 and one.stored() == wanted, f"killed and gone on: {error}")


def over_tls(work: Path, sets) -> None:
    pair = work / "server.pem", work / "server.key"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2",
         "-subj", "/CN=archive", "-addext", "subjectAltName=IP:127.0.0.1", "-addext", "basicConstraints=critical,CA:FALSE",
         "-out", pair[0], "-keyout", pair[1]],
        check=True, capture_output=True)
    with archive(sets, Habits(token="a-token"), tls=pair) as peer:
        one = site(work / "over-tls", peer.url, ca=str(pair[0]), bearer="token.txt")
        token = one.folder / "token.txt"
        token.write_text("another\n")
        code, _, error = one.backfill()
        check(code == 1 and "401" in error, f"a wrong token is told: {error}")
        token.write_text("a-token\n")
        code, _, error = one.backfill()
        check(code == 0 and one.stored() == uids(reports(sets)), f"with TLS and a token: {error}")


def main() -> int:
    sets = corpus()
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        one = Site(work / "sent", 9)
        with one.serving():
            sent_by(one.listen, "SHEATHLINE", reports(sets))
        as_it_should(work, sets, one.results())
        bad_habits(work, sets)
        killed(work, sets)
        over_tls(work, sets)
    print(f"{len(reports(sets))} reports, {len(FAILURES)} differences")
    return 1 if FAILURES else 0


if __name__ == "__main__":
    sys.exit(main())
