"""Compares units of length with ucumvert, a UCUM parser for pint.

    python tests/python/check_ucum.py target/debug/sheathline

1. `fixtures/ucum/lengths.json`, made by another UCUM library, says the same factors.
2. One report for each of its codes: where the program gives millimetres, ucumvert gives the same to
   the micrometre; where ucumvert finds no length in the code, the program gives no value.
Exit 1 on any difference.
"""

import json
import math
import subprocess
import sys
import tempfile
import warnings
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path

import pydicom
from pint import DimensionalityError
from ucumvert import PintUcumRegistry
from ucumvert.parser import InvalidUcumError

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "fixtures/sr/unit-cm/report.dcm"
LENGTHS = ROOT / "fixtures/ucum/lengths.json"
# What the factors of sheath widths and caliper depths need; more are known to UCUM than are read.
READ = {"nm", "um", "mm", "cm", "dm", "m", "[in_i]", "[ft_i]"}
WIDTH = 5.5


def millimetres(registry: PintUcumRegistry, code: str) -> float | None:
    try:
        return float(registry.from_ucum(code).to("mm").magnitude)
    except (DimensionalityError, InvalidUcumError):
        return None


def report(code: str, digits: str) -> pydicom.Dataset:
    """The sample with another unit and value."""
    dataset = pydicom.dcmread(SAMPLE)

    def put(holder, element):
        if element.keyword == "NumericValue":
            element.value = digits
        if element.keyword == "MeasurementUnitsCodeSequence":
            element.value[0].CodeValue = code
            element.value[0].CodingSchemeDesignator = "UCUM"
            # A meaning of another unit would keep the value from being used.
            element.value[0].CodeMeaning = code

    dataset.SpecificCharacterSet = "ISO_IR 192"
    dataset.walk(put)
    return dataset


def same(ours, theirs) -> bool:
    if ours is None or theirs is None:
        return ours is theirs
    return math.isclose(ours, theirs, rel_tol=1e-9)


def read(binary: Path, folder: Path) -> dict[str, list]:
    """Measurements by the name of the file."""
    run = subprocess.run([binary, "read", "--json", folder], capture_output=True, text=True)
    if run.returncode not in (0, 1):
        raise SystemExit(f"exit {run.returncode}: {run.stderr}")
    lines = (json.loads(line, parse_float=Decimal) for line in run.stdout.splitlines())
    return {Path(line["path"]).stem: line["measurements"] for line in lines}


def main() -> int:
    binary = Path(sys.argv[1]).resolve()
    warnings.simplefilter("ignore")
    registry = PintUcumRegistry()
    said = json.loads(LENGTHS.read_text(encoding="utf-8"))
    factors = {code: millimetres(registry, code) for code in said}
    wrong = [f"lengths.json says {said[code]} for {code}, ucumvert {factor}"
             for code, factor in factors.items() if not same(said[code], factor)]
    with tempfile.TemporaryDirectory() as aside:
        folder, sent = Path(aside), {}
        for number, (code, factor) in enumerate(factors.items()):
            # A width that is believed, in so many of the unit.
            digits = format(WIDTH / factor, ".10g") if factor else str(WIDTH)
            sent[str(number)] = (code, digits)
            report(code, digits).save_as(folder / f"{number}.dcm")
        found = read(binary, folder)
    taken = set()
    for name, (code, digits) in sent.items():
        [measurement] = found[name]
        value, factor = measurement["value_mm"], factors[code]
        if value is None:
            if measurement["usable"]:
                wrong.append(f"{code}: usable without a value")
            continue
        taken.add(code)
        must = factor and (Decimal(digits) * Decimal(repr(factor))).quantize(
            Decimal("0.001"), ROUND_HALF_UP)
        if must is None or Decimal(value) != must:
            wrong.append(f"{code}: {digits} is read as {value} mm, ucumvert says {must}")
    if taken != READ:
        wrong.append(f"read are {sorted(taken)}, not {sorted(READ)}")
    print("\n".join(wrong) or f"{len(factors)} codes, {len(taken)} of them read: all as ucumvert")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
