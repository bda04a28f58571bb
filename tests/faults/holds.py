"""What must hold once everything was sent, drained and stopped, whatever happened before."""

import hashlib
import json
import zlib
from pathlib import Path

from harness import MEMORY, Broken, Site, waiting
from sender import Report

# What a reader sees of a result. Where it comes from may be told as of an earlier version, since what a
# reader does not see makes none; `seen_key` covers every printed number and remark.
SEEN = ("seen_key", "patient", "exam", "remarks")
SEEN_OF_ASSESSMENT = ("status", "reason", "flagged", "decided_by", "basis", "notices")


# What keeps a second store out of the outbox; it stays.
LOCK = ".sheathline-lock"


def read(file: Path) -> bytes:
    """Empty if it is not there."""
    return file.read_bytes() if file.exists() else b""


def seen(result: dict) -> dict:
    """What a reader sees of a result."""
    told = {name: result[name] for name in SEEN}
    return told | {name: result["assessment"][name] for name in SEEN_OF_ASSESSMENT}


def newest(outbox: Path, problems: list[str], places: dict[str, int] | None = None) -> dict[str, dict]:
    """What a reader sees of the newest version of each exam; counts in `places` where each report stands."""
    places = {} if places is None else places
    versions: dict[str, dict[int, dict]] = {}
    keys: dict[str, str] = {}
    for folder in sorted(outbox.iterdir()) if outbox.exists() else []:
        if folder.name == LOCK:
            continue
        if folder.name.startswith("."):
            problems.append(f"left in the outbox: {folder.name}")
            continue
        try:
            result = json.loads((folder / "result.json").read_bytes())
            text, page = (folder / "result.txt").read_bytes(), (folder / "result.html").read_bytes()
        except (OSError, ValueError) as error:
            problems.append(f"{folder.name} is not whole: {error}")
            continue
        sheet, table = folder / "result.pdf", folder / "result.csv"
        ends = [(page, b"</html>"), (read(sheet), b"%%EOF"), (read(table), b"")]
        if not text or not all(one and one.rstrip().endswith(end) for one, end in ends):
            problems.append(f"{folder.name} is not whole")
        exam, version = result["exam"]["id"], result["version"]
        if folder.name != f"{exam}-v{version}":
            problems.append(f"{folder.name} holds version {version} of {exam}")
        if result["key"] in keys:
            problems.append(f"doubled by key: {keys[result['key']]} and {folder.name}")
        keys[result["key"]] = folder.name
        versions.setdefault(exam, {})[version] = result
    told = {}
    for exam, by_number in versions.items():
        if sorted(by_number) != list(range(1, len(by_number) + 1)):
            problems.append(f"versions of {exam} are {sorted(by_number)}")
        told[exam] = seen(last := by_number[max(by_number)])
        for one in last["reports"]:
            places[one["sop_instance_uid"]] = places.get(one["sop_instance_uid"], 0) + 1
        for number in range(2, len(by_number) + 1):
            if by_number[number]["seen_key"] == by_number[number - 1]["seen_key"]:
                problems.append(f"version {number} of {exam} reads as the one before it")
    return told


_clean: dict[tuple, dict] = {}


def clean_run(binary: Path, objects: list[Report], say=None) -> dict[str, dict]:
    """The results of the same set where nothing goes wrong, and everything that `say` states of it is
    stated; made once for each set."""
    name = (say is not None, *sorted(one.uid for one in objects))
    if name not in _clean:
        with Site(binary, MEMORY) as site:
            files = site.folder / "files"
            files.mkdir()
            for one in objects:
                (files / f"{one.uid}.dcm").write_bytes(one.file)
            site.process(files)
            if say:
                say(site)
                site.process()
            problems: list[str] = []
            _clean[name] = newest(site.outbox, problems)
            if problems:
                raise Broken(f"the clean run is not clean: {problems}")
    return _clean[name]


def in_store(base, problems: list[str]) -> tuple[set[bytes], int, int, set[str]]:
    """Hashes of the objects, how often one came, how much waits, and the versions of results."""
    stored = set()
    for sha256, body in base.execute("select body_sha256, body from object"):
        if hashlib.sha256(zlib.decompress(body)).digest() != sha256:
            problems.append("a stored object is not what its hash says")
        stored.add(sha256)
    kept = base.execute("select count(*) + coalesce(sum(repeats), 0) from object").fetchone()[0]
    versions = {f"{exam}-v{number}" for exam, number in base.execute("select exam_id, version from result")}
    return stored, int(kept), waiting(base), versions


def check(site: Site, objects: list[Report], acknowledged: list[Report], say=None) -> list[str]:
    """What does not hold, in words, once everything was sent, drained and stopped.

    `objects` is all that must be stored by now; `acknowledged` what was answered with success, as
    often as it was. `say` states of a clean run what was stated here.
    """
    problems: list[str] = []
    places: dict[str, int] = {}
    told = newest(site.outbox, problems, places)
    try:
        if damaged := site.unsound():
            return [f"the store is damaged: {damaged}"]
        stored, kept, left, rows = site.read(lambda base: in_store(base, problems))
    except Broken as error:
        return [str(error)]
    if left:
        problems.append(f"{left} things still wait")
    folders = {entry.name for entry in site.outbox.iterdir()} if site.outbox.exists() else set()
    folders.discard(LOCK)
    if rows != folders:
        differ = sorted(rows ^ folders)
        problems.append(f"{len(differ)} results are only in the store or only in the outbox: {differ[:3]}")
    if lost := [one.uid for one in set(acknowledged) if one.sha256 not in stored]:
        problems.append(f"{len(lost)} acknowledged objects are lost, as {lost[0]}")
    if missing := [one.uid for one in objects if one.sha256 not in stored]:
        problems.append(f"{len(missing)} objects are not stored, as {missing[0]}")
    if len(acknowledged) > kept:
        problems.append(f"{len(acknowledged)} times acknowledged, {kept} times received")
    wanted = {one.uid for one in objects if one.has_sheath}
    if off := [uid for uid in wanted | set(places) if places.get(uid, 0) != (uid in wanted)]:
        problems.append(f"{len(off)} objects are not in exactly one newest result, as {off[0]}")
    clean = clean_run(site.binary, objects, say)
    if differ := [exam for exam in clean.keys() | told.keys() if clean.get(exam) != told.get(exam)]:
        problems.append(f"{len(differ)} results differ from those of a clean run, as {differ[0]}")
    sums = site.process()
    parts = sums["in_results"] + sums["no_sheath_measurement"] + sums["quarantined"] + sums["repeats"]
    if sums["received"] != parts or sums["waiting"] or sums["in_results"] != len(wanted):
        problems.append(f"the sum is wrong: {sums}")
    return problems
