"""What four programs read of every fixture, side by side.

    python tests/python/check_families.py target/debug/sheathline

Every value that `sheathline read` reports is looked up in the same file through three readers that
share no code with it: DCMTK's `dsrdump`, DCMTK's `dsr2xml`, and highdicom, by its measurement
groups where the document is a TID 1500 report, else by its content tree. Where a reader can read the
file, it has to show a value of the same digits and unit there, and no other side. Readers do not
know sides; the side is what the laterality items around the number say in the reader's own output.
Exit 1 on any disagreement, and when a reader reads less than it is known to.
"""

import json
import logging
import re
import subprocess
import sys
import tomllib
import warnings
from collections import Counter
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from pathlib import Path
from xml.etree import ElementTree

import highdicom.sr as hd

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "fixtures"))

from read_with_pydicom import FINDING_SITE, LATERALITY, SIDE, SIDED_ANATOMY  # noqa: E402

GROUP = ("125007", "DCM")
# Files and values; a reader with fewer is broken or missing, and agrees with everything.
FEWEST = {
    "dsrdump": {"files": 78, "values": 155, "sides": 135},
    "dsr2xml": {"files": 75, "values": 150, "sides": 130},
    "highdicom": {"files": 62, "values": 125, "sides": 108},
}
# Values of an earlier exam may stand in a section that a reader of measurement groups leaves out.
OTHER_SECTION = {"earlier-finding", "value-quoted"}
# The program itself says that two values are sent; readers take one or the other.
TWO_VALUES = "value-disagrees"


class CannotRead(Exception):
    """A reader gives up on a file."""


@dataclass
class Item:
    """One content item as a reader shows it."""

    concept: tuple | None = None
    # Of a CODE.
    code: tuple | None = None
    # Of a NUM: digits as text or a float, `None` where the reader shows none, and the unit's code.
    is_number: bool = False
    number: object = None
    unit: str | None = None
    children: list = field(default_factory=list)


@dataclass(frozen=True)
class Value:
    """A number as a reader shows it; `sides` are all that stand around it."""

    digits: Decimal | None
    unit: str | None
    sides: frozenset


def decimal(text) -> Decimal | None:
    if text is None:
        return None
    try:
        return Decimal(repr(text) if isinstance(text, float) else str(text).strip()).normalize()
    except InvalidOperation:
        return None


def own_sides(item: Item) -> set:
    """Sides that one item names: its concept, its modifiers, its finding sites."""
    sides = {SIDED_ANATOMY[item.concept]} if item.concept in SIDED_ANATOMY else set()
    for child in item.children:
        if child.concept in LATERALITY and child.code in SIDE:
            sides.add(SIDE[child.code])
        if child.concept in FINDING_SITE:
            sides |= own_sides(child)
            if child.code in SIDED_ANATOMY:
                sides.add(SIDED_ANATOMY[child.code])
    return sides


def values_of(root: Item) -> dict[str, tuple[Value, bool]]:
    """Every NUM of a tree by place, and whether it stands in a measurement group."""
    found = {}

    def walk(item, place, sides, grouped):
        sides = sides | own_sides(item)
        grouped = grouped or item.concept == GROUP
        if item.is_number:
            value = Value(decimal(item.number), item.unit, frozenset(sides))
            found[place] = (value, grouped)
        for ordinal, child in enumerate(item.children, start=1):
            walk(child, f"{place}.{ordinal}", sides, grouped)

    walk(root, "1", set(), False)
    return found


def code(value, scheme) -> tuple:
    """SNM3 and 99SDM are older designators of the codes of SRT (PS3.16 8.1)."""
    return (value, "SRT" if scheme in ("SNM3", "99SDM") else scheme)


def output(*command) -> str:
    run = subprocess.run([str(part) for part in command], capture_output=True, timeout=60)
    if run.returncode != 0:
        error = run.stderr.decode("utf-8", "replace").strip().splitlines()
        raise CannotRead(error[-1] if error else f"exit {run.returncode}")
    return run.stdout.decode("utf-8", "replace")


# (value,scheme[version],"meaning")
CODED = r'\(([^,]*),([^,\[]*)(?:\[[^\]]*\])?,"(?:[^"]*)"\)'
# An observation's date or a template's name may follow.
LINE = re.compile(r"^(1(?:\.\d+)*)  <(.*)>(?: [{#].*)?$")
CONCEPT = re.compile(rf"^(?:[a-z ]+ )?([A-Z]+\d?D?):{CODED}")
CODE_VALUE = re.compile(rf"={CODED}$")
NUM_VALUE = re.compile(rf'="([^"]*)" {CODED}')


def by_dsrdump(path: Path) -> Item:
    items = {}
    for line in output("dsrdump", "-Er", "-Ec", "-Ee", "-Dv", "+Pn", "+Pc", path).splitlines():
        match = LINE.match(line)
        if not match:
            continue
        place, text = match.groups()
        item = items[place] = Item()
        if "." in place:
            items[place.rpartition(".")[0]].children.append(item)
        concept = CONCEPT.match(text)
        if not concept:
            continue
        kind, value, scheme = concept.groups()
        item.concept = code(value, scheme)
        rest = text[concept.end():]
        if kind == "CODE" and (said := CODE_VALUE.match(rest)):
            item.code = code(*said.groups())
        item.is_number = kind == "NUM"
        if item.is_number and (said := NUM_VALUE.match(rest)):
            item.number, item.unit, _ = said.groups()
    if not items:
        raise CannotRead("no content tree")
    return items["1"]


def by_dsr2xml(path: Path) -> Item:
    text = output("dsr2xml", "-Er", "-Ec", "-Ee", "-Dv", "+U8", "+Ec", "+Er", "+Ev", path)
    try:
        root = ElementTree.fromstring(text).find("document/content/item")
    except ElementTree.ParseError as error:
        raise CannotRead(f"no XML: {error}") from error
    if root is None:
        raise CannotRead("no content tree")

    def coded(element, name):
        found = element.find(name)
        if found is None or "codValue" not in found.attrib:
            return None
        return code(found.get("codValue"), found.get("codScheme"))

    def read(element) -> Item:
        item = Item(coded(element, "concept"))
        item.children = [read(child) for child in element.findall("item")]
        if element.get("valType") == "CODE":
            item.code = coded(element, "value")
        item.is_number = element.get("valType") == "NUM"
        if item.is_number and element.findtext("value"):
            item.number = element.findtext("value")
            item.unit = (coded(element, "unit") or [None])[0]
        return item

    return read(root)


def coded_concept(concept) -> tuple | None:
    return code(concept.value, concept.scheme_designator) if concept is not None else None


def hd_tree(item) -> Item:
    """A content item of highdicom, by its own classes."""
    read = Item(coded_concept(item.name))
    if isinstance(item, hd.CodeContentItem):
        read.code = coded_concept(item.value)
    if isinstance(item, hd.NumContentItem):
        read.is_number, read.number, read.unit = True, item.value, item.unit.value
    read.children = [hd_tree(child) for child in getattr(item, "ContentSequence", None) or []]
    return read


def hd_groups(content) -> Counter:
    """Values of a TID 1500 report by its measurement groups."""
    values = Counter()
    for kind in ("image", "planar_roi", "volumetric_roi"):
        for group in getattr(content, f"get_{kind}_measurement_groups")():
            for measurement in group.get_measurements():
                sides = set()
                for site in [*group.finding_sites, *measurement.finding_sites]:
                    said = SIDE.get(coded_concept(site.laterality) or ())
                    said = said or SIDED_ANATOMY.get(coded_concept(site.value))
                    sides |= {said} if said else set()
                unit = measurement.unit.value
                values[Value(decimal(measurement.value), unit, frozenset(sides))] += 1
    return values


def by_highdicom(path: Path) -> Item | Counter:
    try:
        content = hd.srread(path).content
        if isinstance(content, hd.MeasurementReport):
            return hd_groups(content)
        return hd_tree(content[0])
    except Exception as error:  # noqa: BLE001 - any failure means the same here
        raise CannotRead(f"{type(error).__name__}: {error}".splitlines()[0][:70]) from error


READERS = {"dsrdump": by_dsrdump, "dsr2xml": by_dsr2xml, "highdicom": by_highdicom}


def run_read(binary: Path, folder: Path) -> dict:
    command = [binary, "read", "--json", folder / "report.dcm"]
    if (folder / "dictionary.toml").exists():
        command += ["--dictionary", folder / "dictionary.toml"]
    run = subprocess.run(command, capture_output=True, text=True, timeout=60)
    if run.returncode not in (0, 1):
        raise SystemExit(f"{folder.name}: exit {run.returncode}: {run.stderr}")
    return json.loads(run.stdout)


def differs(measurement: dict, shown: Value, pydicom_side: str) -> tuple[list[str], bool]:
    """What is different in one value, and whether its side could be compared."""
    wrong = []
    if decimal(measurement["value_as_sent"]) != shown.digits:
        wrong.append(f"value {measurement['value_as_sent']}, not {shown.digits}")
    if measurement["unit_as_sent"] != shown.unit:
        wrong.append(f"unit {measurement['unit_as_sent']}, not {shown.unit}")
    if not shown.sides:
        return wrong, False
    alone = next(iter(shown.sides)) if len(shown.sides) == 1 else None
    side = alone if alone in ("right", "left") else "unresolved"
    eye = measurement["eye"]
    if eye == "unresolved" == pydicom_side != side:
        # Contradicted by what no content item around the number says, as the header.
        return wrong, False
    if eye != side:
        wrong.append(f"{eye} eye, not {side}")
    return wrong, True


def compare_tree(read: dict, tree: Item, sides: dict) -> tuple[int, int, list[str]]:
    """Values and sides that could be compared place by place, and what differs."""
    shown, compared, sided, wrong = values_of(tree), 0, 0, []
    for measurement in read["measurements"]:
        place = measurement["place"]
        if place not in shown:
            wrong.append(f"{place}: not there")
            continue
        value, _ = shown[place]
        if value.digits is None:
            # Sent as a floating point number or a fraction alone, or not at all.
            continue
        found, has_side = differs(measurement, value, sides.get(place))
        wrong += [f"{place}: {what}" for what in found]
        compared, sided = compared + 1, sided + has_side
    return compared, sided, wrong


def compare_groups(
    read: dict, groups: Counter, grouped: set, sides: dict
) -> tuple[int, int, list[str]]:
    """The same where values come without places: each has to be there as often."""
    left, compared, sided, wrong = groups.copy(), 0, 0, []
    for measurement in read["measurements"]:
        if measurement["place"] not in grouped:
            continue
        digits, unit = decimal(measurement["value_as_sent"]), measurement["unit_as_sent"]
        same = [one for one in left if (one.digits, one.unit) == (digits, unit) and left[one]]
        fits = [one for one in same if not differs(measurement, one, "")[0]]
        remarks = {remark["code"] for remark in measurement["remarks"]}
        if not fits and remarks & {TWO_VALUES, *OTHER_SECTION}:
            continue
        if not fits and measurement["eye"] == "unresolved" == sides.get(measurement["place"]):
            # Contradicted by a label, which the reader does not hold against the codes.
            continue
        if not fits:
            wrong.append(f"{measurement['place']}: {digits} {unit} {measurement['eye']}, "
                         f"not {[sorted(one.sides) for one in same]}")
            continue
        left[fits[0]] -= 1
        compared, sided = compared + 1, sided + bool(fits[0].sides)
    return compared, sided, wrong


def check(binary: Path, folder: Path, cannot: dict) -> tuple[dict, list[str]]:
    """Cells of one row by reader, and what differs."""
    report = folder / "report.dcm"
    read = run_read(binary, folder)
    expected = json.loads((folder / "expected.json").read_text(encoding="utf-8"))
    sides = {one["place"]: one["laterality"] for one in expected.get("numbers", [])}
    if (folder / "dictionary.toml").exists():
        # A label of the dictionary, which no other reader has, contradicts the codes.
        about = tomllib.loads((folder / "about.toml").read_text(encoding="utf-8"))
        musts = about.get("must_read", [])
        sides |= {one["place"]: "unresolved" for one in musts if one["eye"] == "unresolved"}
    cells, wrong, grouped = {"sheathline": len(read["measurements"])}, [], set()
    for name, reader in READERS.items():
        try:
            shown = reader(report)
        except CannotRead as error:
            cannot.setdefault(name, {})[folder.name] = str(error)
            cells[name] = None
            continue
        if isinstance(shown, Counter):
            # A number's own readings hang below it; groups list what they contain.
            groups = {place for place in grouped if place.count(".") == 3}
            compared, sided, found = compare_groups(read, shown, groups, sides)
        else:
            compared, sided, found = compare_tree(read, shown, sides)
            places = values_of(shown)
            grouped |= {place for place, (_, is_grouped) in places.items() if is_grouped}
        cells[name] = (compared, sided)
        wrong += [f"{folder.name}, {name}: {what}" for what in found]
    return cells, wrong


def main() -> int:
    binary = Path(sys.argv[1]).resolve()
    warnings.simplefilter("ignore")
    logging.disable(logging.CRITICAL)
    folders = sorted(path for path in (ROOT / "fixtures/sr").iterdir() if path.is_dir())
    cannot, wrong, totals = {}, [], {name: Counter() for name in READERS}
    print("values and sides that agree with what sheathline reads; - where a reader gives up")
    print(f"{'case':26} {'sheathline':>10} " + " ".join(f"{name:>10}" for name in READERS))
    for folder in folders:
        cells, found = check(binary, folder, cannot)
        wrong += found
        shown = []
        for name in READERS:
            cell = cells[name]
            shown.append("-" if cell is None else f"{cell[0]} / {cell[1]}")
            if cell is not None:
                totals[name].update(files=1, values=cell[0], sides=cell[1])
        print(f"{folder.name:26} {cells['sheathline']:>10} "
              + " ".join(f"{text:>10}" for text in shown) + ("  DIFFERENT" if found else ""))
    for name, cases in cannot.items():
        for case, why in cases.items():
            print(f"{name} cannot read {case}: {why}")
    for line in wrong:
        print(line, file=sys.stderr)
    for name, total in totals.items():
        print(f"{name}: {total['files']} of {len(folders)} files, {total['values']} values, "
              f"{total['sides']} sides")
        if any(total[what] < least for what, least in FEWEST[name].items()):
            wrong.append(name)
            print(f"{name} reads less than it is known to", file=sys.stderr)
    print(f"{len(wrong)} disagree")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
