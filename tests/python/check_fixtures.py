"""Checks the fixtures themselves, before any reader of this project sees them.

    python tests/python/check_fixtures.py

1. They are what `fixtures/make.py` makes.
2. Public checkers say of each what its `about.toml` says they do: DCMTK's `dsrdump` for the
   content tree, `dciodvfy` of dicom3tools for the whole object.
3. pydicom finds a NUM at every place that `about.toml` names, with the value stated there.
"""

import json
import re
import shutil
import subprocess
import sys
import tomllib
from decimal import Decimal
from pathlib import Path

MICROMETRE = Decimal("0.001")
ROOT = Path(__file__).resolve().parents[2]
CHECKERS = {
    "dsrdump": (["dsrdump"], re.compile(r"^[EF]: ", re.MULTILINE)),
    "dciodvfy": (["dciodvfy", "-new"], re.compile(r"^Error", re.MULTILINE)),
}


def tool(name: str) -> str:
    """The program beside this Python, else the one on the path."""
    found = shutil.which(name, path=str(Path(sys.executable).parent)) or shutil.which(name)
    if not found:
        sys.exit(f"{name} is missing; .ci/setup installs it")
    return found


def check_tool(name: str, said: str, report: Path) -> str | None:
    """What disagrees with `about.toml`, if anything."""
    (command, *options), error = CHECKERS[name]
    run = subprocess.run([tool(command), *options, str(report)], capture_output=True)
    printed = (run.stdout + run.stderr).decode("utf-8", "replace")
    errors = [line for line in printed.splitlines() if error.match(line)]
    if said == "clean":
        return f"{name}: {errors[0]}" if errors else None
    return None if said in printed else f"{name} does not say {said!r}"


def check_places(about: dict, expected: dict, explained: bool) -> list[str]:
    """Places named in `about.toml` against what pydicom found."""
    numbers = {number["place"]: number for number in expected.get("numbers", [])}
    wrong = []
    for entry in about.get("must_read", []):
        number = numbers.pop(entry["place"], None)
        if number is None:
            wrong.append(f"pydicom finds no NUM at {entry['place']}")
            continue
        if "value_mm" not in entry or explained and number["value_mm"] is None:
            continue
        read = Decimal(number["value_mm"] or 0).quantize(MICROMETRE)
        if Decimal(entry["value_mm"]) != read:
            wrong.append(f"{entry['place']}: {entry['value_mm']} mm, pydicom {number['value_mm']}")
    for entry in about.get("must_not_read", []) + about.get("may_read", []):
        if numbers.pop(entry["place"], None) is None:
            wrong.append(f"pydicom finds no NUM at {entry['place']}")
    wrong += [f"{place}: about.toml does not say what to make of it" for place in numbers]
    return wrong


def main() -> int:
    remade = subprocess.run([sys.executable, str(ROOT / "fixtures/make.py"), "--check"])
    failed = remade.returncode != 0
    for folder in sorted((ROOT / "fixtures/sr").iterdir()):
        about = tomllib.loads((folder / "about.toml").read_text(encoding="utf-8"))
        expected = json.loads((folder / "expected.json").read_text(encoding="utf-8"))
        wrong = check_places(about, expected, (folder / "dictionary.toml").exists())
        for name, said in about["checkers"].items():
            complaint = check_tool(name, said, folder / "report.dcm")
            if complaint:
                wrong.append(complaint)
        for line in wrong:
            print(f"{folder.name}: {line}")
        failed |= bool(wrong)
    print("fixtures: " + ("something is wrong" if failed else "all as described"))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
