"""Somebody in the middle who speaks TLS with a certificate that nobody vouches for: nothing is asked of them, and nothing said."""

from __future__ import annotations

import datetime as dt
import ipaddress
import ssl
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from tests.faults.a_line import LOOPBACK, Line
from tests.faults.test_a_flood import a_page, given_up

from filltrail.processes import free_port

pytestmark = pytest.mark.wire

DAY = dt.timedelta(days=1)


@pytest.mark.parametrize("ends_in", [DAY, -DAY], ids=["signed by itself", "signed by itself and expired"])
def test_a_hub_behind_a_certificate_that_nobody_vouches_for_is_not_heard(
    tmp_path: Path, ends_in: dt.timedelta
) -> None:
    with Line(free_port(), tls=stranger(tmp_path, ends_in)) as line:
        assert given_up(line, a_page).startswith("ConnectError")
        assert not line.met
        assert not line.passed


def stranger(folder: Path, ends_in: dt.timedelta) -> ssl.SSLContext:
    """A server's side of TLS with a certificate for this address, signed by itself."""
    now, key = dt.datetime.now(dt.UTC), ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, LOOPBACK)])
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - 30 * DAY)
        .not_valid_after(now + ends_in)
        .add_extension(
            x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address(LOOPBACK))]), critical=False
        )
        .sign(key, hashes.SHA256())
    )
    file = folder / "stranger.pem"
    file.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
        + certificate.public_bytes(serialization.Encoding.PEM)
    )
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(file)
    return context
