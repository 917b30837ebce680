"""Signatures: only trusted people count, two means two, and another program reads them."""

from __future__ import annotations

import shutil
import stat
import subprocess
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec

from passage_cv.errors import InputError
from passage_cv.gate.signature import (
    find_signers,
    make_key,
    read_signatures,
    read_trusted_keys,
    require_signed,
    sign_package,
)
from passage_cv.gate.verify import verify_package


@pytest.fixture
def keys(tmp_path: Path) -> Path:
    for name in ("RKV", "TBO", "ELQ"):
        make_key(tmp_path / "keys", name)
    (tmp_path / "keys" / "ELQ.pub").unlink()  # a person the gate does not trust
    return tmp_path / "keys"


def test_a_signed_package_verifies_with_its_signer(copied: Path, keys: Path) -> None:
    sign_package(copied, keys / "TBO.key")
    report = verify_package(copied, keys=keys)
    assert report.ok
    assert next(check.detail for check in report.checks if check.name == "signature") == "signed by TBO"


def test_an_unsigned_package_is_refused_where_keys_are_given(copied: Path, keys: Path) -> None:
    assert verify_package(copied).ok
    report = verify_package(copied, keys=keys)
    assert not report.ok
    assert report.checks[-1].name == "signature"
    assert "Signed by nobody the gate trusts; 1 of RKV, TBO needed" in report.checks[-1].detail


def test_a_stranger_does_not_count(copied: Path, keys: Path) -> None:
    sign_package(copied, keys / "ELQ.key")
    with pytest.raises(InputError, match="Signed by nobody the gate trusts"):
        require_signed(copied, read_trusted_keys(keys))


def test_two_means_two_people(copied: Path, keys: Path) -> None:
    sign_package(copied, keys / "TBO.key")
    with pytest.raises(InputError, match="This key has signed the package already"):
        sign_package(copied, keys / "TBO.key")
    shutil.copy(keys / "TBO.pub", keys / "TBO again.pub")
    with pytest.raises(InputError, match="Signed by TBO"):
        require_signed(copied, read_trusted_keys(keys), at_least=2)
    sign_package(copied, keys / "RKV.key")
    assert set(require_signed(copied, read_trusted_keys(keys), at_least=2)) >= {"RKV"}


def test_a_signature_of_another_package_does_not_fit(copied: Path, package: Path, keys: Path, tmp_path: Path) -> None:
    sign_package(copied, keys / "TBO.key")
    other = tmp_path / "other"
    shutil.copytree(package, other)
    text = (copied / "manifest.sig").read_text()
    (other / "manifest.sig").write_text(text)
    assert find_signers(other, read_trusted_keys(keys)) == ("TBO",)  # the same manifest, so the same package
    signature = read_signatures(copied)[0].signature
    (other / "manifest.sig").write_text(text.replace(signature, signature[::-1]))
    with pytest.raises(InputError, match="does not fit this package"):
        find_signers(other, ())


def test_every_changed_byte_of_the_signature_file_is_found(copied: Path, keys: Path) -> None:
    sign_package(copied, keys / "TBO.key")
    path, trusted = copied / "manifest.sig", read_trusted_keys(keys)
    whole = path.read_bytes()
    for place in range(len(whole)):
        path.write_bytes(whole[:place] + bytes([whole[place] ^ 1]) + whole[place + 1 :])
        with pytest.raises(InputError):
            require_signed(copied, trusted)


def test_an_altered_package_is_not_signed(copied: Path, keys: Path) -> None:
    (copied / "crop.json").write_text("{}")
    with pytest.raises(InputError, match="does not match its hash"):
        sign_package(copied, keys / "TBO.key")
    assert not (copied / "manifest.sig").exists()


def test_private_keys_are_for_their_owner_alone(keys: Path) -> None:
    assert stat.S_IMODE((keys / "TBO.key").stat().st_mode) == 0o600


def test_a_key_is_never_written_over(keys: Path) -> None:
    before = (keys / "TBO.key").read_bytes()
    with pytest.raises(InputError, match="Key file exists already"):
        make_key(keys, "TBO")
    assert (keys / "TBO.key").read_bytes() == before


def test_a_passphrase_is_needed_again(copied: Path, tmp_path: Path) -> None:
    private, _ = make_key(tmp_path / "locked", "RKV", passphrase="quill")
    for wrong in ("", "marsh"):
        with pytest.raises(InputError, match="Private key cannot be read"):
            sign_package(copied, private, passphrase=wrong)
    sign_package(copied, private, passphrase="quill")


def test_other_kinds_of_keys_are_refused(copied: Path, tmp_path: Path) -> None:
    key = ec.generate_private_key(ec.SECP256R1())
    pem = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    (tmp_path / "ec.key").write_bytes(pem)
    (tmp_path / "ec.pub").write_bytes(
        key.public_key().public_bytes(serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo)
    )
    with pytest.raises(InputError, match="Key is not Ed25519"):
        sign_package(copied, tmp_path / "ec.key")
    with pytest.raises(InputError, match="Key is not Ed25519"):
        read_trusted_keys(tmp_path)


def test_a_folder_without_keys_trusts_nobody(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="No public key"):
        read_trusted_keys(tmp_path)


@pytest.mark.skipif(shutil.which("openssl") is None, reason="needs the openssl command")
def test_openssl_verifies_the_same_signature(copied: Path, keys: Path, tmp_path: Path) -> None:
    made = sign_package(copied, keys / "TBO.key")
    (tmp_path / "raw.sig").write_bytes(bytes.fromhex(made.signature))
    command = ["openssl", "pkeyutl", "-verify", "-rawin", "-pubin", "-inkey", str(keys / "TBO.pub")]
    files = ["-in", str(copied / "manifest.json"), "-sigfile", str(tmp_path / "raw.sig")]
    done = subprocess.run([*command, *files], capture_output=True, text=True, check=False)
    assert "Signature Verified Successfully" in done.stdout
    (copied / "manifest.json").write_text((copied / "manifest.json").read_text() + " ")
    assert subprocess.run([*command, *files], capture_output=True, check=False).returncode != 0
