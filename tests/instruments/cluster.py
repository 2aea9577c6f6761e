"""A real scheduler and real workers of dask.distributed on the loopback address.

``certificates`` makes an authority and one certificate that all of them share, for tests only.
"""

from __future__ import annotations

import contextlib
import datetime
import ipaddress
import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

_START_S = 60.0
ROOT = Path(__file__).resolve().parents[2]


class Cluster:
    """A scheduler and its workers; ``address`` is the scheduler's."""

    def __init__(
        self,
        address: str,
        scheduler: subprocess.Popen[bytes],
        workers: list[subprocess.Popen[bytes]],
    ) -> None:
        self.address = address
        self.scheduler = scheduler
        self.workers = workers


@contextlib.contextmanager
def running(folder: Path, n_workers: int, tls: Path | None = None) -> Iterator[Cluster]:
    """Start a scheduler and workers of one thread each; end them at the end, whatever happened.

    Parameters
    ----------
    folder : Path
        For their files.
    n_workers : int
        How many.
    tls : Path, optional
        A folder of :func:`certificates`.
    """
    security = [] if tls is None else [
        "--tls-ca-file", str(tls / "ca.pem"), "--tls-cert", str(tls / "cert.pem"),
        "--tls-key", str(tls / "key.pem"),
    ]  # fmt: skip
    protocol = [] if tls is None else ["--protocol", "tls"]
    place = folder / "scheduler.json"
    started = []
    try:
        started.append(
            _start(
                "dask_scheduler",
                "--host",
                "127.0.0.1",
                "--port",
                "0",
                "--no-dashboard",
                "--scheduler-file",
                str(place),
                *protocol,
                *security,
                folder=folder,
            )
        )
        address = _address(place)
        workers = []
        for _ in range(n_workers):
            worker = _start(
                "dask_worker", address, "--host", "127.0.0.1", "--nthreads", "1", "--no-nanny",
                "--no-dashboard", "--local-directory", str(folder), *security, folder=folder,
            )  # fmt: skip
            workers.append(worker)
            started.append(worker)
        yield Cluster(address, started[0], workers)
    finally:
        for process in started:
            process.kill()
        for process in started:
            process.wait()


def _start(module: str, *words: str, folder: Path) -> subprocess.Popen[bytes]:
    paths = [str(ROOT / "src"), str(ROOT), os.environ.get("PYTHONPATH", "")]
    with (folder / f"{module}.log").open("ab") as log:
        return subprocess.Popen(
            [sys.executable, "-m", f"distributed.cli.{module}", *words],
            stdin=subprocess.DEVNULL, stdout=log, stderr=log,
            env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, paths))},
        )  # fmt: skip


def _address(place: Path) -> str:
    """Wait until the scheduler has written where it is."""
    deadline = time.monotonic() + _START_S
    while time.monotonic() < deadline:
        with contextlib.suppress(OSError, ValueError):
            found: str = json.loads(place.read_text())["address"]
            return found
        time.sleep(0.05)
    raise AssertionError(f"the scheduler did not start: {place.parent}")


def certificates(folder: Path) -> Path:
    """Write ``ca.pem``, ``cert.pem`` and ``key.pem``; return the folder."""
    authority_key = ec.generate_private_key(ec.SECP256R1())
    key = ec.generate_private_key(ec.SECP256R1())
    authority = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "authority of a test")])
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "a test")])
    root = _certificate(authority, authority, authority_key, authority_key, is_authority=True)
    own = _certificate(name, authority, key, authority_key, is_authority=False)
    pem = serialization.Encoding.PEM
    (folder / "ca.pem").write_bytes(root.public_bytes(pem))
    (folder / "cert.pem").write_bytes(own.public_bytes(pem))
    (folder / "key.pem").write_bytes(
        key.private_bytes(pem, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    return folder


def _certificate(
    subject: x509.Name,
    issuer: x509.Name,
    key: ec.EllipticCurvePrivateKey,
    signer: ec.EllipticCurvePrivateKey,
    *,
    is_authority: bool,
) -> x509.Certificate:
    now = datetime.datetime.now(datetime.UTC)
    day = datetime.timedelta(days=1)
    address = x509.IPAddress(ipaddress.ip_address("127.0.0.1"))
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - day)
        .not_valid_after(now + day)
        .add_extension(x509.BasicConstraints(ca=is_authority, path_length=None), critical=True)
        .add_extension(x509.SubjectAlternativeName([address]), critical=False)
        .sign(signer, hashes.SHA256())
    )
