"""Holds the reports of ten invented scanners against other readers.

    python tests/python/check_scanners.py

For each report below `fixtures/scanners`:
1. It is what `fixtures/make_scanners.py` makes, and `dsrdump` and `dciodvfy` find no error in it.
2. pydicom finds each value of `about.json` at its place; units that are the scanner's own are taken
   as who knows the scanner takes them.
What the program makes of them is in `tests/it/scanners.rs`.
"""

import json
import subprocess
import sys
from decimal import Decimal
from pathlib import Path

import pydicom

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "fixtures/scanners"
MILLIMETRES = {"mm": Decimal(1), "cm": Decimal(10)}

sys.path.insert(0, str(Path(__file__).resolve().parent))
from check_drawn import walk  # noqa: E402
from check_fixtures import check_tool  # noqa: E402


def millimetres(item, knows: dict[str, str]) -> Decimal:
    """The value of a NUM in millimetres."""
    [measured] = item.MeasuredValueSequence
    [unit] = measured.MeasurementUnitsCodeSequence
    own = f"{unit.CodeValue} {unit.CodingSchemeDesignator}"
    said = unit.CodeValue if unit.CodingSchemeDesignator == "UCUM" else knows[own]
    return Decimal(str(measured.NumericValue)) * MILLIMETRES[said]


def main() -> int:
    wrong = []
    remade = subprocess.run([sys.executable, str(ROOT / "fixtures/make_scanners.py"), "--check"])
    if remade.returncode:
        wrong.append("the scanners are not what their maker makes")
    values = 0
    for folder in sorted(path for path in FOLDER.iterdir() if path.is_dir()):
        about = json.loads((folder / "about.json").read_text(encoding="utf-8"))
        for name, expected in about["values"].items():
            path = folder / name
            for command in ("dsrdump", "dciodvfy"):
                said = check_tool(command, "clean", path)
                wrong += [f"{path}: {said}"] if said else []
            items = dict(walk(pydicom.dcmread(path)))
            for value in expected:
                values += 1
                found = millimetres(items[value["place"]], about["knows"])
                if found != Decimal(value["mm"]):
                    wrong.append(f"{path} {value['place']}: {found} mm, not {value['mm']}")
    for line in wrong:
        print(line)
    print(f"{values} values compared, {len(wrong)} differences")
    return 1 if wrong or not values else 0


if __name__ == "__main__":
    sys.exit(main())
