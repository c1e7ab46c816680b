"""A team's own certificate: a root that its tablets trust, and what the server encrypts with.

The root vouches for the names it was made for and no others, so that whoever steals its key can
stand in for this server alone. It is made once; later certificates leave the tablets as they are.
"""

import ipaddress
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from ingest.schema import UserError
from ingest.store import write_whole

ROOT_FOR = timedelta(days=3650)
SERVER_FOR = timedelta(days=820)  # iPadOS trusts none that is valid for more than 825 days
SKEW = timedelta(days=1)  # a tablet's clock may be behind
ROOT, ROOT_KEY = "team-root.crt", "team-root.key"
CERT, KEY, WORDS = "server.pem", "server.key", "tablets.txt"
TABLETS = """How a tablet comes to trust {first}

Every tablet and computer needs the file team-root.crt once. It holds no secret: send it by mail,
or carry it on a stick. It vouches for {names} and for nothing else.

iPadOS    Open the file; Settings, General, VPN & Device Management: install the profile. Then
          Settings, General, About, Certificate Trust Settings: switch it on.
Android   Settings, Security, Encryption & credentials, Install a certificate, CA certificate.
Windows   Open the file, Install Certificate, Local Machine, Trusted Root Certification Authorities.
macOS     Open the file, add it to the login keychain, open it there, Trust: Always Trust.
Linux     As the distribution says. A browser with a list of its own: Settings, Privacy & Security,
          View Certificates, Authorities, Import, for websites.

Then open https://{first}:8550/ . Compare the root's fingerprint (SHA-256) before you trust it:
{fingerprint}

The server's certificate runs out on {until}. Make the next one with the same command in the same
folder: the tablets need nothing new. Keep team-root.key off the server, where nobody finds it.
"""
Key = ec.EllipticCurvePrivateKey


def make_certificate(names: Sequence[str], folder: Path, *, now: datetime) -> list[Path]:
    """Write a server's certificate and key for its names, and the root where there is none.

    names: as a browser is given them, host names or addresses
    Return the files: root, certificate, key, words for the tablets. UserError: a name that cannot
    be one, a root that was made for other names, or a folder that cannot be written to.
    """
    known = [_general_name(name) for name in names]
    try:
        folder.mkdir(parents=True, exist_ok=True)
        root, root_key = _root(folder, known, names, now)
        key = ec.generate_private_key(ec.SECP256R1())
        cert = _server(root, root_key, key, known, now)
        write_whole(folder / CERT, cert.public_bytes(serialization.Encoding.PEM), mode=0o644)
        write_whole(folder / KEY, _secret(key))
        told = TABLETS.format(
            first=names[0],
            names=", ".join(names),
            fingerprint=root.fingerprint(hashes.SHA256()).hex(":").upper(),
            until=f"{cert.not_valid_after_utc:%d %b %Y}",
        )
        write_whole(folder / WORDS, told.encode(), mode=0o644)
    except OSError as error:
        raise UserError(f"{folder}: cannot be written to ({error.strerror or error}).") from None
    return [folder / name for name in (ROOT, CERT, KEY, WORDS)]


def runs_out(cert: Path) -> datetime:
    """Return the instant until which a certificate (PEM) is valid."""
    return x509.load_pem_x509_certificate(cert.read_bytes()).not_valid_after_utc


def _general_name(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        pass
    plain = name.replace("-", "").replace(".", "")
    if not (plain.isascii() and plain.isalnum()) or len(name) > 253 or name.startswith("."):
        raise UserError(
            f'found "{name}" as a name, expected one such as team.local or 192.168.1.20'
        )
    return x509.DNSName(name.lower())


def _root(
    folder: Path, known: list[x509.GeneralName], names: Sequence[str], now: datetime
) -> tuple[x509.Certificate, Key]:
    """Return the folder's root and its key; make them where there are none."""
    if not (folder / ROOT).exists():
        key = ec.generate_private_key(ec.SECP256R1())
        root = _made_root(key, known, now)
        write_whole(folder / ROOT_KEY, _secret(key))
        write_whole(folder / ROOT, root.public_bytes(serialization.Encoding.PEM), mode=0o644)
        return root, key
    try:
        root = x509.load_pem_x509_certificate((folder / ROOT).read_bytes())
        held = serialization.load_pem_private_key((folder / ROOT_KEY).read_bytes(), password=None)
    except (OSError, ValueError) as error:
        raise UserError(
            f"{folder}: {ROOT} and its key {ROOT_KEY} cannot be used together ({error}). Put the "
            "key back for the moment, or make a new root in another folder."
        ) from None
    if not isinstance(held, ec.EllipticCurvePrivateKey) or held.public_key() != root.public_key():
        raise UserError(f"{folder}: {ROOT_KEY} is not the key of {ROOT}.")
    _check_names(root, known, folder)
    return root, held


def _check_names(root: x509.Certificate, known: list[x509.GeneralName], folder: Path) -> None:
    allowed = root.extensions.get_extension_for_class(x509.NameConstraints).value
    permitted = {str(name.value) for name in allowed.permitted_subtrees or ()}
    strange = [str(name.value) for name in known if str(_subtree(name).value) not in permitted]
    if strange:
        raise UserError(
            f"{folder}: the root there vouches for {', '.join(sorted(permitted))}, not for "
            f"{', '.join(strange)}. Make a new root in another folder; tablets need that one then."
        )


def _subtree(name: x509.GeneralName) -> x509.GeneralName:
    """Return the narrowest constraint that lets a name through."""
    return x509.IPAddress(ipaddress.ip_network(name.value)) if _is_address(name) else name


def _is_address(name: x509.GeneralName) -> bool:
    return isinstance(name, x509.IPAddress)


def _made_root(key: Key, known: list[x509.GeneralName], now: datetime) -> x509.Certificate:
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Slopewatch, this team's root")])
    usage = _usage(signs_certificates=True)
    permitted = [_subtree(name) for name in known]
    excluded = _every_other_kind(known)
    return (
        _begun(subject, subject, key, now, ROOT_FOR)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(usage, critical=True)
        .add_extension(x509.NameConstraints(permitted, excluded), critical=True)
        .sign(key, hashes.SHA256())
    )


def _every_other_kind(known: list[x509.GeneralName]) -> list[x509.GeneralName] | None:
    """Return what keeps a root for host names from vouching for any address, and the reverse."""
    if not any(map(_is_address, known)):
        return [x509.IPAddress(ipaddress.ip_network(net)) for net in ("0.0.0.0/0", "::/0")]
    return [x509.DNSName("")] if all(map(_is_address, known)) else None


def _server(
    root: x509.Certificate, root_key: Key, key: Key, known: list[x509.GeneralName], now: datetime
) -> x509.Certificate:
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Slopewatch")])
    authority = x509.AuthorityKeyIdentifier.from_issuer_public_key(root_key.public_key())
    return (
        _begun(subject, root.subject, key, now, SERVER_FOR)
        .add_extension(x509.SubjectAlternativeName(known), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs_certificates=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(authority, critical=False)
        .sign(root_key, hashes.SHA256())
    )


def _begun(
    subject: x509.Name, issuer: x509.Name, key: Key, now: datetime, lasts: timedelta
) -> x509.CertificateBuilder:
    begins = now.astimezone(UTC) - SKEW
    identifier = x509.SubjectKeyIdentifier.from_public_key(key.public_key())
    builder = x509.CertificateBuilder().subject_name(subject).issuer_name(issuer)
    builder = builder.public_key(key.public_key()).serial_number(x509.random_serial_number())
    builder = builder.not_valid_before(begins).not_valid_after(begins + lasts)
    return builder.add_extension(identifier, critical=False)


def _usage(*, signs_certificates: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs_certificates,
        key_cert_sign=signs_certificates,
        crl_sign=signs_certificates,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        encipher_only=False,
        decipher_only=False,
    )


def _secret(key: Key) -> bytes:
    return key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
