"""Starts the OpenID provider of the tests (`provider.mjs`), and the certificates that it and we show."""

import json
import subprocess
import threading
from contextlib import contextmanager
from pathlib import Path

PACKAGES = Path("target/node").resolve()
CLIENT, SECRET = "sheathline", "a-secret-of-this-test"


def certificates(folder: Path) -> None:
    """An authority, and a certificate by it for `localhost`: `ca.pem`, `server.pem`, `server.key`."""

    def openssl(*arguments: str) -> None:
        subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True)

    new = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2"]
    openssl("req", "-x509", *new, "-keyout", "ca.key", "-out", "ca.pem", "-subj", "/CN=Test Authority")
    (folder / "leaf.txt").write_text(
        "basicConstraints = CA:FALSE\nsubjectAltName = DNS:localhost, IP:127.0.0.1\n"
        "extendedKeyUsage = serverAuth\n"
    )
    asked = ["-keyout", "server.key", "-out", "server.csr", "-subj", "/CN=localhost"]
    openssl("req", *new[:-2], *asked)
    by = ["-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-days", "2", "-extfile", "leaf.txt"]
    openssl("x509", "-req", "-in", "server.csr", *by, "-out", "server.pem")


class Provider:
    def __init__(self, folder: Path, port: int, redirect: str, people: dict[str, dict]):
        settings = {
            "port": port,
            "certificate": str(folder / "server.pem"),
            "key": str(folder / "server.key"),
            "client": CLIENT,
            "secret": SECRET,
            "redirect": redirect,
            "people": people,
            "packages": str(PACKAGES),
        }
        self.issuer = f"https://localhost:{port}"
        self.spoiled: list[str] = []
        (folder / "provider.json").write_text(json.dumps(settings))
        script = Path(__file__).with_name("provider.mjs")
        self.process = subprocess.Popen(
            ["node", script, folder / "provider.json"],
            stdout=subprocess.PIPE,
            stderr=(folder / "provider.log").open("w"),
            text=True,
        )
        if not any(line.startswith('{"listening"') for line in self.process.stdout):
            raise SystemExit("the provider did not start: " + (folder / "provider.log").read_text())
        threading.Thread(target=self.read, daemon=True).start()

    def read(self) -> None:
        for line in self.process.stdout:
            # It also prints warnings of its own.
            if line.startswith('{"spoiled"'):
                self.spoiled.append(json.loads(line)["spoiled"])


@contextmanager
def provider(*arguments, **keywords):
    one = Provider(*arguments, **keywords)
    try:
        yield one
    finally:
        one.process.terminate()
        one.process.wait(20)
