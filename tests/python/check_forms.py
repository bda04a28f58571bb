"""Checks every form of a result with readers and validators of other projects.

    python tests/python/check_forms.py target/debug/sheathline

The demonstration makes results; each is rendered in each form and read back:

- SR: DCMTK `dsrdump`, dicom3tools `dciodvfy`, the template checker of PixelMed where it is
  installed; highdicom has to find the values and sides of `result.json`.
- Encapsulated PDF: `dciodvfy`, pydicom; poppler turns the page into text and a picture.
- HL7: hl7apy parses and validates it; every number comes back under the code of its eye.
- FHIR: the models of fhir.resources (R4B); every reference leads to an entry of the bundle.
- CSV: Python's reader.
- The SR and the PDF, sent back, are no new measurements.

Exit 1 on any difference.
"""

import csv
import io
import json
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import highdicom
import hl7apy.parser
import pydicom
from fhir.resources.R4B.bundle import Bundle
from hl7apy.consts import VALIDATION_LEVEL
from pydicom.sr.codedict import codes

PIXELMED = Path("/usr/share/java/pixelmed.jar")
NOT_A_DEVICE = "not a certified medical device"
# Remarks that something at the eye was left unread, and their codes in forms.
UNREAD = {"values-unread": "other-eye", "left-unread": "at-the-eye"}
# Reports of which a side cannot be told: of one eye, of the only value, of all values.
LEFT_UNREAD = [
    Path(f"fixtures/sr/{name}/report.dcm") for name in ("side-conflict", "side-against-label", "side-missing")
]
SIDES = {"24028007": "right", "7771000": "left", "51440002": "both"}


def tool(name: str) -> str:
    """The program beside this Python, else the one on the path."""
    found = shutil.which(name, path=str(Path(sys.executable).parent)) or shutil.which(name)
    if not found:
        sys.exit(f"{name} is missing; .ci/setup installs it")
    return found


def run(*command: str | Path) -> tuple[int, str]:
    done = subprocess.run([str(part) for part in command], capture_output=True, timeout=300)
    return done.returncode, (done.stdout + done.stderr).decode("utf-8", "replace")


def near(a: float, b: float) -> bool:
    return abs(a - b) < 2e-6


def told(a: float, b: float) -> bool:
    """Messages and resources carry three decimals."""
    return abs(a - b) < 5e-4 + 1e-9 and a == round(a, 3)


def direction(result: dict, status: str | None) -> str | None:
    """U or D of a row beside the exam's own: a flagged exam went up, and no row says otherwise."""
    ways = {"above_expected": "U", "well_above_expected": "U", "below_expected": "D"}
    answer = result["assessment"]
    exam = "U" if answer["flagged"] else ways.get(answer["status"])
    return exam if ways.get(status) == exam else None


class Wrong(list):
    """What differs."""

    def same(self, what, got, wanted):
        if got != wanted:
            self.append(f"{what} is {got!r}, wanted {wanted!r}")

    def true(self, what, holds):
        if not holds:
            self.append(what)


def rows(result: dict) -> dict[str, dict]:
    return {eye: row for eye, row in result["assessment"]["rows"].items() if row}


def readings(result: dict) -> dict[str, list[float]]:
    by_eye = {"right": [], "left": []}
    for one in result["measurements_used"]:
        by_eye[one["eye"]].append(one["value_mm"])
    return by_eye


def tools_on(path: Path, wrong: Wrong, tree: bool) -> None:
    if tree:
        status, said = run(tool("dsrdump"), "+Pc", path)
        wrong.true(f"dsrdump: {said[-300:]}", status == 0 and not re.search(r"^[EF]: ", said, re.M))
    _, said = run(tool("dciodvfy"), "-new", path)
    wrong += [f"dciodvfy: {line}" for line in said.splitlines() if line.startswith("Error")]


def templates(paths: list[Path]) -> list[str]:
    """What the template checker of PixelMed says; empty when all is well or it is not there."""
    if not PIXELMED.exists() or not shutil.which("java"):
        print("the template checker of PixelMed is not installed; left out")
        return []
    wrong = []
    for path in paths:
        options = ["TotalOpLimit", "ExprOpLimit", "ExprGrpLimit"]
        limits = [f"-Djdk.xml.xpath{option}=0" for option in options]
        checker = "com.pixelmed.validate.DicomSRValidator"
        _, said = run("java", "-Xss64m", *limits, "-cp", PIXELMED, checker, path)
        lines = said.splitlines()
        wrong += [f"PixelMed: {line}" for line in lines if line.startswith("Error")]
        if "Root Template Validation Complete" not in said:
            wrong.append(f"PixelMed: {said[-300:]}")
    return wrong


def caliper(item: pydicom.Dataset) -> tuple:
    """A reading of the SR: value, depth and angle of its caliper."""
    found = {}
    for one in item.get("ContentSequence", []):
        if one.RelationshipType == "HAS ACQ CONTEXT":
            code = one.ConceptNameCodeSequence[0].CodeValue
            found[code] = float(one.MeasuredValueSequence[0].NumericValue)
    value = float(item.MeasuredValueSequence[0].NumericValue)
    return value, found.pop("depth-from-globe", None), found.pop("caliper-angle", None), *found


def calipers(result: dict, eye: str) -> list[tuple]:
    """The same of the result: depth as stated, else as drawn."""
    used = [one for one in result["measurements_used"] if one["eye"] == eye]
    drawn = [one.get("geometry") or {} for one in used]
    depths = [
        one["depth_mm"] if one["depth_mm"] is not None else of.get("depth_mm")
        for one, of in zip(used, drawn)
    ]
    return [
        (one["value_mm"], depth, of.get("angle_deg")) for one, depth, of in zip(used, depths, drawn)
    ]


def in_order(calipers: list[tuple]) -> list[tuple]:
    return sorted(calipers, key=str)


def check_sr(path: Path, result: dict, wrong: Wrong) -> None:
    tools_on(path, wrong, tree=True)
    document = highdicom.sr.srread(str(path))
    exam, patient = result["exam"], result["patient"]
    wrong.same("study", document.StudyInstanceUID, exam["study_instance_uid"])
    wrong.same("patient", document.PatientID, patient["id"])
    wrong.same("issuer", document.get("IssuerOfPatientID", ""), patient["issuer"])
    wrong.same("verification", document.VerificationFlag, "UNVERIFIED")
    wrong.true("no name of the patient", str(document.PatientName))
    wrong.true("no study date", document.StudyDate)
    cited = [
        instance.ReferencedSOPInstanceUID
        for study in document.get("CurrentRequestedProcedureEvidenceSequence", [])
        for series in study.ReferencedSeriesSequence
        for instance in series.ReferencedSOPSequence
    ]
    reports = sorted(report["sop_instance_uid"] for report in result["reports"])
    wrong.same("evidence", sorted(cited), reports)
    wrong.same(
        "predecessors",
        len(document.get("PredecessorDocumentsSequence", [])),
        0 if result["supersedes"] is None else 1,
    )

    def coded(item, name):
        for one in item.get("ContentSequence", []):
            if one.ConceptNameCodeSequence[0].CodeValue == name and one.ValueType == "CODE":
                yield one.ConceptCodeSequence[0].CodeValue
            yield from coded(one, name)

    left = [one["code"] for one in result["remarks"] if one["code"] in UNREAD]
    wrong.same("left unread", list(coded(pydicom.dcmread(path), "unread")), [UNREAD[one] for one in left])
    groups = {}
    for group in document.content.get_image_measurement_groups():
        site = group.finding_sites[0]
        wrong.same("site", site.value.value, codes.SCT.OpticNerve.value)
        groups[SIDES[site.laterality.value]] = group
    wrong.same("groups", sorted(groups), sorted(rows(result)))
    for eye, row in rows(result).items():
        plain, made, numbers = [], [], {}
        for one in groups[eye].get_measurements():
            if one.name.value != codes.SCT.Diameter.value:
                numbers[one.name.value] = one.value
                continue
            made.append(one.value)
            plain += [
                caliper(item)
                for item in one[0].ContentSequence
                if item.RelationshipType == "INFERRED FROM"
            ]
        wrong.true(f"{eye}: one value, not {made}", len(made) == 1)
        wrong.true(f"{eye}: {made} is not {row['measured_mm']}", near(made[0], row["measured_mm"]))
        if eye != "both":
            wrong.same(f"{eye} readings", in_order(plain), in_order(calipers(result, eye)))
        for code, key in [
            ("expected", "expected_mm"),
            ("change", "change_mm"),
            ("change-percent", "change_percent"),
            ("least-change", "smallest_change_mm"),
            ("z", "z"),
            ("chance-high", "probability_high"),
        ]:
            got, wanted = numbers.get(code), row[key]
            holds = got is None if wanted is None else got is not None and near(got, wanted)
            wrong.true(f"{eye} {code} is {got}, wanted {wanted}", holds)

    texts = [str(element.value) for element in document.iterall() if element.tag == 0x0040A160]
    for needed in [NOT_A_DEVICE] + [caution["text"] for caution in result["cautions"]]:
        wrong.true(f"no text {needed!r}", any(needed in text for text in texts))
    meanings = [str(one.value) for one in document.iterall() if one.tag == 0x00080104]
    wrong.true("something is called normal", not any("ormal" in one for one in meanings))


def check_pdf_object(path: Path, result: dict, folder: Path, wrong: Wrong) -> None:
    tools_on(path, wrong, tree=False)
    document = pydicom.dcmread(path)
    wrong.same("study", document.StudyInstanceUID, result["exam"]["study_instance_uid"])
    page = folder / "page.pdf"
    page.write_bytes(document.EncapsulatedDocument[: document.EncapsulatedDocumentLength])
    check_page(page, result, wrong)


def check_page(page: Path, result: dict, wrong: Wrong) -> None:
    status, text = run(tool("pdftotext"), "-layout", page, "-")
    flat = " ".join(run(tool("pdftotext"), page, "-")[1].split())
    wrong.same("pdftotext", status, 0)
    wanted = [NOT_A_DEVICE, result["patient"]["id"], result["exam"]["study_instance_uid"]]
    wanted += [f"{row['measured_mm']:.2f}" for row in rows(result).values()]
    wrong += [f"the page lacks {one!r}" for one in wanted if one not in text and one not in flat]
    for caution in result["cautions"]:
        # Cautions may run over lines and columns; their first words do not.
        first = " ".join(caution["text"].split()[:4])
        wrong.true(f"the page lacks {first!r}", first in flat)
    picture = page.with_suffix("")
    status, _ = run(tool("pdftoppm"), "-r", "60", "-gray", page, picture)
    wrong.same("pdftoppm", status, 0)
    made = sorted(page.parent.glob("page-*.pgm"))
    wrong.same("pages", len(made), 1)
    for one in made:
        pixels = one.read_bytes()[15:]
        ink = sum(pixel < 128 for pixel in pixels) / len(pixels)
        wrong.true(f"{one.name}: {ink:.1%} is ink", 0.005 < ink < 0.4)
        one.unlink()


def check_hl7(path: Path, result: dict, wrong: Wrong) -> None:
    text = path.read_bytes().decode("utf-8")
    wrong.true("a line break inside a segment", "\n" not in text)
    # Strict parsing takes every OBX-5 for ST; the validator below is as strict and knows better.
    message = hl7apy.parser.parse_message(
        text, validation_level=VALIDATION_LEVEL.TOLERANT, find_groups=True
    )
    report = path.with_suffix(".report")
    wrong.true("hl7apy finds it invalid", message.validate(report_file=str(report)))
    # It has no UCUM in table 0396 and reports that as a warning; anything else counts.
    for line in report.read_text().splitlines():
        wrong.true(f"hl7apy: {line}", "UCUM" in line or not line.startswith("Error"))
    segments = [line.split("|") for line in text.split("\r") if line]
    wrong.same("type", segments[0][8], "ORU^R01^ORU_R01")
    wrong.same("charset", segments[0][17], "UNICODE UTF-8")
    (pid,) = [one for one in segments if one[0] == "PID"]
    identifier = pid[3].split("^")
    wrong.same("patient", identifier[0], result["patient"]["id"])
    wrong.same("authority", identifier[3].split("&")[0], result["patient"]["issuer"])
    numbers, flags, coded, status = {}, {}, {}, "F" if result["version"] == 1 else "C"
    for one in (one for one in segments if one[0] == "OBX"):
        code = one[3].split("^")[0]
        # A text of the version before that this one has not is taken back, and so is its kind of change.
        may_go = one[2] == "TX" or code == "change-kind"
        if not may_go or one[11] != "D" or result["version"] == 1:
            wrong.same(f"status of {code}", one[11], status)
        wrong.same(f"reference range of {code}", one[7], "")
        wrong.true(f"flag {one[8]!r} of {code}", one[8] in ("", "U", "D"))
        if one[8]:
            flags[code] = one[8]
        if one[2] == "NM":
            numbers.setdefault(code, []).append(float(one[5]))
        if one[2] == "CWE" and one[11] != "D":
            coded[code] = one[5].split("^")[0]
    for eye, row in rows(result).items():
        (value,) = numbers[f"diameter-{eye}"]
        wrong.true(f"{eye}: {value}", told(value, row["measured_mm"]))
        if eye != "both":
            got = sorted(numbers.get(f"reading-{eye}", []))
            wrong.same(f"{eye} readings", got, sorted(readings(result)[eye]))
        wrong.same(f"flag of {eye}", flags.get(f"diameter-{eye}"), direction(result, row["status"]))
        if row["expected_mm"] is not None:
            (value,) = numbers[f"expected-{eye}"]
            wrong.true(f"{eye} expected {value}", told(value, row["expected_mm"]))
    wrong.same("flag of the exam", flags.get("result-status"), direction(result, result["assessment"]["status"])
               or ("U" if result["assessment"]["flagged"] else None))
    check_coded(coded, result, wrong)
    last = (result.get("course") or {}).get("since_last")
    wrong.same("since the last exam", "since-last" in numbers, last is not None)
    if last:
        wrong.true("change since the last exam", told(numbers["since-last"][0], last["mm"]))
    wrong.true("the notice is missing", NOT_A_DEVICE in text)


def check_coded(coded: dict, result: dict, wrong: Wrong) -> None:
    """What the status rests on, by code."""
    answer = result["assessment"]
    basis = {"confirmed": "confirmed", "provisional": "provisional", "none": "no-basis"}
    wrong.same("basis", coded.get("basis"), basis[answer["basis"]])
    by = answer["decided_by"] and {"since_event": "since-event"}.get(answer["decided_by"], f"row-{answer['decided_by']}")
    wrong.same("who decided", coded.get("decided-by"), by)
    left = [one["code"] for one in result["remarks"] if one["code"] in UNREAD]
    wrong.same("left unread", coded.get("unread"), UNREAD[left[0]] if left else None)
    event = (result.get("course") or {}).get("after_event")
    wrong.same("after the event", coded.get("after-event"), event and event["state"].replace("_", "-"))


def check_fhir(path: Path, result: dict, wrong: Wrong) -> None:
    raw = json.loads(path.read_bytes())
    Bundle.model_validate(raw)
    entries = {entry["fullUrl"]: entry["resource"] for entry in raw["entry"]}
    wrong.same("full URLs", len(entries), len(raw["entry"]))

    def references(node):
        if isinstance(node, dict):
            if isinstance(node.get("reference"), str):
                yield node["reference"]
            node = list(node.values())
        if isinstance(node, list):
            for one in node:
                yield from references(one)

    for reference in references(raw):
        wrong.true(f"{reference} leads nowhere", reference in entries)
    kinds = [resource["resourceType"] for resource in entries.values()]
    for kind in ("DiagnosticReport", "Device", "Provenance"):
        wrong.same(f"number of {kind}", kinds.count(kind), 1)
    found = {}
    for resource in entries.values():
        # The models take any word for a status.
        if resource["resourceType"] in ("Observation", "DiagnosticReport"):
            wanted = "final" if result["version"] == 1 else "corrected"
            wrong.same("status", resource["status"], wanted)
        if resource["resourceType"] == "Observation":
            wrong.same("subject", resource["subject"]["identifier"]["value"], result["patient"]["id"])
            wrong.true("a reference range", "referenceRange" not in resource)
            code = resource["code"]["coding"][0]["code"]
            found.setdefault(code, []).append(resource)
    for eye, row in rows(result).items():
        (one,) = found[f"diameter-{eye}"]
        wrong.true(f"{eye}", told(one["valueQuantity"]["value"], row["measured_mm"]))
        wrong.same("unit", one["valueQuantity"]["code"], "mm")
        sides = [
            component["valueCodeableConcept"]["coding"][0]["code"]
            for component in one["component"]
            if component["code"]["coding"][0]["code"] == "272741003"
        ]
        wrong.same(f"side of {eye}", [SIDES[side] for side in sides], [eye])
        if eye != "both":
            got = [one["valueQuantity"]["value"] for one in found.get(f"reading-{eye}", [])]
            wrong.same(f"{eye} readings", sorted(got), sorted(readings(result)[eye]))
    (exam,) = found["result-status"]
    parts = [*exam.get("component", []), *found.get("after-event", [])]
    coded = {part["code"]["coding"][0]["code"]: part["valueCodeableConcept"]["coding"][0]["code"]
             for part in parts if "valueCodeableConcept" in part}
    check_coded(coded, result, wrong)
    (report,) = [one for one in entries.values() if one["resourceType"] == "DiagnosticReport"]
    wrong.true("the notice is missing", NOT_A_DEVICE in report["text"]["div"])
    for caution in result["cautions"]:
        wrong.true(f"no caution {caution['code']}", caution["text"][:40] in report["text"]["div"])


def check_csv(text: str, result: dict, wrong: Wrong) -> None:
    wrong.true("a line does not end in CR LF", text.count("\r\n") == text.count("\n"))
    lines = list(csv.DictReader(io.StringIO(text, newline="")))
    kinds = [line["kind"] for line in lines]
    wrong.same("readings", kinds.count("reading"), len(result["measurements_used"]))
    wrong.same("assessments", kinds.count("assessment"), max(1, len(rows(result))))
    for line in lines:
        wrong.same("patient", line["patient_id"], result["patient"]["id"])
        if line["kind"] == "assessment" and line["eye"]:
            row = rows(result)[line["eye"]]
            wrong.true("value", near(float(line["value_mm"]), row["measured_mm"]))
            wrong.same("status", line["status"], row["status"] or result["assessment"]["status"])


def check_sent_back(binary: Path, config: Path, paths: list[Path], wrong: Wrong) -> None:
    _, said = run(binary, "read", "--json", "--config", config, *paths)
    lines = [json.loads(line) for line in said.splitlines() if line.startswith("{")]
    wrong.same("objects sent back", len(lines), len(paths))
    for line in lines:
        wrong.same(f"{line['path']} is", line["disposition"], "no_sheath_measurement")
        wrong.same("measurements", line["measurements"], [])
    before = run(binary, "verify", "--json", "--config", config)[1]
    run(binary, "process", "--config", config, *paths)
    after = run(binary, "verify", "--json", "--config", config)[1]
    counts = [json.loads(one.splitlines()[0])["results"] for one in (before, after)]
    wrong.same("results after our own came back", counts[1], counts[0])


def main() -> int:
    binary = Path(sys.argv[1])
    failed, checked = False, 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        demo = folder / "demo"
        status, said = run(binary, "demo", "--dir", demo)
        if status != 0:
            sys.exit(f"the demonstration failed: {said[-500:]}")
        config = demo / "demo.toml"
        status, said = run(binary, "process", "--config", config, *LEFT_UNREAD)
        if status != 0:
            sys.exit(f"reports that are not read in full: {said[-500:]}")
        newest = {}
        for path in sorted((demo / "outbox").glob("E*/result.json")):
            result = json.loads(path.read_bytes())
            exam = result["exam"]["id"]
            if newest.get(exam, (0,))[0] < result["version"]:
                newest[exam] = (result["version"], result, path.parent)
        # One exam of each kind: status, side measured, first or later version.
        kinds = {}
        for exam, told in newest.items():
            result = told[1]
            left = tuple(one["code"] for one in result["remarks"] if one["code"] in UNREAD)
            kind = (result["assessment"]["status"], tuple(rows(result)), result["version"] > 1, left)
            kinds.setdefault(kind, exam)
        newest = {exam: told for exam, told in newest.items() if exam in kinds.values()}
        own = []
        for exam, (_, result, published) in newest.items():
            wrong = Wrong()
            made = {}
            for form in ("sr", "pdf", "pdf-dicom", "hl7", "fhir", "csv"):
                made[form] = folder / f"{exam}.{form}"
                command = [binary, "render", exam, "--config", config, "--form", form, "-o"]
                status, said = run(*command, made[form])
                wrong.true(f"render {form}: {said}", status == 0)
                again = folder / "again"
                run(*command, again)
                wrong.true(f"{form} is not the same twice", again.read_bytes() == made[form].read_bytes())
            check_sr(made["sr"], result, wrong)
            check_pdf_object(made["pdf-dicom"], result, folder, wrong)
            check_hl7(made["hl7"], result, wrong)
            check_fhir(made["fhir"], result, wrong)
            check_csv((published / "result.csv").read_bytes().decode(), result, wrong)
            page = folder / "page.pdf"
            page.write_bytes((published / "result.pdf").read_bytes())
            check_page(page, result, wrong)
            own += [made["sr"], made["pdf-dicom"]]
            for line in wrong:
                print(f"{exam} ({result['assessment']['status']}): {line}")
            failed |= bool(wrong)
            checked += 1
        srs = [path for path in own if path.suffix == ".sr"]
        wrong = Wrong(templates(srs[:3]))
        check_sent_back(binary, config, own, wrong)
        for line in wrong:
            print(line)
        failed |= bool(wrong)
    if checked == 0:
        sys.exit("there was nothing to check")
    print(f"forms: {checked} results in 6 forms: " + ("something is wrong" if failed else "all agree"))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
