"""Gets the history of an archive that speaks DICOMweb with `backfill`, as check_backfill.py does by DICOM.

    python tests/python/check_backfill_web.py BINARY [--self-test]

The archive answers QIDO-RS and WADO-RS (DICOM PS3.18) by Python's own HTTP server and pydicom, and has
bad habits on demand. That it answers as it should is seen by dicomweb-client, which asks it first. Exit 1
on any difference. `--self-test` breaks what must hold and must notice.
"""

import copy
import json
import signal
import sqlite3
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
from check_backfill import FAILURES, Site, check, corpus, counts_of, done, queries, reports, sent_by
from dicomweb_client.api import DICOMwebClient

NAMES = {"StudyDate": "00080020", "StudyTime": "00080030", "ModalitiesInStudy": "00080061", "Modality": "00080060"}
BOUNDARY = "a-boundary"


@dataclass
class Habits:
    """What it does beside what it should."""

    page_max: int = 0  # answers of one page, whatever is asked for
    total_max: int = 0  # answers to one question, over all pages
    knows_offset: bool = True
    knows_limit: bool = True
    knows_keys: bool = True  # matches, and tells what was matched
    broad: int = 0  # 413 where there are more answers
    warns: bool = False  # Warning 299 where a page is not the last, or would not be
    nameless: set[str] = field(default_factory=set)  # SOP Instance UIDs that its answers leave out
    garbled: set[str] = field(default_factory=set)  # asked about these studies it answers no JSON
    strange_parts: bool = False  # another object and no object come before the one asked for
    never: set[str] = field(default_factory=set)  # 404
    other_for: set[str] = field(default_factory=set)  # another object comes
    busy: int = 0  # so many answers of 503 first
    later: str = ""  # Retry-After of these
    drop_every: int = 0  # breaks off in the middle of every such answer
    token: str = ""


class WebArchive:
    """Listens on a port of its own until it is stopped."""

    def __init__(self, sets: list[pydicom.Dataset], habits: Habits | None = None, tls: tuple | None = None):
        self.sets, self.habits = sets, habits or Habits()
        self.sent: list[str] = []
        self.asked_at: list[float] = []
        self.paths: list[str] = []
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
        self.asked_at.append(time.monotonic())
        self.paths.append(request.path)
        if self.habits.token and request.headers["Authorization"] != f"Bearer {self.habits.token}":
            return self.say(request, 401, "text/plain", b"who is it")
        if self.habits.busy:
            self.habits.busy -= 1
            later = [("Retry-After", self.habits.later)] * bool(self.habits.later)
            return self.say(request, 503, "text/plain", b"later", later)
        if len(words) > 1 and words[1] in self.habits.garbled:
            return self.say(request, 200, "text/html", b"<html>please log in</html>")
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
                if level == "SOPInstanceUID" and one.SOPInstanceUID in habits.nameless:
                    del answer["00080018"]
                if "00080061" in fields and habits.knows_keys:
                    answer["00080061"] = {"vr": "CS", "Value": self.modalities(one)}
                found.setdefault(one[level].value, answer)
        answers = list(found.values())
        if habits.broad and len(answers) > habits.broad:
            return self.say(request, 413, "text/plain", b"too many")
        start = int(keys.get("offset", 0)) if habits.knows_offset else 0
        most = int(keys.get("limit", 0)) if habits.knows_limit else 0
        most = min(filter(None, [most, habits.page_max]), default=0) or len(answers)
        page = answers[: habits.total_max or None][start : start + most]
        # The words of PS3.18 8.3.4.4 (from memory), behind a warning of another kind.
        left = len(answers) - start - len(page)
        words = ['214 archive "It was made smaller"', f'299 archive "There are {left} additional results"']
        more = [("Warning", one) for one in words] if habits.warns and page and left else []
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
        parts = [file_of(one)]
        if self.habits.strange_parts:
            other = next(other for other in self.sets if other.SOPInstanceUID != one.SOPInstanceUID)
            parts = [b"no object", file_of(other), *parts]
        head = f"\r\n--{BOUNDARY}\r\nContent-Type: application/dicom\r\n\r\n".encode()
        body = b"".join(head + part for part in parts) + f"\r\n--{BOUNDARY}--\r\n".encode()
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

    def say(self, request, status, kind, body, more=()) -> None:
        request.send_response(status)
        for name, value in [("Content-Type", kind)] * bool(kind) + list(more):
            request.send_header(name, value)
        request.send_header("Content-Length", str(len(body)))
        request.end_headers()
        request.wfile.write(body)


def file_of(one: pydicom.Dataset) -> bytes:
    file = BytesIO()
    one.save_as(file, enforce_file_format=True)
    return file.getvalue()


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
        told = queries(one)
        check({who["110152"] for who, *_ in told} == {peer.url}, "whom it asks is told")
        check({place for _, place, _, _ in told} == {peer.url}, "and where")
        studies = [path for path in peer.paths if path.startswith("/dw/studies?")]
        first = [path.split("&includefield=0020000D")[0] for path in studies if path.endswith("offset=0")]
        check([f"/dw{query.decode()}" for *_, query, _ in told] == first, "and what, as often as it is asked")
        asked = len(peer.asked_at)
        one.backfill()
        check(len(peer.asked_at) == asked, "finished days are not asked for again")
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
        "more parts than asked for": Habits(strange_parts=True),
    }
    for number, (name, habits) in enumerate(whole.items()):
        with archive(sets, habits) as peer:
            keys = {} if habits.knows_offset else {"answers_max": 1000}
            one = site(work / f"habit-{number}", peer.url, **keys)
            code, events, error = one.backfill()
            check(code == 0, f"{name}: {error} {events[-1]}")
            check(one.stored() == wanted, f"{name}: every report is stored once")
    for most in [1, 2, 3]:
        cuts_off(work, sets, most)
    day = [one for one in reports(sets) if one.StudyDate == "20210304"]
    assert len({one.StudyInstanceUID for one in day}) > 4 and not reachable(sets, 4, 5)[1]
    with archive(sets, Habits(broad=4)) as peer:
        one = site(work / "broad", peer.url)
        code, _, error = one.backfill()
        check(code == 0 and one.stored() == wanted, f"what is too broad a question is asked by the hour: {error}")
    # Nothing shows that these are all.
    with archive(sets, Habits(knows_offset=False)) as peer:
        one = site(work / "no-offset", peer.url)
        code, _, error = one.backfill()
        check(code == 1 and "set answers_max" in error, f"an archive without offset is not believed: {error}")
        check(one.ask("select count(*) from archive_day where day >= '2021-03-01'") == [(0,)], "no such day is finished")
    with archive(sets, Habits(busy=1, later="3")) as peer:
        site(work / "later", peer.url).backfill()
        check(peer.asked_at[1] - peer.asked_at[0] >= 3, "Retry-After is waited for")
    garbled, nameless = reports(sets)[8], reports(sets)[9]
    with archive(sets, Habits(nameless={nameless.SOPInstanceUID}, garbled={garbled.StudyInstanceUID})) as peer:
        one = site(work / "unclear", peer.url)
        code, events, _ = one.backfill()
        told = {event["study"]: event["words"] for event in events if event["event"] == "incomplete"}
        check(code == 1 and set(told) == {nameless.StudyInstanceUID, garbled.StudyInstanceUID}, f"what is unclear is told: {told}")
        check("do not say by a UID" in told.get(nameless.StudyInstanceUID, ""), "an answer without its UID")
        check("no array" in told.get(garbled.StudyInstanceUID, ""), "an answer that is none")
        open_days = {other.StudyDate for other in (nameless, garbled)}
        noted = {day.replace("-", "") for (day,) in one.ask("select day from archive_day")}
        check(not noted & open_days and len(noted) == 12 - len(open_days), "their days stay open, the others are finished")
        rest = [uid for uid in wanted if uid not in (nameless.SOPInstanceUID, garbled.SOPInstanceUID)]
        check(one.stored() == rest, "the others are stored")
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
    check(code == 1 and "the same command continues" in error, "an archive that is away is told")


def reachable(sets, most: int, told_from: int) -> tuple[list[str], set]:
    """What an archive gives that answers with the first `most` of what fits, when days that are cut off
    are asked for by the hour; and where it is told that something may be missing: hours as (day, hour),
    studies as UIDs. It is told from so many answers on."""
    found, told = [], set()

    def first(ones, name, place):
        names = list(dict.fromkeys(one[name].value for one in ones))
        if len(names) >= told_from and place:
            told.add(place)
        return names[:most], len(names) >= told_from

    by_day: dict[str, list] = {}
    for one in reports(sets):
        by_day.setdefault(one.StudyDate, []).append(one)
    for day, ones in by_day.items():
        studies, is_cut = first(ones, "StudyInstanceUID", None)
        if is_cut:
            for hour in sorted({one.StudyTime[:2] for one in ones}):
                of_hour = [one for one in ones if one.StudyTime[:2] == hour]
                studies += first(of_hour, "StudyInstanceUID", (day, int(hour)))[0]
        for study in set(studies):
            of_study = [one for one in ones if one.StudyInstanceUID == study]
            for series in first(of_study, "SeriesInstanceUID", study)[0]:
                of_series = [one for one in of_study if one.SeriesInstanceUID == series]
                found += first(of_series, "SOPInstanceUID", study)[0]
    return sorted(found), told


def cuts_off(work: Path, sets, most: int) -> None:
    """Answers that are cut off at so many and cannot be gone on with: hours are asked for instead."""
    cases = {
        "pages, said": (Habits(page_max=most, warns=True, knows_offset=False), {"answers_max": 1000}, most + 1),
        "all, said": (Habits(total_max=most, warns=True), {}, most + 1),
        "all, known": (Habits(total_max=most), {"answers_max": most}, most),
    }
    for number, (name, (habits, keys, told_from)) in enumerate(cases.items()):
        expected, places = reachable(sets, most, told_from)
        with archive(sets, habits) as peer:
            one = site(work / f"cut-{most}-{number}", peer.url, **keys)
            code, events, error = one.backfill()
        told = [event for event in events if event["event"] == "incomplete"]
        windows = [(event["window"]["from"].replace("-", ""), event["window"].get("hour")) for event in told]
        got = {event["study"] or window for event, window in zip(told, windows)}
        check(one.stored() == expected, f"cut off at {most}, {name}: what can be had is stored")
        check(got == places, f"cut off at {most}, {name}: {got ^ places} told or not")
        check(code == bool(places), f"cut off at {most}, {name}: exit {code} {error}")


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


def self_test(work: Path, sets) -> int:
    """What was sent with another value, a day that is noted too early, and an archive that cuts its
    answers off without a word must be noticed by the comparisons of this file."""
    wanted = uids(reports(sets))
    noticed = 0
    sent = Site(work / "sent", 9)
    with sent.serving():
        sent_by(sent.listen, "SHEATHLINE", reports(sets))
    other = [copy.deepcopy(one) for one in sets]
    for element in other[0].iterall():
        if element.keyword == "NumericValue":
            element.value = float(element.value) + 1
    with archive(other) as peer:
        one = site(work / "other", peer.url, deliver=True)
        one.backfill()
        with one.serving():
            pass
        noticed += one.results() != sent.results()
    with archive(sets) as peer:
        one = site(work / "ahead", peer.url)
        one.backfill("--dry-run")
        with sqlite3.connect(one.folder / "store.sqlite") as store:
            store.execute("insert into archive_day values ('old', '2021-03-04', '')")
        one.backfill()
        noticed += one.stored() != wanted
    with archive(sets, Habits(total_max=2)) as peer:
        one = site(work / "silent", peer.url)
        code, _, _ = one.backfill()
        noticed += code == 0 and one.stored() != wanted
    print(f"{noticed} of 3 breakages noticed")
    return 0 if noticed == 3 and not FAILURES else 1


def main() -> int:
    sets = corpus()
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        if "--self-test" in sys.argv:
            return self_test(work, sets)
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
