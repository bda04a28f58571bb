#!/usr/bin/env python3
"""Licences of every crate in the program, with their texts, as the licences ask. To standard output.

Reads what cargo has unpacked; nothing is fetched.
"""
import json
import pathlib
import re
import subprocess
import sys

ROOT = pathlib.Path(__file__).resolve().parents[2]
NAMES = re.compile(r"(licen[cs]e|copying|notice|unlicense|copyright)", re.IGNORECASE)


def cargo(*arguments):
    command = ["cargo", *arguments, "--locked"]
    return subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout


def used():
    """Name and version of what is linked into the program."""
    tree = cargo("tree", "-p", "sheathline", "-e", "normal", "--prefix", "none", "-f", "{p}")
    lines = {line.removesuffix(" (*)") for line in tree.splitlines()}
    return {tuple(line.split()[:2]) for line in lines if line}


def main():
    packages = json.loads(cargo("metadata", "--format-version", "1"))["packages"]
    wanted = used()
    texts = {}
    found = own = 0
    for package in sorted(packages, key=lambda one: (one["name"], one["version"])):
        if (package["name"], f"v{package['version']}") not in wanted:
            continue
        if not package["source"]:
            # A package of the project: its licence is that of the whole.
            own += 1
            continue
        found += 1
        print(f"{package['name']} {package['version']}: {package['license'] or 'see its text'}")
        folder = pathlib.Path(package["manifest_path"]).parent
        for file in sorted(folder.iterdir()):
            if file.is_file() and NAMES.match(file.name):
                text = file.read_text(encoding="utf-8", errors="replace").strip()
                name = f"{package['name']} {package['version']} ({file.name})"
                texts.setdefault(text, []).append(name)
    if found + own != len(wanted):
        sys.exit(f"{len(wanted)} crates are linked, {found + own} are described")
    print("SQLite, compiled in by libsqlite3-sys: public domain")
    print("Liberation Sans, in the PDF: SIL Open Font License 1.1")
    fonts = ROOT / "daemon/model/src/render/pdf/fonts"
    for file in fonts.iterdir():
        if NAMES.match(file.name):
            texts.setdefault(file.read_text().strip(), []).append(f"Liberation Sans ({file.name})")
    for text, names in texts.items():
        print("\n" + "=" * 80)
        print("\n".join(names))
        print("-" * 80)
        print(text)


if __name__ == "__main__":
    main()
