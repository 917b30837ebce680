"""Signatures of a package with keys that the site makes: who stands for it, and that nobody changed it since.

Ed25519 over the bytes of ``manifest.json``, which names the hash of every other file. Private keys stay with
people; public keys lie in a folder on the gate computer, one PEM file per person, named after the person.
Whoever can write that folder decides whom the gate believes.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from pydantic import Field

from passage_cv.config import Settings, parse_settings
from passage_cv.errors import InputError
from passage_cv.files import canonical_json, read_json, write_bytes
from passage_cv.gate.format import MANIFEST, SIGNATURE
from passage_cv.gate.manifest import require_intact

PRIVATE_SUFFIX, PUBLIC_SUFFIX = ".key", ".pub"


class Signature(Settings):
    """One person's signature: the raw public key and the signature as hex."""

    public_key: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    signature: Annotated[str, Field(pattern=r"^[0-9a-f]{128}$")]


class Signatures(Settings):
    """The file ``manifest.sig``."""

    format: Literal[1] = 1
    signatures: tuple[Signature, ...]


@dataclass(frozen=True, slots=True)
class TrustedKey:
    """A public key that the gate computer believes, and whose it is (the file's name)."""

    name: str
    public_key: str


def make_key(folder: Path, name: str, *, passphrase: str = "") -> tuple[Path, Path]:
    """Make a person's key pair: ``name.key`` (keep it to yourself) and ``name.pub`` (give it to the gates).

    Raises
    ------
    InputError
        If a file of that name exists: a lost key is replaced under a new name.
    """
    private, public = folder / f"{name}{PRIVATE_SUFFIX}", folder / f"{name}{PUBLIC_SUFFIX}"
    for path in (private, public):
        if path.exists():
            raise InputError("Key file exists already", where=str(path), do="Choose another name for a new key.")
    key = Ed25519PrivateKey.generate()
    lock: serialization.KeySerializationEncryption = (
        serialization.BestAvailableEncryption(passphrase.encode()) if passphrase else serialization.NoEncryption()
    )
    data = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, lock)
    folder.mkdir(parents=True, exist_ok=True)
    with os.fdopen(os.open(private, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as stream:
        stream.write(data)
    form = serialization.PublicFormat.SubjectPublicKeyInfo
    write_bytes(public, key.public_key().public_bytes(serialization.Encoding.PEM, form))
    return private, public


def sign_package(folder: Path, private_key: Path, *, passphrase: str = "") -> Signature:
    """Add one person's signature to an intact package.

    Raises
    ------
    InputError
        If the package is altered, the key cannot be read, or this key has signed already.
    """
    require_intact(folder)
    key = _read_private(private_key, passphrase)
    public = key.public_key().public_bytes_raw().hex()
    earlier = read_signatures(folder)
    if any(one.public_key == public for one in earlier):
        raise InputError("This key has signed the package already", where=str(folder), do="Ask a second person.")
    made = Signature(public_key=public, signature=key.sign((folder / MANIFEST).read_bytes()).hex())
    write_bytes(folder / SIGNATURE, _signature_bytes((*earlier, made)))
    return made


def read_signatures(folder: Path) -> tuple[Signature, ...]:
    """The signatures of a package; none where it is unsigned.

    Raises
    ------
    InputError
        If the file is not in its one written form.
    """
    path = folder / SIGNATURE
    if not path.is_file():
        return ()
    found = parse_settings(read_json(path), Signatures, where=str(path)).signatures
    if path.read_bytes() != _signature_bytes(found):
        raise InputError("manifest.sig is not as it was written", where=str(path), do="Copy the package again.")
    return found


def read_trusted_keys(folder: Path) -> tuple[TrustedKey, ...]:
    """The public keys that a gate computer believes.

    Raises
    ------
    InputError
        If there is none, or a file is no Ed25519 public key.
    """
    keys = tuple(_read_public(path) for path in sorted(folder.glob(f"*{PUBLIC_SUFFIX}")))
    if not keys:
        raise InputError(f"No public key (*{PUBLIC_SUFFIX})", where=str(folder), do="Put the site's keys there.")
    return keys


def find_signers(folder: Path, trusted: Sequence[TrustedKey]) -> tuple[str, ...]:
    """Whose signatures a package bears, in the order of signing; only those of trusted keys count.

    Raises
    ------
    InputError
        If a signature does not fit the manifest, whosever it is.
    """
    names = {key.public_key: key.name for key in trusted}
    signers = []
    for one in read_signatures(folder):
        _require_fits(folder, one)
        if one.public_key in names:
            signers.append(names[one.public_key])
    return tuple(dict.fromkeys(signers))


def require_signed(folder: Path, trusted: Sequence[TrustedKey], *, at_least: int = 1) -> tuple[str, ...]:
    """Whose signatures a package bears, if they are enough.

    Raises
    ------
    InputError
        If a signature does not fit, or fewer than ``at_least`` trusted people signed.
    """
    signers = find_signers(folder, trusted)
    if len(signers) < at_least:
        raise InputError(
            f"Signed by {', '.join(signers) or 'nobody the gate trusts'}; {at_least} of "
            f"{', '.join(key.name for key in trusted)} needed",
            where=str(folder),
            do="Have it signed; the package before it stays in service.",
        )
    return signers


def _signature_bytes(signatures: Sequence[Signature]) -> bytes:
    return canonical_json(Signatures(signatures=tuple(signatures)).model_dump(mode="json")) + b"\n"


def _require_fits(folder: Path, one: Signature) -> None:
    key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(one.public_key))
    try:
        key.verify(bytes.fromhex(one.signature), (folder / MANIFEST).read_bytes())
    except InvalidSignature as error:
        raise InputError(
            f"The signature of key {one.public_key[:8]} does not fit this package",
            where=str(folder / SIGNATURE),
            do="Do not use the package; have it signed again by a person who checked it.",
        ) from error


def _read_private(path: Path, passphrase: str) -> Ed25519PrivateKey:
    try:
        key = serialization.load_pem_private_key(path.read_bytes(), passphrase.encode() or None)
    except (OSError, ValueError, TypeError, UnsupportedAlgorithm) as error:
        do = "Check file and passphrase."
        raise InputError(f"Private key cannot be read: {error}", where=str(path), do=do) from error
    if not isinstance(key, Ed25519PrivateKey):
        raise InputError("Key is not Ed25519", where=str(path), do="Make one with 'passage-cv gate key'.")
    return key


def _read_public(path: Path) -> TrustedKey:
    try:
        key = serialization.load_pem_public_key(path.read_bytes())
    except (OSError, ValueError, UnsupportedAlgorithm) as error:
        raise InputError(f"Public key cannot be read: {error}", where=str(path), do="Ask its owner again.") from error
    if not isinstance(key, Ed25519PublicKey):
        raise InputError("Key is not Ed25519", where=str(path), do="Make one with 'passage-cv gate key'.")
    return TrustedKey(name=path.stem, public_key=key.public_bytes_raw().hex())
