"""The commands around a package: keys, signatures, verification; each also with what it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from passage_cv.cli import gate, verify
from passage_cv.errors import InputError
from passage_cv.gate.code_check import find_compiler

RUN = CliRunner()


def test_verify_says_each_check_and_a_verdict(package: Path) -> None:
    done = RUN.invoke(verify.app, [str(package)])
    assert done.exit_code == 0, done.output
    c_header = "ok   C header" if find_compiler() else "--   C header"
    assert [line.partition(":")[0] for line in done.output.splitlines() if line[:2] in ("ok", "--")] == [
        "ok   manifest",
        "ok   every byte",
        "ok   signature",
        "ok   records",
        "ok   reference logits",
        "ok   reference pictures",
        c_header,
        "ok   Structured Text",
        "ok   latency",
    ]
    assert "is as exported and decides as listed" in done.output


def test_verify_of_a_damaged_package_is_exit_code_1(copied: Path) -> None:
    (copied / "policy.toml").write_text("# nothing")
    done = RUN.invoke(verify.app, [str(copied)])
    assert done.exit_code == 1
    assert "BAD  every byte: policy.toml does not match its hash" in done.output
    assert "must not be used" in done.output


def test_verify_speaks_json(copied: Path) -> None:
    report = json.loads(RUN.invoke(verify.app, [str(copied), "--json"]).stdout)
    assert report["ok"] is True
    (copied / "crop.json").unlink()
    done = RUN.invoke(verify.app, [str(copied), "--json"])
    assert (json.loads(done.stdout)["ok"], done.exit_code) == (False, 1)


def test_verify_keeps_the_sites_time(package: Path) -> None:
    site = Path(__file__).parents[2] / "configs" / "site" / "kettleback.toml"
    done = RUN.invoke(verify.app, [str(package), "--site", str(site)])
    assert "ok   time budget: p99" in done.output


def test_keys_are_made_and_used(copied: Path, tmp_path: Path) -> None:
    done = RUN.invoke(gate.app, ["key", "TBO", "--folder", str(tmp_path), "--no-passphrase"])
    assert done.exit_code == 0, done.output
    done = RUN.invoke(gate.app, ["sign", str(copied), "--key", str(tmp_path / "TBO.key"), "--no-passphrase"])
    assert done.exit_code == 0, done.output
    done = RUN.invoke(verify.app, [str(copied), "--keys", str(tmp_path)])
    assert "ok   signature: signed by TBO" in done.output
    done = RUN.invoke(verify.app, [str(copied), "--keys", str(tmp_path), "--signatures", "2"])
    assert (done.exit_code, "2 of TBO needed" in done.output) == (1, True)


def test_a_passphrase_is_asked_for(copied: Path, tmp_path: Path) -> None:
    done = RUN.invoke(gate.app, ["key", "RKV", "--folder", str(tmp_path)], input="quill\nquill\n")
    assert done.exit_code == 0, done.output
    signing = ["sign", str(copied), "--key", str(tmp_path / "RKV.key")]
    with pytest.raises(InputError, match="Private key cannot be read"):
        RUN.invoke(gate.app, signing, input="marsh\n", catch_exceptions=False)
    assert RUN.invoke(gate.app, signing, input="quill\n").exit_code == 0
