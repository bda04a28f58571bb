"""SIGKILL at random instants under load by every way in.

    kills.py BINARY [--kills 50] [--long] [--seed N] [--self-test]

Eight associations and the drop folder bring objects, as does HTTP; HL7 brings merges of patient ids,
and the command line labels. Up to 25 kills to a site: after each the daemon starts again, and everything acknowledged must be in
the store. After the last one the rest is sent, and all that must hold is checked. The long form
makes 1000 kills: no failure among them bounds the chance of one by 0.3 % (rule of three).
"""

import dataclasses
import random
import shutil
import sqlite3
import sys
import time
from collections import Counter

from harness import Load, Site, arguments, end, noticed, send, until
from holds import check
from sender import EXAMS_OF_A_PATIENT, reports
from ways import Hl7, Labels, Web, address, control_id, doubled, exams, label, merge, opened, said, say_all, stow

OBJECTS = 300
KILLS_A_SITE = 25
# Of those that do not come by the drop folder, one in so many comes over HTTP.
WEB_STEP = 5
MERGES = [(f"K-{2 * n + 1:06d}", f"K-{2 * n:06d}") for n in range(6)]
LABELS = 12


def shared_out() -> tuple[list, list, list]:
    """The objects by their way in: network, folder, HTTP."""
    objects = reports(OBJECTS)
    rest = [one for one in objects if not one.by_folder]
    by_web = [dataclasses.replace(one, by_web=True) for one in rest[::WEB_STEP]]
    known = {one.uid for one in by_web}
    return [one for one in rest if one.uid not in known], [one for one in objects if one.by_folder], by_web


def labelled(objects: list) -> list[str]:
    """The studies that get a label: of different patients, merged and not."""
    of_sheaths = [one for one in objects if one.has_sheath]
    return [f"2.25.2{one.uid[6:]}" for one in of_sheaths[1 :: EXAMS_OF_A_PATIENT][:LABELS]]


def a_site(options, dice: random.Random, kills: int, counts: Counter, mischief=None) -> list[str]:
    """Kills one daemon after the other. Returns what did not hold; `mischief` sees to that."""
    by_network, by_folder, by_web = shared_out()
    objects = by_network + by_folder + by_web
    studies = labelled(reports(OBJECTS))
    acknowledged, merged, told, problems = [], set(), set(), []
    with Site(options.binary) as site:
        opened(site)
        for number in range(kills):
            daemon = site.serve()
            counts["slowest start"] = max(counts["slowest start"], daemon.seconds_to_listen)
            if lost := {one.sha256 for one in acknowledged} - site.stored():
                problems.append(f"{len(lost)} acknowledged objects are lost after a kill")
            problems += unsaid(site, merged, told)
            dice.shuffle(by_web)
            ways = [Web(daemon, by_web), Hl7(daemon, MERGES), Labels(site, daemon, studies)]
            dice.shuffle(by_network)
            load = Load(daemon.address, by_network)
            for one in by_folder[number::kills]:
                site.put(one)
            if dice.random() < 0.5:
                time.sleep(0.01 + dice.choice((0.1, 1.0)) * dice.random())
            else:
                # Results are made in the pauses of a load; meet those steps too.
                time.sleep(0.1)
                load.finish()
                time.sleep(0.4 + 0.8 * dice.random())
            daemon.kill()
            acknowledged += load.finish()
            over_web, over_hl7, by_hand = (way.finish() for way in ways)
            acknowledged += over_web
            merged |= {control_id(one) for one in over_hl7}
            told |= set(by_hand)
            counts["over HTTP"] += len(over_web)
            counts["merges"] += len(over_hl7)
            counts["labels"] += len(by_hand)
            counts["half results"] += any(site.outbox.glob(".partial-*"))
            acknowledged += filter(site.is_done, by_folder[number::kills])
        daemon = site.serve()
        known = {one.uid for one in acknowledged}
        rest = [one for one in by_network if one.uid not in known]
        answers = send(daemon.address, rest)
        acknowledged += [one for one in rest if answers.get(one.uid) == 0]
        until("the drop folder", lambda: all(map(site.is_done, by_folder)))
        web, hl7 = address(daemon, "web-listening"), address(daemon, "hl7-listening")
        acknowledged += [one for one in by_web if one.uid not in known and stow(web, one)]
        if not all(merge(hl7, one) for one in MERGES if control_id(one) not in merged):
            problems.append("a merge is refused")
        until("the queue to drain", site.is_drained)
        found = exams(site.outbox)
        if not all(label(site, found[study]) for study in studies if study not in told):
            problems.append("a label is refused")
        problems += unsaid(site, {control_id(one) for one in MERGES}, set(studies))
        until("the queue to drain", site.is_drained)
        if (code := daemon.stop()) != 0:
            problems.append(f"the daemon stopped with {code}")
        if mischief:
            mischief(site)
            problems += unsaid(site, set(), set())
        problems += check(site, objects, acknowledged, lambda clean: say_all(clean, MERGES, studies))
    counts["kills"] += kills
    counts["acknowledgements"] += len(acknowledged)
    return problems


def unsaid(site: Site, merged: set, told: set) -> list[str]:
    """Merges and labels that were answered with success and are not in the store, or twice."""
    merges, labels = site.read(said)
    problems = []
    if lost := merged - merges:
        problems.append(f"{len(lost)} acknowledged merges are lost, as {min(lost)}")
    if lost := told - labels:
        problems.append(f"{len(lost)} acknowledged labels are lost, as of {min(lost)}")
    if twice := site.read(doubled):
        problems.append(f"{len(twice)} labels are recorded twice, as of {twice[0]}")
    return problems


def an_object_gone(site: Site) -> None:
    """As if its commit had not been on the disk when it was answered."""
    with sqlite3.connect(site.store) as base:
        base.execute("delete from object where id = (select min(id) from object)")


def a_result_twice(site: Site) -> None:
    one = next(entry for entry in sorted(site.outbox.iterdir()) if entry.name.startswith("E"))
    shutil.copytree(one, site.outbox / f"{one.name.partition('-')[0]}-v9")


def a_result_gone(site: Site) -> None:
    one = next(entry for entry in sorted(site.outbox.iterdir()) if entry.name.startswith("E"))
    shutil.rmtree(one)


def a_merge_gone(site: Site) -> None:
    """As if it had never come: its patients are assessed without it."""
    with sqlite3.connect(site.store) as base:
        base.execute("delete from id_statement where id = (select min(id) from id_statement)")
        base.execute(
            "insert into dirty (patient_issuer, patient_id, since, mark) select distinct patient_issuer,"
            " patient_id, '2026-01-01T00:00:00.000000Z', 1 from object where patient_id like 'K-%'"
        )
    site.process()


def a_label_twice(site: Site) -> None:
    """As if a command that was cut off and given again had recorded it once more."""
    columns = "act, patient_issuer, patient_id, kind, study_instance_uid, readings, value, recorded_at"
    columns += ", author, author_kind, entered_by, source, reason"
    with sqlite3.connect(site.store) as base:
        base.execute(f"insert into entry ({columns}) select {columns} from entry where id = 1")


def self_test(options) -> list[str]:
    problems = []
    for mischief in (an_object_gone, a_result_twice, a_result_gone, a_merge_gone, a_label_twice):
        found = a_site(options, random.Random(options.seed), 2, Counter(), mischief)
        problems += noticed("kills", mischief.__name__.replace("_", " "), found)
    return problems


def main() -> int:
    options = arguments(__doc__, lambda parser: parser.add_argument("--kills", type=int))
    print(f"kills: seed {options.seed}")
    if options.self_test:
        return end("kills", self_test(options))
    dice, problems, counts = random.Random(options.seed), [], Counter()
    wanted = options.kills or (1000 if options.long else 50)
    while counts["kills"] < wanted and not problems:
        kills = min(KILLS_A_SITE, wanted - counts["kills"])
        problems += a_site(options, dice, kills, counts)
        if options.long:
            print(f"kills: {counts['kills']} so far", flush=True)
    print(
        f"kills: {counts['kills']} kills, {counts['half results']} of them left a half result, "
        f"{counts['acknowledgements']} acknowledgements ({counts['over HTTP']} over HTTP), "
        f"{counts['merges']} merges, {counts['labels']} labels, slowest start "
        f"{counts['slowest start']:.1f} s, {len(problems)} problems"
    )
    return end("kills", problems)


if __name__ == "__main__":
    sys.exit(main())
