"""Gets the history of other archives with `backfill` and compares it with the same reports sent.

    python tests/python/check_backfill.py BINARY [--self-test]

The archives are DCMTK's `dcmqrscp` (C-FIND, C-GET, C-MOVE) and one by pynetdicom with bad habits
(`archive.py`): it cuts its answers off, breaks associations, does not deliver what it names. What must
hold: the dry run counts what is then got, nothing but reports is got, every report is stored once
however often the program is killed, what did not come is named with its reason and got the next time,
and the results are those of the same reports sent by C-STORE. Exit 1 on any difference. `--self-test`
breaks that on purpose and must notice.
"""

import base64
import copy
import json
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from io import BytesIO
from pathlib import Path

import pydicom
from archive import Archive, Habits, read, sent_by
from lxml import etree
from pydicom.uid import ImplicitVRLittleEndian

ROOT = Path(__file__).resolve().parents[2]
SR = ROOT / "fixtures" / "sr"
DAYS = ["--from", "2021-02-25", "--to", "2021-03-08"]
BINARY = Path(sys.argv[1]).resolve()
MOVE_TO = "SHEATHHISTORY"


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


def corpus() -> list[pydicom.Dataset]:
    """Reports of three patients over eight days, six of one day at different hours, and beside them
    what nobody asks for: key objects and a picture."""
    sets = []
    cases = ["tid1500", "enhanced", "unit-cm", "other-numbers", "comprehensive-3d", "side-conflict"]
    for number in range(24):
        one = copy.deepcopy(read(SR / cases[number % len(cases)] / "report.dcm"))
        day, hour = (4, number) if number < 6 else (1 + number % 8, 10)
        one.SOPInstanceUID = one.file_meta.MediaStorageSOPInstanceUID = f"2.25.7{number:04}"
        one.StudyInstanceUID = f"2.25.8{number // 2 * 2 if number >= 18 else number:04}"
        one.SeriesInstanceUID = f"2.25.9{number:04}"
        if number >= 18:
            day = 1 + (number // 2 * 2) % 8
        one.StudyDate = one.ContentDate = f"202103{day:02}"
        one.StudyTime = f"{hour:02}1200"
        one.PatientID = f"H-{number % 3}"
        one.pop("PredecessorDocumentsSequence", None)
        sets.append(one)
    # Three reports of one series.
    for extra in range(3):
        one = copy.deepcopy(sets[20])
        one.SOPInstanceUID = one.file_meta.MediaStorageSOPInstanceUID = f"2.25.75{extra:04}"
        sets.append(one)
    key = copy.deepcopy(read(SR / "key-objects" / "report.dcm"))
    key.StudyDate, key.StudyInstanceUID = "20210301", "2.25.60001"
    picture = copy.deepcopy(sets[7])
    picture.SOPClassUID = picture.file_meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.6.1"
    picture.Modality, picture.SOPInstanceUID = "US", "2.25.60002"
    picture.file_meta.MediaStorageSOPInstanceUID = picture.SOPInstanceUID
    picture.SeriesInstanceUID = "2.25.60003"
    picture.pop("ContentSequence", None)
    return sets + [key, picture]


def reports(sets: list[pydicom.Dataset]) -> list[pydicom.Dataset]:
    return [one for one in sets if one.Modality == "SR"]


class Site:
    """A configuration with its store and outbox."""

    def __init__(self, folder: Path, port: int, **keys):
        self.folder, self.listen = folder, free_port()
        folder.mkdir()
        keys = {"objects_per_s": 0, "timeout_s": 10} | keys
        lines = "\n".join(f"{name} = {json.dumps(value)}" for name, value in keys.items())
        self.config = folder / "site.toml"
        self.config.write_text(
            f"""
[receive.dicom]
listen = "127.0.0.1:{self.listen}"
[store]
path = "store.sqlite"
[outbox]
folder = "outbox"
text = false
html = false
pdf = false
csv = false
[observe]
log_format = "json"
audit = "audit.xml"
[[destination]]
name = "hook"
kind = "hook"
url = "http://127.0.0.1:9/"
[[archive]]
name = "old"
kind = "dicom"
host = "127.0.0.1"
port = {port}
called = "ARCHIVE"
{lines}
"""
        )

    def start(self, *options: str) -> subprocess.Popen:
        command = [BINARY, "backfill", "--config", self.config, "--json", *DAYS, *options]
        return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)

    def backfill(self, *options: str) -> tuple[int, list[dict], str]:
        process = self.start(*options)
        out, err = process.communicate(timeout=120)
        return process.returncode, [json.loads(line) for line in out.splitlines()], err

    @contextmanager
    def serving(self):
        process = subprocess.Popen(
            [BINARY, "serve", "--config", self.config], stdout=subprocess.PIPE, text=True
        )
        try:
            for line in process.stdout:
                if json.loads(line)["fields"].get("code") == "listening":
                    break
            yield process
            self.settle()
        finally:
            process.terminate()
            process.stdout.read()
            check(process.wait(60) == 0, "the daemon ended in order")

    def settle(self) -> None:
        """Waits until everything stored is in the outbox."""
        open_ = "select (select count(*) from object where state = 'received') + (select count(*) \
                 from dirty) + (select count(*) from result where published_at is null)"
        for _ in range(600):
            if self.ask(open_) == [(0,)]:
                time.sleep(0.6)
                if self.ask(open_) == [(0,)]:
                    return
            time.sleep(0.05)
        raise SystemExit("the daemon did not settle")

    def ask(self, sql: str) -> list[tuple]:
        with sqlite3.connect(f"file:{self.folder}/store.sqlite?mode=ro", uri=True) as store:
            return store.execute(sql).fetchall()

    def stored(self) -> list[str]:
        """UIDs of what is stored, once for each row."""
        rows = self.ask("select archived.sop_instance_uid from archived join object on id = object_id")
        count = self.ask("select count(*) from object")[0][0]
        check(count == len(rows), f"{count} objects, {len(rows)} of them by UID")
        return sorted(uid for (uid,) in rows)

    def results(self) -> dict[str, dict]:
        """The newest result of each exam as a reader sees it, without what tells how it came about."""
        newest: dict[str, tuple[int, dict]] = {}
        for path in (self.folder / "outbox").glob("*/result.json"):
            result = json.loads(path.read_text())
            exam = result["exam"]["id"]
            if result["version"] > newest.get(exam, (0, {}))[0]:
                newest[exam] = (result["version"], result)
        for _, result in newest.values():
            for name in OF_THE_MAKING:
                result.pop(name, None)
            for name in ["baseline", "set_aside", "set_aside_until"]:
                result["assessment"].pop(name, None)
            result["baseline"] = [[one["date"], one["right_mm"], one["left_mm"]] for one in result["baseline"]]
            for part in ["assessment", "course", "companions"]:
                result[part] = printed(result.get(part))
        return {exam: result for exam, (_, result) in newest.items()}


# What of a result may be told as of an earlier version: where nothing that is read differs there is none.
# `seen_key` knows `history_only`, which differs here by intent.
OF_THE_MAKING = ["key", "seen_key", "version", "supersedes", "replaces", "why", "created_at", "not_compared",
                 "would_change", "parameters", "technique"]


def printed(value):
    """With numbers as they are printed."""
    if isinstance(value, dict):
        return {name: printed(one) for name, one in value.items()}
    if isinstance(value, list):
        return [printed(one) for one in value]
    return round(value, 2) if isinstance(value, float) else value


FAILURES: list[str] = []


def check(holds: bool, what: str) -> None:
    if not holds:
        FAILURES.append(what)
        print(f"  WRONG: {what}")


def done(events: list[dict]) -> dict:
    return events[-1]


def unmarked(results: dict[str, dict]) -> dict[str, dict]:
    plain = copy.deepcopy(results)
    for result in plain.values():
        result["exam"].pop("history_only", None)
        result["remarks"] = [r for r in result["remarks"] if r["code"] != "history-only"]
    return plain


@contextmanager
def dcmqrscp(folder: Path, sets: list[pydicom.Dataset], to: int):
    """DCMTK's archive with these objects in it."""
    (folder / "db").mkdir(parents=True)
    port = free_port()
    (folder / "qr.cfg").write_text(
        f"""
MaxPDUSize = 16384
MaxAssociations = 16
HostTable BEGIN
history = ({MOVE_TO}, 127.0.0.1, {to})
HostTable END
VendorTable BEGIN
VendorTable END
AETable BEGIN
ARCHIVE {folder}/db RW (500, 1024mb) ANY
AETable END
"""
    )
    log = (folder / "qr.log").open("w")
    process = subprocess.Popen(
        ["dcmqrscp", "-c", folder / "qr.cfg", str(port)], stdout=log, stderr=log
    )
    try:
        for _ in range(100):
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.05)
        sent_by(port, "ARCHIVE", sets)
        yield port
    finally:
        process.terminate()
        process.wait()


@contextmanager
def archive(sets: list[pydicom.Dataset], habits: Habits | None = None, moves: dict | None = None):
    one = Archive(sets, habits, moves)
    try:
        yield one
    finally:
        one.stop()


def counts_of(events: list[dict]) -> list[tuple]:
    names = ["window", "studies", "series", "objects"]
    windows = [event for event in events if event["event"] == "window"]
    return [tuple(json.dumps(event[name]) for name in names) for event in windows]


def queries(site: Site) -> list[tuple]:
    """The audit messages of questions (DICOM PS3.15 A.5.3.10, from memory), valid by the schema of
    A.5.1.1: roles and names of who takes part, what is asked, in which syntax."""
    grammar = etree.RelaxNG(etree.parse(ROOT / "fixtures" / "audit" / "message.rng"))
    found = []
    for line in (site.folder / "audit.xml").read_text().splitlines():
        message = etree.fromstring(line)
        if message.find("EventIdentification/EventID").get("csd-code") == "110112":
            check(grammar.validate(message), f"an audit message: {grammar.error_log}")
            who = {
                (one.find("RoleIDCode").get("csd-code") if len(one) else ""): one.get("UserID")
                for one in message.findall("ActiveParticipant")
            }
            question = message.find("ParticipantObjectIdentification")
            query = base64.b64decode(question.find("ParticipantObjectQuery").text)
            syntax = question.find("ParticipantObjectDetail")
            syntax = None if syntax is None else base64.b64decode(syntax.get("value")).decode()
            found.append((who, question.get("ParticipantObjectID"), query, syntax))
    return found


def asked_and_told(site: Site) -> None:
    """Each day asked for is told, in the dry run too, as a data set that pydicom reads."""
    told = queries(site)
    days = []
    for who, model, query, syntax in told:
        check(who.get("110152") == "ARCHIVE" and set(who) == {"", "110153", "110152"}, f"who is told: {who}")
        check(model == "1.2.840.10008.5.1.4.1.2.2.1" and syntax == ImplicitVRLittleEndian, f"{model}, {syntax}")
        asked = pydicom.dcmread(BytesIO(query), force=True)
        check(asked.QueryRetrieveLevel == "STUDY" and asked.ModalitiesInStudy == "SR", "what is asked is told")
        days.append(asked.StudyDate)
    wanted = [f"202102{day}" for day in (25, 26, 27, 28)] + [f"2021030{day}" for day in range(1, 9)]
    check(days == wanted * 2, f"every question is told: {days}")


def by_dcmtk(work: Path, sets: list[pydicom.Dataset], sent: dict[str, dict]) -> None:
    wanted = sorted(one.SOPInstanceUID for one in reports(sets))
    # A first site to know its port, which the archive has to be told.
    moved = Site(work / "moved", 9, retrieve="move", move_to="ANOTHER")
    with dcmqrscp(work / "dcmtk", sets, moved.listen) as port:
        site = Site(work / "got", port, deliver=True)
        code, dry, _ = site.backfill("--dry-run")
        check(code == 0 and site.ask("select count(*) from object") == [(0,)], "a dry run gets nothing")
        code, events, error = site.backfill()
        check(code == 0, f"C-GET from dcmqrscp: {error}")
        check(counts_of(dry) == counts_of(events), "the dry run counts what is then got")
        check(done(events)["fetched"] == len(wanted), "every report is got")
        check(site.stored() == wanted, "every report is stored once, and nothing else")
        asked_and_told(site)
        _, events, _ = site.backfill()
        finished = [e["finished_before"] for e in events if e["event"] == "window"]
        check(all(finished), "finished days are not asked for again")
        with site.serving():
            pass
        check(site.results() == sent, "C-GET gives the results of C-STORE")
        check(site.ask("select count(*) from delivery")[0][0] > 0, "deliver = true delivers")

        with moved.serving() as daemon:
            # The running listener learns the title by which the history comes.
            text = moved.config.read_text().replace("port = 9", f"port = {port}")
            moved.config.write_text(text.replace("ANOTHER", MOVE_TO))
            daemon.send_signal(signal.SIGHUP)
            codes = (json.loads(line)["fields"].get("code") for line in daemon.stdout)
            check("reloaded" in codes, "the archive is read again")
            code, events, error = moved.backfill()
            check(code == 0, f"C-MOVE from dcmqrscp: {error}")
            check(moved.stored() == wanted, "C-MOVE stores every report once")
        old = moved.results()
        check(all(one["exam"].get("history_only") for one in old.values()), "old exams are marked")
        check(unmarked(old) == sent, "C-MOVE gives the results of C-STORE")
        check(moved.ask("select count(*) from delivery") == [(0,)], "old exams are not delivered")
        # One of them comes by itself as well.
        live = reports(sets)[0]
        with moved.serving():
            sent_by(moved.listen, "SHEATHLINE", [live])
            time.sleep(1)
        news = [one for one in moved.results().values() if not one["exam"].get("history_only")]
        studies = [one["exam"]["study_instance_uid"] for one in news]
        check(studies == [live.StudyInstanceUID], "what came by itself as well is news")
        check(moved.ask("select count(*) from delivery") == [(1,)], "and is delivered")
        check(unmarked(moved.results()) == sent, "and says the same as before")


def killed(work: Path, sets: list[pydicom.Dataset], sent: dict[str, dict]) -> None:
    wanted = sorted(one.SOPInstanceUID for one in reports(sets))
    with archive(sets) as peer:
        site = Site(work / "killed", peer.port, objects_per_s=40, at_once=3, deliver=True)
        for number in range(12):
            process = site.start()
            time.sleep(0.05 + 0.07 * number)
            process.send_signal(signal.SIGKILL)
            process.communicate()
        code, _, error = site.backfill()
        check(code == 0, f"after kills: {error}")
        check(site.stored() == wanted, "kills lose and double nothing")
        finished = site.ask("select day from archive_day")
        check(len(finished) == 12, f"every day is finished, not {len(finished)}")
        before = len(peer.sent)
        code, events, _ = site.backfill("--again")
        check(len(peer.sent) - before == len(wanted), "--again gets everything again")
        check(site.stored() == wanted, "and stores it once")
        with site.serving():
            pass
        check(site.results() == sent, "after kills the results are those of C-STORE")


def bad_habits(work: Path, sets: list[pydicom.Dataset]) -> None:
    wanted = sorted(one.SOPInstanceUID for one in reports(sets))
    complete = {
        "breaks associations": Habits(drop_every=1),
        "cuts off and says so": Habits(answers_max=4),
        "does not know modalities": Habits(knows_modalities=False),
        "does not know lists": Habits(knows_lists=False),
    }
    for number, (what, habits) in enumerate(complete.items()):
        with archive(sets, habits) as peer:
            site = Site(work / f"habit{number}", peer.port, at_once=3)
            code, events, error = site.backfill()
            check(code == 0, f"an archive that {what}: {code} {error}")
            check(site.stored() == wanted, f"an archive that {what}: every report once")
    with archive(sets, Habits(answers_max=5, says_so=False)) as peer:
        site = Site(work / "silent", peer.port, answers_max=5)
        code, events, _ = site.backfill()
        check(code == 0 and site.stored() == wanted, "answers_max finds what is cut off silently")
    with archive(sets, Habits(answers_max=1)) as peer:
        site = Site(work / "hour", peer.port)
        code, events, _ = site.backfill()
        told = [e for e in events if e["event"] == "incomplete"]
        check(code == 1 and told, "an hour that is cut off is told")
        open_days = site.ask("select count(*) from archive_day")[0][0]
        check(0 < open_days < 12, "its day stays open")

    nameless = reports(sets)[9]
    with archive(sets, Habits(nameless={nameless.SOPInstanceUID})) as peer:
        site = Site(work / "nameless", peer.port)
        code, events, _ = site.backfill()
        told = [e["study"] for e in events if e["event"] == "incomplete"]
        check(code == 1 and told == [nameless.StudyInstanceUID], f"an answer without its UID is told: {told}")
        check(site.stored() == [uid for uid in wanted if uid != nameless.SOPInstanceUID], "the others came")

    never = {wanted[3], wanted[-1]}
    with archive(sets, Habits(never=never)) as peer:
        site = Site(work / "never", peer.port)
        code, events, error = site.backfill()
        missing = {e["instance"]: e["code"] for e in events if e["event"] == "missing"}
        check(code == 1 and missing == dict.fromkeys(never, "status-b000"), f"missing: {missing}")
        check(site.stored() == [uid for uid in wanted if uid not in never], "the others came")
        peer.habits = Habits()
        before = len(peer.sent)
        code, events, _ = site.backfill()
        check(code == 0 and sorted(peer.sent[before:]) == sorted(never), "only these are got again")
        check(site.stored() == wanted, "then all are here")

    with archive(sets, Habits(get_status=0xA702)) as peer:
        site = Site(work / "refuses", peer.port)
        code, events, _ = site.backfill()
        check(code == 1 and done(events)["missing"] == len(wanted), "a refused C-GET is told for each")
        check(site.stored() == [], "and nothing is stored")

    with archive(sets, moves={}) as peer:
        site = Site(work / "nowhere", peer.port, retrieve="move", move_to=MOVE_TO)
        code, events, _ = site.backfill()
        codes = {e["code"] for e in events if e["event"] == "missing"}
        check(code == 1 and codes == {"status-a801"}, f"an unknown move_to: {codes}")

    site = Site(work / "away", free_port(), timeout_s=1)
    code, events, error = site.backfill()
    check(code == 1 and "connect-refused" in error, f"an archive that is away: {error}")


def self_test(work: Path, sets: list[pydicom.Dataset]) -> int:
    """A day that is noted before its objects are stored, and an object that is stored twice, must be
    noticed by the checks of this file."""
    wanted = sorted(one.SOPInstanceUID for one in reports(sets))
    noticed = 0
    with archive(sets) as peer:
        site = Site(work / "ahead", peer.port)
        site.backfill("--dry-run")
        with sqlite3.connect(site.folder / "store.sqlite") as store:
            store.execute("insert into archive_day values ('old', '2021-03-04', '')")
        site.backfill()
        noticed += site.stored() != wanted
        site = Site(work / "twice", peer.port)
        site.backfill()
        with sqlite3.connect(site.folder / "store.sqlite") as store:
            store.execute("update object set transfer_syntax = '1.2.840.10008.1.2' where id = 1")
            store.execute("delete from archive_day")
            store.execute("delete from archived where object_id = 1")
        site.backfill()
        before = len(FAILURES)
        site.stored()
        noticed += len(FAILURES) > before
    print(f"{noticed} of 2 breakages noticed")
    return 0 if noticed == 2 else 1


def main() -> int:
    sets = corpus()
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        if "--self-test" in sys.argv:
            return self_test(work, sets)
        site = Site(work / "sent", 9)
        with site.serving():
            sent_by(site.listen, "SHEATHLINE", reports(sets))
        sent = site.results()
        check(len(sent) > 5, "there are results to compare")
        started = time.monotonic()
        for name, run in [
            ("DCMTK", lambda: by_dcmtk(work, sets, sent)),
            ("kills", lambda: killed(work, sets, sent)),
            ("bad habits", lambda: bad_habits(work, sets)),
        ]:
            run()
            print(f"{name}: {time.monotonic() - started:.0f} s")
    print(f"{len(reports(sets))} reports, {len(FAILURES)} differences")
    return 1 if FAILURES else 0


if __name__ == "__main__":
    if not shutil.which("dcmqrscp"):
        raise SystemExit("dcmqrscp of DCMTK is missing")
    sys.exit(main())
