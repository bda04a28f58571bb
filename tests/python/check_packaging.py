"""What is shipped beside the program: unit file, manual pages, completions, alerts, configuration.

Read by the tools they are written for: systemd-analyze, man (groff), bash, promtool, and for names
of metrics the program itself. usage: check_packaging.py PROGRAM
"""

import json
import os
import pathlib
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
import tomllib
import urllib.request

from postgresql import Database

ROOT = pathlib.Path(__file__).resolve().parents[2]
PROGRAM = sys.argv[1]
PACKAGING = ROOT / "daemon/packaging"


def run(*command, **options):
    done = subprocess.run(command, capture_output=True, text=True, **options)
    if done.returncode != 0:
        sys.exit(f"{' '.join(map(str, command))}: {done.stdout}{done.stderr}")
    return done.stdout, done.stderr


def unit(folder):
    """Exposure of at most 1.5 of 10 (systemd-analyze security), and no unknown setting."""
    source = PACKAGING / "systemd/sheathline.service"
    run("systemd-analyze", "security", "--offline=true", "--threshold=15", source)
    # The one part that depends on the machine: the program must exist where the unit says.
    copy = folder / source.name
    copy.write_text(source.read_text().replace("/usr/bin/sheathline", os.path.abspath(PROGRAM)))
    verified = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", copy], capture_output=True, text=True
    )
    told = [line for line in verified.stderr.splitlines() if "sheathline.service" in line]
    assert verified.returncode == 0 and not told, verified.stderr


def system_calls(unit_text):
    """The names that the unit's filter lets through."""

    def members(group):
        told, _ = run("systemd-analyze", "syscall-filter", group)
        lines = [line.strip() for line in told.splitlines()[1:]]
        names = [line for line in lines if line and not line.startswith("#")]
        return {one for name in names for one in (members(name) if name[0] == "@" else {name})}

    # systemd lets @default through always.
    allowed = members("@default")
    for line in re.findall(r"^SystemCallFilter=(.*)$", unit_text, re.MULTILINE):
        names = line.lstrip("~").split()
        named = {one for name in names for one in (members(name) if name[0] == "@" else {name})}
        allowed = allowed - named if line[0] == "~" else allowed | named
    return allowed


def sandbox(folder):
    """What the daemon does with reports, from its start on, the unit allows."""
    unit_text = (PACKAGING / "systemd/sheathline.service").read_text()
    trace = folder / "trace"
    with Daemon(folder / "traced", ["strace", "-f", "-qq", "-o", trace]) as daemon:
        daemon.wait_for("results_published_total 1")
    text = trace.read_text()
    used = set(re.findall(r"^\d+ +(?:<\.\.\. )?([a-z_0-9]+)[( ]", text, re.MULTILINE))
    assert {"openat", "bind", "setpriority"} <= used, used
    if os.geteuid() == 0:
        # SQLite gives its files to the owner of the store, as root only.
        used.discard("fchown")
    refused = used - system_calls(unit_text)
    assert not refused, f"the unit's SystemCallFilter refuses {refused}"
    # MemoryDenyWriteExecute
    assert not re.search(r"PROT_WRITE\|PROT_EXEC|PROT_EXEC\|PROT_WRITE", text)
    return len(used)


class Daemon:
    """The program at work in a folder of its own, with one good and one broken report."""

    def __init__(self, folder, before=(), store=""):
        (folder / "drop").mkdir(parents=True)
        for case in ["tid1500", "truncated"]:
            shutil.copy(ROOT / f"fixtures/sr/{case}/report.dcm", folder / f"drop/{case}.dcm")
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        (folder / "site.toml").write_text(
            '[receive.dicom]\nlisten = "127.0.0.1:0"\n'
            '[receive.folder]\npath = "drop"\nscan_every_ms = 100\nsettle_ms = 0\nunfinished_s = 0\n'
            f'[observe]\nlisten = "127.0.0.1:{self.port}"\naudit = "audit.xml"\n'
            '[observe.syslog]\nhost = "127.0.0.1"\nport = 9\n'
            f'{store}[[destination]]\nname = "nobody"\nkind = "hook"\nurl = "http://127.0.0.1:9/"\n'
        )
        self.command = [*before, PROGRAM, "serve", "--config", folder / "site.toml"]

    def __enter__(self):
        self.process = subprocess.Popen(
            self.command, stdout=subprocess.DEVNULL, start_new_session=True
        )
        return self

    def __exit__(self, *_):
        # strace passes no signal on, so its whole group is asked to stop.
        os.killpg(self.process.pid, signal.SIGTERM)
        self.process.wait()

    def wait_for(self, part):
        """The text of /metrics once a part stands there."""
        for _ in range(1200):
            try:
                with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/metrics") as answer:
                    text = answer.read().decode()
                if part in text:
                    return text
            except OSError:
                pass
            time.sleep(0.1)
        sys.exit(f"the daemon does not show {part}")


def manual(folder):
    """Every command has a page, and groff has nothing to complain of."""
    run(PROGRAM, "generate", "man", folder / "man")
    pages = sorted((folder / "man").iterdir())
    shown, _ = run(PROGRAM, "--help")
    listed = shown.split("Usage:")[1].split("Options:")[0]
    commands = re.findall(r"^  ([a-z-]+) ", listed, re.MULTILINE)
    assert len(commands) > 20, commands
    names = {page.name for page in pages}
    for command in commands:
        assert command == "help" or f"sheathline-{command}.1" in names, command
    for page in pages:
        _, warnings = run(
            "man", "--warnings", "-E", "UTF-8", "-l", "-Tutf8", "-Z", page,
            env={**os.environ, "LC_ALL": "C.UTF-8", "MANWIDTH": "80"},
        )
        assert warnings == "", f"{page.name}: {warnings}"
    return len(pages)


def completions(folder):
    run(PROGRAM, "generate", "completions", folder / "completions")
    script = folder / "completions/sheathline.bash"
    run("bash", "-n", script)
    # The function of the script, asked as bash asks it.
    ask = f"""source {script}
COMP_WORDS=(sheathline chec) COMP_CWORD=1
_sheathline sheathline chec sheathline
printf '%s\\n' "${{COMPREPLY[@]}}" """
    offered, _ = run("bash", "-c", ask)
    assert offered.split() == ["check-config"], offered


def configuration():
    """The installed configuration is one, and so is each example's."""
    run(PROGRAM, "check-config", PACKAGING / "sheathline.toml")
    told, _ = run(PROGRAM, "check-config", "--explain", "--json", PACKAGING / "sheathline.toml")
    settings = {(one["table"], one["key"]): one for one in map(json.loads, told.splitlines())}
    unit_text = (PACKAGING / "systemd/sheathline.service").read_text()
    state = "/var/lib/" + re.search(r"^StateDirectory=(.*)$", unit_text, re.MULTILINE)[1]
    for key in [("[store]", "path"), ("[outbox]", "folder")]:
        assert state in settings[key]["value"], settings[key]


def metrics(folder):
    """The names of all series that a running daemon shows."""
    with Daemon(folder / "watched") as daemon:
        # Reasons for quarantine are no list that is known before.
        daemon.wait_for("sheathline_objects_quarantined_total{")
        # Senders are watched from their first report with values on.
        text = daemon.wait_for("sheathline_sender_values_stopped{")
    # Those of a server stand there only with a store on one.
    with Database() as database:
        store = f'[store]\nkind = "postgresql"\nurl = "{database.url}"\ntls = "off"\n'
        with Daemon(folder / "on-a-server", store=store) as daemon:
            text += daemon.wait_for("sheathline_database_standby_lag_bytes{")
    families = re.findall(r"^# TYPE (\S+) (\S+)$", text, re.MULTILINE)
    ends = {"counter": ["_total"], "histogram": ["_bucket", "_count", "_sum"], "info": ["_info"]}
    names = {name + end for name, kind in families for end in ends.get(kind, [""])}
    return names, set(re.findall(r'code="([^"]+)"', text)), set(re.findall(r'reason="([^"]+)"', text))


def alerts(folder):
    rules = ROOT / "config/alerts.yml"
    run("promtool", "check", "rules", rules)
    run("promtool", "test", "rules", ROOT / "tests/alerts.yml")
    text = rules.read_text()
    names, codes, reasons = metrics(folder)
    used = set(re.findall(r"\bsheathline_[a-z_]+", text))
    assert used and used <= names, used - names
    for known, label in [(codes, "code"), (reasons, "reason")]:
        for values in re.findall(rf'{label}[=!]~?"([^"]+)"', text):
            for value in values.split("|"):
                assert value in known, value
    count = text.count("- alert:")
    # Each says what to do.
    assert count == text.count("          action:") == text.count("          summary:")
    for name in re.findall(r"- alert: (\w+)", text):
        assert name in (ROOT / "tests/alerts.yml").read_text(), f"{name} has no test"
    return count


def package():
    """The package finds what it ships, and every crate in it has its licence."""
    app = ROOT / "daemon/app"
    package = tomllib.loads((app / "Cargo.toml").read_text())["package"]["metadata"]["deb"]
    sources = [one[0] for one in package["assets"]] + [package["license-file"][0], package["maintainer-scripts"]]
    sources.append(package["systemd-units"]["unit-scripts"])
    for source in sources:
        # What daemon/packaging/build makes, and the program.
        if "/made/" not in source and not source.startswith("target/"):
            assert list(app.glob(source)), f"daemon/app/Cargo.toml ships {source}, which is not there"
    licences, _ = run(sys.executable, PACKAGING / "licences.py")
    assert "\nserde " in licences and "Apache License" in licences, licences[:500]


def pages(folder):
    """The pages of the package link nothing that it does not hold."""
    made = folder / "pages"
    run(PACKAGING / "pages", made)
    shipped = {"daemon.toml", "alerts.yml", "analysis"}
    links = 0
    for page in made.rglob("*.md"):
        for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", page.read_text()):
            if "://" in target or target.rstrip("/") in shipped:
                continue
            assert (page.parent / target).exists(), f"{page.relative_to(made)} links {target}"
            links += 1
    assert links > 100, links
    return links


def main():
    run("haproxy", "-c", "-q", "-f", PACKAGING / "haproxy/haproxy.cfg")
    package()
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        unit(folder)
        manuals = manual(folder)
        links = pages(folder)
        completions(folder)
        configuration()
        count = alerts(folder)
        calls = sandbox(folder)
    print(f"unit file, {calls} system calls, {manuals} manual pages, {links} links of pages, completions, configuration, {count} alerts: good")


if __name__ == "__main__":
    main()
