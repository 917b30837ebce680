"""The package at work: right actions for pictures, and no fault that passes, rejects or raises."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from passage_cv.errors import InputError
from passage_cv.files import sha256_file
from passage_cv.gate.runtime import FAULT, UNMEASURED, Package, open_package
from passage_cv.records import Action
from tests.gate_world import CODES, write_picture


class BrokenModel:
    """A model that raises, or answers something else than asked."""

    def __init__(self, answer: Exception | np.ndarray) -> None:
        self.answer = answer

    def logits(self, crops: np.ndarray) -> np.ndarray:
        if isinstance(self.answer, Exception):
            raise self.answer
        return self.answer


@pytest.fixture(scope="module")
def gate(package: Path) -> Package:
    return open_package(package)


@pytest.fixture
def shad(tmp_path: Path) -> Path:
    return write_picture(tmp_path / "shad.png", "AMS")


@pytest.mark.parametrize(
    ("code", "action"),
    [
        ("NSH", Action.REJECT),
        ("BCF", Action.REJECT),
        ("AMS", Action.PASS),
        ("SNS", Action.PASS),
        ("dull", Action.HOLD),
    ],
)
def test_pictures_get_the_action_of_their_colour(gate: Package, tmp_path: Path, code: str, action: str) -> None:
    made = gate.decide([write_picture(tmp_path / f"{code}.png", code, seed=7)])
    assert made.action == action
    assert made.logits.shape == (1, len(CODES))
    assert made.latency_ms > 0


def test_bytes_and_paths_are_the_same(gate: Package, shad: Path) -> None:
    by_path, by_bytes = gate.decide([shad]), gate.decide([shad.read_bytes()])
    assert by_path.score == by_bytes.score
    assert by_path.image_sha256s == by_bytes.image_sha256s == (sha256_file(shad),)


def test_only_the_first_views_count(gate: Package, shad: Path, tmp_path: Path) -> None:
    snakehead = write_picture(tmp_path / "nsh.png", "NSH")
    most = gate.cutoffs.views.max
    made = gate.decide([shad] * most + [snakehead])
    assert made.action is Action.PASS
    assert len(made.logits) == most
    assert len(made.image_sha256s) == most + 1


@pytest.mark.parametrize("reason", ["unknown", "two fish in view", "empty view"])
def test_a_hold_reason_holds_what_would_pass(gate: Package, shad: Path, reason: str) -> None:
    made = gate.decide([shad], hold_reason=reason)
    assert (made.action, made.hold_reason) == (Action.HOLD, reason)


def test_an_unmeasured_set_up_holds(gate: Package, shad: Path) -> None:
    assert gate.decide([shad], setup_id="demo-setup").action is Action.PASS
    made = gate.decide([shad], setup_id="new lens")
    assert (made.action, made.hold_reason) == (Action.HOLD, UNMEASURED)


def test_no_pictures_hold(gate: Package) -> None:
    made = gate.decide([])
    assert (made.action, made.hold_reason) == (Action.HOLD, "too few views")


@pytest.mark.parametrize("data", [b"", b"not a picture", b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff\xe0" + bytes(100)])
def test_bytes_that_are_no_picture_hold(gate: Package, shad: Path, data: bytes) -> None:
    for pictures in ([data], [shad, data], [data, shad]):
        made = gate.decide(pictures)
        assert made.action is Action.HOLD
        assert made.hold_reason


def test_a_truncated_picture_holds(gate: Package, shad: Path) -> None:
    whole = shad.read_bytes()
    for size in range(0, len(whole), len(whole) // 20):
        assert gate.decide([whole[:size]]).action is Action.HOLD


def test_a_missing_picture_holds(gate: Package, shad: Path, tmp_path: Path) -> None:
    made = gate.decide([shad, tmp_path / "gone.png"])
    assert (made.action, made.hold_reason) == (Action.HOLD, "Picture cannot be opened: No such file or directory")
    assert len(made.image_sha256s) == 1


@pytest.mark.parametrize(
    "answer",
    [
        RuntimeError("out of memory"),
        np.zeros((1, 4), np.float32),
        np.zeros((2, 5), np.float32),
        np.zeros(5, np.float32),
    ],
)
def test_a_broken_model_gives_no_decision(gate: Package, shad: Path, answer: Exception | np.ndarray) -> None:
    made = replace(gate, model=BrokenModel(answer)).decide([shad])
    assert made.action is Action.NO_DECISION
    assert made.reason == FAULT


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("place", [0, 2, None])
def test_logits_that_are_no_numbers_hold(gate: Package, shad: Path, value: float, place: int | None) -> None:
    logits = np.array([[-30, -30, 0, 0, 0]], np.float32)
    logits[0, slice(None) if place is None else place] = value
    made = replace(gate, model=BrokenModel(logits)).decide([shad])
    assert (made.action, made.hold_reason) == (Action.HOLD, "score is not a number")


def test_a_damaged_package_does_not_open(copied: Path) -> None:
    (copied / "policy.toml").write_text((copied / "policy.toml").read_text() + "# later\n")
    with pytest.raises(InputError, match=r"policy\.toml does not match its hash"):
        open_package(copied)
