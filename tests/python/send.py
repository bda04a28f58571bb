"""Sends DICOM files to a C-STORE SCP with pynetdicom.

    python tests/python/send.py HOST:PORT FILE… [--associations N] [--tls CA CERTIFICATE KEY]

Prints one line a file: status and path. Files are sent in the bytes they have, in their own
transfer syntax. Exit 1 when a status is not 0x0000 (PS3.7 C.1.1) or an association is refused.
"""

import argparse
import ssl
import sys
import threading
from pathlib import Path

import pydicom
from pydicom.errors import InvalidDicomError
from pynetdicom import AE


def tls(options) -> tuple[ssl.SSLContext, None] | None:
    """A context that checks the receiver against CA and shows a certificate of its own."""
    if options.tls is None:
        return None
    ca, certificate, key = options.tls
    context = ssl.create_default_context(cafile=ca)
    # The receiver is known by its authority, not by a name.
    context.check_hostname = False
    context.load_cert_chain(certificate, key)
    return context, None


def send(host: str, port: int, files: list[Path], options, results: dict[Path, str]) -> None:
    """Sends `files` over one association; results are status texts by file."""
    entity = AE(ae_title=options.calling)
    entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = options.timeout
    proposed = set()
    for file in files:
        try:
            meta = pydicom.dcmread(file, stop_before_pixels=True, specific_tags=[]).file_meta
            pair = (meta.MediaStorageSOPClassUID, meta.TransferSyntaxUID)
        except (InvalidDicomError, AttributeError, OSError, EOFError) as error:
            results[file] = f"unreadable: {type(error).__name__}"
            continue
        if pair not in proposed:
            proposed.add(pair)
            entity.add_requested_context(*pair)
    readable = [file for file in files if file not in results]
    if not readable:
        return
    association = entity.associate(host, port, ae_title=options.called, tls_args=tls(options))
    if not association.is_established:
        reason = "rejected" if association.is_rejected else "not established"
        results.update(dict.fromkeys(readable, f"association {reason}"))
        return
    for file in readable:
        try:
            status = association.send_c_store(str(file))
            results[file] = f"0x{status.Status:04X}" if "Status" in status else "no answer"
            if status.get("ErrorComment"):
                results[file] += f" {status.ErrorComment}"
        except (ValueError, RuntimeError) as error:
            # The peer did not accept this class in this syntax, or has gone away.
            results[file] = f"not sent: {error}"
    if association.is_established:
        association.release()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("address", help="HOST:PORT")
    parser.add_argument("files", nargs="+", type=Path)
    parser.add_argument("--associations", type=int, default=1, help="share the files among N")
    parser.add_argument("--calling", default="FIXTURE", help="own AE title")
    parser.add_argument("--called", default="SHEATHLINE", help="AE title of the receiver")
    parser.add_argument("--timeout", type=float, default=30.0, help="seconds to wait for an answer")
    parser.add_argument("--tls", nargs=3, metavar=("CA", "CERTIFICATE", "KEY"), help="PEM files")
    options = parser.parse_args()
    host, _, port = options.address.rpartition(":")
    if not host or not port.isdigit():
        parser.error("the address has the form HOST:PORT")
    # Same file twice on purpose is a fair test; results are then those of the last one.
    shares = [options.files[n :: options.associations] for n in range(options.associations)]
    results: dict[Path, str] = {}
    threads = [
        threading.Thread(target=send, args=(host, int(port), share, options, results))
        for share in shares
        if share
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for file in options.files:
        print(f"{results.get(file, 'no result')}\t{file}")
    return 0 if all(results.get(file) == "0x0000" for file in options.files) else 1


if __name__ == "__main__":
    sys.exit(main())
