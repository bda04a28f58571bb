"""Compares lines of presentation states as the program measures them with pydicom and numpy.

    python tests/python/check_presentations.py target/debug/sheathline

For each case below `fixtures/presentations`:
1. It is what `fixtures/make_presentations.py` makes, and `dciodvfy` finds no error in it.
2. Every length in `about.toml` is the one that follows from Graphic Data and the calibrated region
   (PS3.3 C.10.5, C.8.5.5), computed here; where a value must be used, the line is in PIXEL.
3. The program's results hold the same lengths, sides and uses, the same to the key whether pictures
   or presentation states come first, and none without the pictures or with the switch off.
4. A presentation state that highdicom writes over the same picture is read as pydicom's.
"""

import argparse
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

import highdicom
import numpy
import pydicom

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "fixtures/presentations"
TOLERANCE = 0.0006  # mm: values are whole micrometres, coordinates single precision

sys.path.insert(0, str(Path(__file__).resolve().parent))
from check_drawn import Site, scale  # noqa: E402
from check_fixtures import check_tool  # noqa: E402

SWITCH = f'[templates]\npresentation_states = true\ndictionaries = ["{FOLDER}/dictionary.toml"]\n'


def lengths(folder: Path, number: int) -> dict[str, tuple[str, float | None]]:
    """Units and length of every line of a presentation state by its place."""
    pictures = {str(one.SOPInstanceUID): one
                for one in map(pydicom.dcmread, sorted(folder.glob("picture-*.dcm")))}
    state = pydicom.dcmread(folder / f"presentation-{number}.dcm")
    told = {}
    for n, annotation in enumerate(state.GraphicAnnotationSequence, start=1):
        over = annotation.get("ReferencedImageSequence") or []
        for m, shape in enumerate(annotation.get("GraphicObjectSequence") or [], start=1):
            ends = numpy.array(shape.GraphicData, dtype=float).reshape(-1, 2)
            picture = pictures.get(str(over[0].ReferencedSOPInstanceUID)) if over else None
            step = scale(picture, ends) if picture is not None and len(ends) == 2 else None
            length = None
            if step is not None:
                length = float(numpy.linalg.norm((ends[1] - ends[0]) * step))
            told[f"{n}.{m}"] = shape.GraphicAnnotationUnits, length
    return told


def values(result: dict) -> dict[tuple[str, str], dict]:
    """Values of a result by object and place."""
    every = result["measurements_used"] + result["measurements_not_used"]
    return {(one["object"], one["place"]): one for one in every}


def check_case(folder: Path, about: dict, results: list[dict]) -> list[str]:
    """What differs in one case."""
    wrong = []
    read = {key: one for result in results for key, one in values(result).items()}
    for shown in about.get("shown", []):
        of, place = shown["of"], shown["place"]
        name = f"presentation-{of}.dcm" if of else "report.dcm"
        uid = str(pydicom.dcmread(folder / name).SOPInstanceUID)
        one = read.get((uid, place))
        if one is None:
            wrong.append(f"{of} {place}: nothing is read")
            continue
        wanted = shown.get("value_mm")
        if of:
            units, length = lengths(folder, of)[place]
            if wanted is not None and (length is None or abs(length - wanted) > TOLERANCE):
                wrong.append(f"{of} {place}: meant {wanted}, numpy {length}")
            if shown["usable"] and units != "PIXEL":
                wrong.append(f"{of} {place}: usable in units {units}")
        got = one["value_mm"]
        if (got is None) != (wanted is None) or wanted and abs(got - wanted) > TOLERANCE:
            wrong.append(f"{of} {place}: meant {wanted}, read {got}")
        if (one["eye"], one["usable"]) != (shown["eye"], shown["usable"]):
            wrong.append(f"{of} {place}: {one['eye']}, usable {one['usable']}")
    if len(read) != len(about.get("shown", [])):
        wrong.append(f"{len(read)} values, meant {len(about.get('shown', []))}")
    return wrong


def by_highdicom(folder: Path) -> tuple[pydicom.Dataset, pydicom.Dataset]:
    """A picture of a study of its own and a presentation state that highdicom writes over it."""
    picture = pydicom.dcmread(FOLDER / "straight/picture-1.dcm")
    picture.StudyInstanceUID = "2.25.42"
    picture.SOPInstanceUID = picture.file_meta.MediaStorageSOPInstanceUID = "2.25.43"
    layer = highdicom.pr.GraphicLayer("CALIPERS", order=1)
    shape = highdicom.pr.GraphicObject(
        highdicom.pr.GraphicTypeValues.POLYLINE, numpy.array([[15.5, 40.0], [80.5, 40.0]]),
        highdicom.pr.AnnotationUnitsValues.PIXEL, tracking_id="ONSD RE", tracking_uid="2.25.44")
    drawn = highdicom.pr.GraphicAnnotation([picture], layer, graphic_objects=[shape])
    state = highdicom.pr.GrayscaleSoftcopyPresentationState(
        referenced_images=[picture], series_instance_uid="2.25.45", series_number=9,
        sop_instance_uid="2.25.46", instance_number=1, manufacturer="Fennick",
        manufacturer_model_name="Viewer 9", software_versions="1", device_serial_number="V9",
        content_label="CALIPERS", graphic_layers=[layer], graphic_annotations=[drawn])
    return picture, state


def check_highdicom(binary: Path, aside: Path) -> list[str]:
    """The same line by the other library."""
    picture, state = by_highdicom(aside)
    picture.save_as(aside / "picture.dcm")
    state.save_as(aside / "state.dcm")
    site = at(binary, aside / "highdicom", SWITCH)
    site.process([aside / "state.dcm", aside / "picture.dcm"])
    used = [one for result in site.results().values() for one in result["measurements_used"]]
    told = [(one["value_mm"], one["eye"]) for one in used]
    return [] if told == [(5.2, "right")] else [f"highdicom's line is read as {told}"]


def at(binary: Path, folder: Path, more: str) -> Site:
    """A site with these settings as well."""
    site = Site(binary, folder)
    site.config.write_text(site.config.read_text() + more)
    return site


def results(site: Site, cases: list[Path]) -> dict[str, list[dict]]:
    """The newest results of each case, by the studies of its objects."""
    newest = site.results()
    of_case = {}
    for folder in cases:
        studies = {str(pydicom.dcmread(one).StudyInstanceUID) for one in folder.glob("*.dcm")}
        of_case[folder.name] = [newest[study] for study in sorted(studies) if study in newest]
    return of_case


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("binary", type=Path, help="the sheathline program")
    binary = parser.parse_args().binary.resolve()
    make = ROOT / "fixtures/make_presentations.py"
    failed = subprocess.run([sys.executable, str(make), "--check"]).returncode != 0
    cases = sorted(path for path in FOLDER.iterdir() if path.is_dir())
    states = sorted(FOLDER.glob("*/presentation-*.dcm")) + sorted(FOLDER.glob("*/report.dcm"))
    pictures = sorted(FOLDER.glob("*/picture-*.dcm"))
    with tempfile.TemporaryDirectory() as temporary:
        aside = Path(temporary)
        told = {}
        for name, more, batches in (("states first", SWITCH, [states, pictures]),
                                    ("pictures first", SWITCH, [pictures, states]),
                                    ("no pictures", SWITCH, [states]),
                                    ("switched off", "", [states, pictures])):
            site = at(binary, aside / name.replace(" ", "-"), more)
            for batch in batches:
                site.process(batch)
            told[name] = results(site, cases)
        for folder in cases:
            about = tomllib.loads((folder / "about.toml").read_text(encoding="utf-8"))
            first, second, never, off = (one[folder.name] for one in told.values())
            wrong = check_case(folder, about, first)
            if [one["seen_key"] for one in first] != [one["seen_key"] for one in second]:
                wrong.append("the order of arrival changes the result")
            for name, these in (("without its picture", never), ("switched off", off)):
                of_states = [one for result in these for one in values(result).values()
                             if "presentation" in (one.get("caliper") or {})]
                if any(one["value_mm"] is not None for one in of_states):
                    wrong.append(f"has a length {name}")
            wrong += filter(None, (check_tool("dciodvfy", "clean", path)
                                   for path in sorted(folder.glob("*.dcm"))))
            print(f"{folder.name:20} {'; '.join(wrong) or 'same'}")
            failed |= bool(wrong)
        wrong = check_highdicom(binary, aside)
        print(f"{'highdicom':20} {'; '.join(wrong) or 'same'}")
        failed |= bool(wrong)
    print("presentation states: " + ("something differs" if failed else "program, numpy and intent agree"))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
