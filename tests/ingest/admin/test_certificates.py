"""A team's own certificate: trusted with its root, for its names, and for nothing else."""

import ssl
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec

from ingest.admin import make_certificate
from ingest.admin.certificates import _begun, _general_name, _usage
from ingest.schema import UserError

NOW = datetime.now(UTC)
NAMES = ("localhost", "127.0.0.1", "Team.local")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("certificate")
    make_certificate(NAMES, made, now=NOW)
    return made


def greeted(root: Path, cert: Path, key: Path, name: str) -> str:
    """Return "trusted", or why a client with this root does not trust the server."""
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.load_cert_chain(cert, key)
    client = ssl.create_default_context(cafile=str(root))
    up, down = ssl.MemoryBIO(), ssl.MemoryBIO()
    here = client.wrap_bio(down, up, server_hostname=name)
    there = server.wrap_bio(up, down, server_side=True)
    for _ in range(4):
        for side in (here, there):
            try:
                side.do_handshake()
            except ssl.SSLWantReadError:
                continue
            except ssl.SSLError as error:
                return str(error)
    return "trusted"


@pytest.mark.parametrize("name", NAMES)
def test_its_names_are_trusted(folder: Path, name: str) -> None:
    found = greeted(folder / "team-root.crt", folder / "server.pem", folder / "server.key", name)
    assert found == "trusted"


def test_others_are_not(folder: Path, tmp_path: Path) -> None:
    pair = folder / "server.pem", folder / "server.key"
    assert "match" in greeted(folder / "team-root.crt", *pair, "other.example")
    make_certificate(NAMES, tmp_path, now=NOW)
    assert "verify failed" in greeted(tmp_path / "team-root.crt", *pair, "localhost")


@pytest.mark.parametrize("names", [NAMES, ("192.0.2.7",), ("team.local",)])
def test_a_stolen_root_vouches_for_no_other_name(names: tuple[str, ...], tmp_path: Path) -> None:
    folder = tmp_path / "made"
    make_certificate(names, folder, now=NOW)
    root = x509.load_pem_x509_certificate((folder / "team-root.crt").read_bytes())
    stolen = serialization.load_pem_private_key((folder / "team-root.key").read_bytes(), None)
    assert isinstance(stolen, ec.EllipticCurvePrivateKey)
    key = ec.generate_private_key(ec.SECP256R1())
    for name in ("bank.example", "sub.other.local", "192.0.2.8", "2001:db8::1"):
        named = x509.SubjectAlternativeName([_general_name(name)])
        forged = (
            _begun(x509.Name([]), root.subject, key, NOW, timedelta(days=90))
            .add_extension(named, critical=True)
            .add_extension(_usage(signs_certificates=False), critical=True)
            .sign(stolen, hashes.SHA256())
        )
        cert, held = tmp_path / "forged.pem", tmp_path / "forged.key"
        cert.write_bytes(forged.public_bytes(serialization.Encoding.PEM))
        shape = (serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8)
        held.write_bytes(key.private_bytes(*shape, serialization.NoEncryption()))
        said = greeted(folder / "team-root.crt", cert, held, name)
        assert "permitted subtree" in said or "excluded subtree" in said


def test_tablets_trust_the_next_one_as_it_is(tmp_path: Path) -> None:
    make_certificate(NAMES, tmp_path, now=NOW - timedelta(days=700))
    root, first = (tmp_path / n for n in ("team-root.crt", "server.pem"))
    before = root.read_bytes(), first.read_bytes()
    make_certificate(NAMES[:2], tmp_path, now=NOW)
    assert root.read_bytes() == before[0]
    assert first.read_bytes() != before[1]
    assert greeted(root, first, tmp_path / "server.key", "127.0.0.1") == "trusted"
    with pytest.raises(UserError, match=r"vouches for .* not for new\.local"):
        make_certificate(["new.local"], tmp_path, now=NOW)
    (tmp_path / "team-root.key").unlink()
    with pytest.raises(UserError, match=r"Put the key back"):
        make_certificate(NAMES, tmp_path, now=NOW)


def test_it_lasts_as_tablets_allow_and_keys_are_their_owners(folder: Path) -> None:
    """Source: Apple, "Requirements for trusted certificates": 825 days at most for own roots."""
    cert = x509.load_pem_x509_certificate((folder / "server.pem").read_bytes())
    assert cert.not_valid_after_utc - cert.not_valid_before_utc <= timedelta(days=825)
    modes = {file.name: file.stat().st_mode & 0o777 for file in folder.iterdir()}
    assert modes == {
        "server.key": 0o600,
        "team-root.key": 0o600,
        "server.pem": 0o644,
        "team-root.crt": 0o644,
        "tablets.txt": 0o644,
    }
    told = (folder / "tablets.txt").read_text()
    assert "iPadOS" in told
    assert "https://localhost:8550/" in told


@pytest.mark.parametrize("name", ["", "a b", "https://team.local", "team.local:8550", ".local"])
def test_what_is_no_name_is_said(tmp_path: Path, name: str) -> None:
    with pytest.raises(UserError, match="expected one such as"):
        make_certificate([name], tmp_path, now=NOW)
