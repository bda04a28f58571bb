"""Compares texts of reports that declare no character set with pydicom's reading of them.

    python tests/python/check_charset.py target/debug/sheathline

For every term that `fallback_charset` takes, the name of the person who measured is made of bytes
in that set: every byte of its upper half, every Han letter of GBK, or an example of PS3.5 annexes
H to K, none longer than the 64 letters of a component group (PS3.5 table 6.2-1). The same report is written twice, once without Specific Character Set and once with it.
What the program reads of the first under `fallback_charset` has to be what it reads of the second,
and what pydicom reads of the second. Without `fallback_charset` every byte outside ASCII has to
come out as its octal number, and the patient id does so in all of them. Exit 1 on any difference.
"""

import json
import subprocess
import sys
import tempfile
import warnings
from pathlib import Path

import pydicom
from pydicom.charset import python_encoding

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "fixtures/sr/tid1500/report.dcm"
PERSON_NAME, PATIENT_ID = "PersonName", "PatientID"
# pydicom 3.0.2 does not know Latin-9 yet; Python does.
python_encoding.setdefault("ISO_IR 203", "iso8859_15")
SINGLE_BYTE = ["ISO_IR 100", "ISO_IR 101", "ISO_IR 109", "ISO_IR 110", "ISO_IR 144", "ISO_IR 127",
               "ISO_IR 126", "ISO_IR 138", "ISO_IR 148", "ISO_IR 203", "ISO_IR 13", "ISO_IR 166"]
MANY_BYTES = ["ISO_IR 192", "GB18030", "GBK"]
HAN = range(0x4E00, 0x9FA6)
# Letters of a component group, counted as bytes where no set is known.
GROUP = 64
# Escapes end at a delimiter; the id keeps clear of those.
ID = b"K\xc3\xa9-\xff 7"


def upper_half(term: str) -> list[bytes]:
    """The letters of G1 that the set has, each between two of ASCII (PS3.5 6.1.2.1)."""
    letters = []
    for number in range(0xA0, 0x100):
        try:
            bytes([number]).decode(python_encoding[term])
        except UnicodeDecodeError:
            continue
        letters.append(bytes([number]))
    some = (GROUP - 2) // 2
    return [b"a" + b"x".join(letters[at:at + some]) + b"z"
            for at in range(0, len(letters), some)]


def han(term: str) -> list[bytes]:
    letters = [chr(number).encode(python_encoding[term]) for number in HAN]
    some = GROUP // max(map(len, letters))
    groups = [b"".join(letters[at:at + some]) for at in range(0, len(letters), some)]
    return [b"=".join(groups[at:at + 3]) for at in range(0, len(groups), 3)]


def texts() -> dict[str, list[bytes]]:
    """Bytes of names by the terms they are in."""
    found = {term: upper_half(term) for term in SINGLE_BYTE}
    found |= {term: han(term) for term in MANY_BYTES}
    for case in json.loads((ROOT / "fixtures/charset/texts.json").read_text(encoding="utf-8")):
        if case["sets"]:
            found.setdefault(case["sets"], []).append(bytes.fromhex(case["hex"]))
    return found


def report(name: bytes, declared: str | None) -> bytes:
    """The sample with these bytes as the name of whoever measured."""
    dataset = pydicom.dcmread(SAMPLE)
    padded = name + b" " * (len(name) % 2)
    stand_ins = {PERSON_NAME: b"N" * len(padded), PATIENT_ID: b"I" * len(ID)}

    def put(holder, element):
        if element.keyword in stand_ins:
            element.value = stand_ins[element.keyword].decode()

    dataset.walk(put)
    dataset.SpecificCharacterSet = declared.split("\\") if declared else None
    if declared is None:
        del dataset.SpecificCharacterSet
    with tempfile.TemporaryFile() as file:
        dataset.save_as(file)
        file.seek(0)
        written = file.read()
    for stand_in, real in ((stand_ins[PERSON_NAME], padded), (stand_ins[PATIENT_ID], ID)):
        assert stand_in in written
        written = written.replace(stand_in, real)
    return written


def octal(raw: bytes) -> str:
    return "".join(chr(byte) if 0x20 <= byte < 0x7F else f"\\{byte:03o}" for byte in raw)


def pydicom_says(path: Path) -> str:
    names = []

    def see(holder, element):
        if element.keyword == PERSON_NAME:
            names.append(str(element.value))

    pydicom.dcmread(path).walk(see)
    # PS3.5 K.2: an escape is no part of the text; pydicom leaves this one in.
    return names[0].replace("\x1b$)A", "").strip(" ")


def run(binary: Path, folder: Path, term: str) -> dict[str, dict]:
    config = folder / "site.toml"
    config.write_text(f"[receive.folder]\nfallback_charset = '{term}'\n")
    command = [binary, "read", "--json", "--config", config, *sorted(folder.glob("*.dcm"))]
    ran = subprocess.run(command, capture_output=True, text=True, timeout=120)
    if ran.returncode != 0:
        raise SystemExit(f"{term}: exit {ran.returncode}: {ran.stderr}")
    return {Path(line["path"]).name: line for line in map(json.loads, ran.stdout.splitlines())}


def check_term(binary: Path, term: str, names: list[bytes]) -> list[str]:
    """What differs for one set."""
    wrong = []

    def same(what, got, must):
        if got != must:
            wrong.append(f"{term}, {what}: {got!r}, not {must!r}")

    with tempfile.TemporaryDirectory() as aside:
        folder = Path(aside)
        for at, name in enumerate(names):
            (folder / f"{at}-declared.dcm").write_bytes(report(name, term))
            (folder / f"{at}-undeclared.dcm").write_bytes(report(name, None))
        assumed, unknown = run(binary, folder, term), run(binary, folder, "")
        for at, name in enumerate(names):
            declared, undeclared = f"{at}-declared.dcm", f"{at}-undeclared.dcm"
            must = pydicom_says(folder / declared)
            for what, read in (("declared", declared), ("assumed", undeclared)):
                # pydicom drops component groups that are empty.
                same(what, assumed[read]["exam"]["operator"].rstrip("="), must)
            same("nothing assumed", unknown[undeclared]["exam"]["operator"],
                 octal(name).strip(" "))
            codes = {remark["code"] for remark in assumed[undeclared]["remarks"]}
            same("the remark", "charset-assumed" in codes, not name.isascii() or b"\x1b" in name)
            for read in (assumed[declared], assumed[undeclared], unknown[undeclared]):
                same("the id", read["patient"]["id"], octal(ID))
                same("values", len(read["measurements"]), 8)
    return wrong


def main() -> int:
    binary = Path(sys.argv[1]).resolve()
    warnings.simplefilter("ignore")
    wrong, count = [], 0
    for term, names in texts().items():
        count += len(names)
        failed = check_term(binary, term, names)
        print(f"{term:34} {len(names):3} names {sum(map(len, names)):6} bytes  "
              f"{'DIFFERENT' if failed else 'same'}")
        wrong += failed
    for line in wrong:
        print(line[:400], file=sys.stderr)
    print(f"{count} names in {len(texts())} sets, {len(wrong)} differences")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
