"""Compares calipers as the program measures them with numpy's reading of the same pictures.

    python tests/python/check_drawn.py target/debug/sheathline

Four things for each case below `fixtures/drawn`:
1. It is what `fixtures/make_drawn.py` makes, and `dsrdump` and `dciodvfy` find no error in it.
2. Length, angle and depth, computed here with pydicom and numpy from the SCOORDs and the
   calibrated regions (PS3.3 C.8.5.5, C.18.6), are those of `about.toml`.
3. The program's results hold the same numbers, remarks, sides and uses.
4. They are the same, to the key, whether reports or pictures come first; without the pictures
   nothing is worked out, and the report says so.
5. Pictures compressed by DCMTK and pydicom read as the uncompressed ones.
"""

import argparse
import json
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

import numpy
import pydicom

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "fixtures/drawn"
TOLERANCE = 0.002  # mm and degrees: coordinates are single precision
TWO_DIMENSIONAL, CENTIMETRES = 1, 3

sys.path.insert(0, str(Path(__file__).resolve().parent))
from check_fixtures import check_tool, tool  # noqa: E402


def walk(item, place="1"):
    """Every content item with its place."""
    yield place, item
    for ordinal, child in enumerate(item.get("ContentSequence") or [], start=1):
        yield from walk(child, f"{place}.{ordinal}")


def concept(item) -> str:
    """The value of the concept name's code."""
    names = item.get("ConceptNameCodeSequence")
    return str(names[0].CodeValue) if names else ""


def resolve(item, items):
    """The item itself or the one it refers to."""
    path = item.get("ReferencedContentItemIdentifier")
    return item if path is None else items[".".join(map(str, numpy.atleast_1d(path)))]


def points(shape) -> numpy.ndarray:
    """Columns and rows, one point a line."""
    return numpy.array(shape.GraphicData, dtype=float).reshape(-1, 2)


def scale(picture, ends) -> numpy.ndarray | None:
    """Millimetres a column and a row where both ends lie."""
    for region in picture.get("SequenceOfUltrasoundRegions") or []:
        low = numpy.array([region.RegionLocationMinX0, region.RegionLocationMinY0])
        high = numpy.array([region.RegionLocationMaxX1, region.RegionLocationMaxY1]) + 1
        if ((ends >= low) & (ends <= high)).all():
            units = {region.PhysicalUnitsXDirection, region.PhysicalUnitsYDirection}
            if region.RegionSpatialFormat != TWO_DIMENSIONAL or units != {CENTIMETRES}:
                return None
            return 10 * numpy.abs([region.PhysicalDeltaX, region.PhysicalDeltaY])
    if "PixelSpacing" in picture and "SequenceOfUltrasoundRegions" not in picture:
        row, column = map(float, picture.PixelSpacing)
        return numpy.array([column, row])
    return None


def by_numpy(folder: Path) -> dict[str, dict]:
    """Length, angle and depth of every NUM, as far as they can be told."""
    pictures = {str(one.SOPInstanceUID): one
                for one in map(pydicom.dcmread, sorted(folder.glob("picture-*.dcm")))}
    items = dict(walk(pydicom.dcmread(folder / "report.dcm")))
    shapes = {concept(item): item for item in items.values() if item.get("ValueType") == "SCOORD"}
    told = {}
    for place, item in items.items():
        if item.get("ValueType") != "NUM":
            continue
        drawn = [resolve(child, items) for child in item.get("ContentSequence") or []
                 if child.RelationshipType == "INFERRED FROM"]
        ends = numpy.vstack([points(shape) for shape in drawn])
        reference = drawn[0].ContentSequence[0].ReferencedSOPSequence[0]
        picture = pictures[str(reference.ReferencedSOPInstanceUID)]
        step = scale(picture, ends)
        frame = int(reference.get("ReferencedFrameNumber") or 1)
        if step is None or frame > int(picture.get("NumberOfFrames") or 1):
            told[place] = {}
            continue
        start, end = ends * step
        told[place] = {"length_mm": float(numpy.linalg.norm(end - start))}
        if "nerve-axis" in shapes:
            top, bottom = points(shapes["nerve-axis"]) * step
            along = (bottom - top) / numpy.linalg.norm(bottom - top)
            across = (end - start) / numpy.linalg.norm(end - start)
            # The sine of the angle to the normal is the cosine of the angle to the axis.
            sine = min(1.0, abs(float(numpy.dot(along, across))))
            told[place]["angle_deg"] = float(numpy.degrees(numpy.arcsin(sine)))
            globe = points(shapes["globe-point"])[0] * step
            told[place]["depth_mm"] = abs(float(numpy.dot((start + end) / 2 - globe, along)))
    return told


class Site:
    """A configuration, a store and an outbox of their own."""

    def __init__(self, binary: Path, folder: Path):
        self.binary, self.folder = binary, folder
        folder.mkdir()
        self.config = folder / "site.toml"
        self.config.write_text('[store]\npath = "store.sqlite"\n[outbox]\nfolder = "outbox"\n')

    def process(self, files: list[Path]) -> None:
        """Takes files and makes results."""
        command = [self.binary, "process", "--config", self.config, *files]
        subprocess.run(list(map(str, command)), check=True, capture_output=True, timeout=300)

    def results(self) -> dict[str, dict]:
        """The newest result of each study."""
        newest = {}
        for path in (self.folder / "outbox").glob("E*/result.json"):
            result = json.loads(path.read_text())
            study = result["exam"]["study_instance_uid"]
            if study not in newest or newest[study]["version"] < result["version"]:
                newest[study] = result
        return newest


def near(got, wanted) -> bool:
    """Equal, or both absent."""
    return got == wanted if got is None or wanted is None else abs(got - wanted) <= TOLERANCE


def check_case(about: dict, numbers: dict, result: dict) -> list[str]:
    """What differs in one case."""
    wrong = []
    read = {one["place"]: one
            for one in result["measurements_used"] + result["measurements_not_used"]}
    for shown in about["shown"]:
        place = shown["place"]
        one, geometry = read[place], read[place]["geometry"] or {}
        for key in ("length_mm", "angle_deg", "depth_mm"):
            three = shown.get(key), numbers[place].get(key), geometry.get(key)
            # Angles are given to hundredths.
            if not near(three[0], three[1]) or not (
                    near(three[2], three[1]) or key == "angle_deg" and three[2] is not None
                    and three[1] is not None and abs(three[2] - three[1]) <= 0.006):
                wrong.append(f"{place} {key}: meant {three[0]}, numpy {three[1]}, read {three[2]}")
        remarks = [remark["code"] for remark in one["remarks"]]
        for key, got in (("eye", one["eye"]), ("usable", one["usable"]), ("remarks", remarks),
                         ("value_mm", str(one["value_mm"]))):
            wanted = str(float(shown[key])) if key == "value_mm" else shown[key]
            if got != wanted:
                wrong.append(f"{place} {key}: meant {wanted}, read {got}")
    report = {remark["code"] for remark in result["reports"][0]["remarks"]}
    if "geometry-not-computed" in report ^ set(about["remarks"]):
        wrong.append(f"remarks on the report: {sorted(report)}")
    return wrong


def check_compressed(binary: Path, aside: Path) -> list[str]:
    """The same picture compressed by DCMTK and by pydicom: its facts must be the same."""
    wrong = []
    for case in ("straight", "clip"):
        plain = FOLDER / case / "picture-1.dcm"
        jpeg, baseline, rle = (aside / f"{case}-{how}.dcm" for how in ("jpeg", "baseline", "rle"))
        subprocess.run([tool("dcmcjpeg"), plain, jpeg], check=True)
        # Lossy makes a derived picture of its own UID, unless told not to.
        subprocess.run([tool("dcmcjpeg"), "+eb", "+un", plain, baseline], check=True)
        picture = pydicom.dcmread(plain)
        picture.compress(pydicom.uid.RLELossless, generate_instance_uid=False)
        picture.save_as(rle)
        command = [binary, "read", "--json", plain, jpeg, baseline, rle]
        run = subprocess.run(list(map(str, command)), capture_output=True, text=True, check=True)
        first, *others = map(json.loads, run.stdout.splitlines())
        keys = ("sop_instance_uid", "disposition", "image", "patient", "exam")
        wrong += [f"{other['path']}: {key} differs" for other in others for key in keys
                  if other[key] != first[key]]
        if first["image"] is None or len(others) != 3:
            wrong.append(f"{case}: no picture was read")
    return wrong


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("binary", type=Path, help="the sheathline program")
    binary = parser.parse_args().binary.resolve()
    remade = subprocess.run([sys.executable, str(ROOT / "fixtures/make_drawn.py"), "--check"])
    failed = remade.returncode != 0
    reports, pictures = sorted(FOLDER.glob("*/report.dcm")), sorted(FOLDER.glob("*/picture-*.dcm"))
    with tempfile.TemporaryDirectory() as aside:
        sites = {}
        for name, batches in {"reports first": [reports, pictures],
                              "pictures first": [pictures, reports],
                              "no pictures": [reports]}.items():
            site = Site(binary, Path(aside) / name.replace(" ", "-"))
            for batch in batches:
                site.process(batch)
            sites[name] = site.results()
        for report in reports:
            folder = report.parent
            about = tomllib.loads((folder / "about.toml").read_text(encoding="utf-8"))
            study = str(pydicom.dcmread(report).StudyInstanceUID)
            first, second, never = (one[study] for one in sites.values())
            wrong = check_case(about, by_numpy(folder), first)
            if first["seen_key"] != second["seen_key"]:
                wrong.append("the order of arrival changes the result")
            if any((one["geometry"] or {}).get("length_mm") is not None
                   for one in never["measurements_used"] + never["measurements_not_used"]):
                wrong.append("has a geometry without its picture")
            if "geometry-not-computed" not in {
                    remark["code"] for remark in never["reports"][0]["remarks"]}:
                wrong.append("does not say that the picture is missing")
            tools = [("dsrdump", report)]
            tools += [("dciodvfy", path) for path in sorted(folder.glob("*.dcm"))]
            wrong += filter(None, (check_tool(name, "clean", path) for name, path in tools))
            print(f"{folder.name:16} {len(about['shown'])} values  {'; '.join(wrong) or 'same'}")
            failed |= bool(wrong)
        wrong = check_compressed(binary, Path(aside))
        print(f"{'compressed':16} 2 pictures {'; '.join(wrong) or 'same'}")
        failed |= bool(wrong)
    print("calipers: " + ("something differs" if failed else "program, numpy and intent agree"))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
