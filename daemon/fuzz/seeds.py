#!/usr/bin/env python3
"""Makes the first inputs of every fuzz target from the fixtures, into seeds/TARGET/."""

import pathlib
import shutil
import struct
import zlib

HERE = pathlib.Path(__file__).resolve().parent
ROOT = HERE.parent.parent
SEEDS = HERE / "seeds"
SYNTAXES = {
    b"1.2.840.10008.1.2": 1,
    b"1.2.840.10008.1.2.1": 2,
    b"1.2.840.10008.1.2.2": 3,
    b"1.2.840.10008.1.2.1.99": 4,
}


def put(target, name, data):
    folder = SEEDS / target
    folder.mkdir(parents=True, exist_ok=True)
    (folder / name).write_bytes(data)


def data_set(file):
    """Number of the transfer syntax and the data set of a Part 10 file (PS3.10 section 7.1)."""
    length = struct.unpack_from("<I", file, 140)[0]
    meta, rest = file[144 : 144 + length], file[144 + length :]
    at = meta.index(b"\x02\x00\x10\x00UI")
    size = struct.unpack_from("<H", meta, at + 6)[0]
    return SYNTAXES.get(meta[at + 8 : at + 8 + size].rstrip(b"\0")), rest


def element(number, value):
    """An element of a command set (PS3.7 section 6.3.1)."""
    return struct.pack("<HHI", 0, number, len(value)) + value


def item(kind, value):
    """An item of an association request (PS3.8 section 9.3.2)."""
    return struct.pack(">BxH", kind, len(value)) + value


def pdu(kind, value):
    return struct.pack(">BxI", kind, len(value)) + value


def value(context, flags, data):
    """A presentation data value: flag 1 for a command, 2 for the last one (PS3.8 annex E.2)."""
    return struct.pack(">IBB", len(data) + 2, context, flags) + data


def association(sop_class, syntaxes, data):
    user = item(0x51, struct.pack(">I", 16384)) + item(0x52, b"1.2.3") + item(0x55, b"SEED")
    user += item(0x53, struct.pack(">HH", 1, 1)) + item(0x54, struct.pack(">H", 3) + b"1.2\1\0")
    user += item(0x58, b"\1\0" + struct.pack(">H", 1) + b"u" + struct.pack(">H", 0))
    context = b"\1\0\0\0" + item(0x30, sop_class) + b"".join(item(0x40, s) for s in syntaxes)
    request = struct.pack(">H2x16s16s32x", 1, b"SHEATHLINE".ljust(16), b"SCANNER".ljust(16))
    request += item(0x10, b"1.2.840.10008.3.1.1.1") + item(0x20, context) + item(0x50, user)
    padded = sop_class + b"\0" * (len(sop_class) % 2)
    command = element(2, padded) + element(0x100, b"\1\0") + element(0x110, b"\1\0")
    command += element(0x800, b"\0\0") + element(0x1000, b"1.2\0")
    middle = len(data) // 2
    return (
        pdu(1, request)
        + pdu(4, value(1, 3, command))
        + pdu(4, value(1, 0, data[:middle]) + value(1, 2, data[middle:]))
        + pdu(5, b"\0\0\0\0")
    )


def main():
    shutil.rmtree(SEEDS, ignore_errors=True)
    for path in sorted(ROOT.glob("fixtures/**/*.dcm")):
        file, name = path.read_bytes(), f"{path.parent.name}-{path.stem}"
        if len(file) > 64 << 10:
            continue
        put("tree", name, file)
        put("gate", name, b"\0" + file)
        try:
            syntax, bare = data_set(file)
        except (ValueError, struct.error):
            continue
        if syntax:
            put("gate", f"{name}-bare", bytes([syntax]) + bare)
        if syntax == 4:
            inflated = zlib.decompress(bare, -15)
            put("gate", f"{name}-inflated", bytes([2]) + inflated)
    # In the order in which targets/report.rs asks: two widths, each with its side as a modifier.
    side = lambda side: [0, 2, 1, 0, 13, side, 0]
    width = lambda number, eye: [0, 1, 0, 0, 36, 0, 0, number, 1, *side(eye)]
    put("report", "two-eyes", bytes([0, 37, 2, *width(0, 0), *width(1, 1)]))
    put("report", "two-sides", bytes([0, 37, 1, *width(0, 0)[:-8], 2, *side(0), *side(1)]))
    sr, explicit = b"1.2.840.10008.5.1.4.1.1.88.33", b"1.2.840.10008.1.2.1"
    put("dimse", "store", association(sr, [explicit], b"a data set"))
    put("dimse", "four-syntaxes", association(sr, list(SYNTAXES), b""))
    put("dimse", "verification", association(b"1.2.840.10008.1.1", [explicit], b""))
    merge = (
        b"MSH|^~\\&|A|B|C|D|20260301120000+0000||ADT^A40^ADT_A39|7|P|2.5.1\r"
        b"EVN||20260301120000+0000\rPID|1||NEW^^^CLINIC\rMRG|OLD^^^CLINIC\r"
    )
    put("hl7", "merge", b"\x0b" + merge + b"\x1c\r" + b"\x10")
    put("hl7", "unlink", b"\x0b" + merge.replace(b"A40^ADT_A39", b"A37").replace(b"MRG|", b"PID|2||") + b"\x1c\r\1")
    put("hl7", "acknowledgement", b"MSH|^~\\&|A|B|C|D|2026||ACK|1|P|2.5.1\rMSA|AA|7\r\1")
    put("multipart", "two", b"edge--edge\r\n\r\none\r\n--edge\r\nA: b\r\n\r\ntwo\r\n--edge--\4\4")
    put("pages", "answers", b'[{"0020000D":{"vr":"UI","Value":["1.2.3"]}}]')
    for number, (target, pattern) in enumerate(
        [
            ("template", "sr-templates/*.toml"),
            ("dictionary", "sr-templates/vocabulary.toml"),
            ("dictionary", "fixtures/sr/*/dictionary.toml"),
            ("config", "config/**/*.toml"),
            ("config", "fixtures/config/*.toml"),
        ]
    ):
        for path in sorted(ROOT.glob(pattern)):
            put(target, f"{number}-{path.parent.name}-{path.stem}", path.read_bytes())
    letters = ["SQ", "UN", "OB", "OW", "UT", "LO", "PN", "DS", "FD", "US", "CS", "UI"]
    raw = ["\\xfe\\xff\\x00\\xe0", "\\xfe\\xff\\x0d\\xe0", "\\xfe\\xff\\xdd\\xe0"]
    raw += ["\\xff\\xfe\\xe0\\x00", "\\xff\\xfe\\xe0\\x0d", "\\xff\\xfe\\xe0\\xdd"]
    raw += ["\\xff\\xff\\xff\\xff", "\\xfe\\xff\\xff\\xff", "\\xff\\xff\\xff\\x7f", "\\xff\\xff"]
    raw += ["\\x40\\x00\\x30\\xa7", "\\x40\\x00\\x0a\\xa3", "\\x08\\x00\\x05\\x00"]
    (SEEDS / "words").write_text("".join(f'"{word}"\n' for word in letters + raw))


main()
