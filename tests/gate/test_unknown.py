"""A package whose cutoffs hold unknown fish decides them alike in Python, in C, at export and at the gate."""

import subprocess
from pathlib import Path

import numpy as np
import pytest

from passage_cv.decision.cutoffs_file import Cutoffs, read_cutoffs, write_cutoffs
from passage_cv.decision.rule import NOT_A_NUMBER, UNFAMILIAR, decide, unfamiliarity_of
from passage_cv.errors import InputError
from passage_cv.gate.code_check import FLAGS, find_compiler
from passage_cv.gate.codes import ACTION_CODES, reason_code
from passage_cv.gate.pictures import read_picture_cases
from passage_cv.gate.reference import read_logit_cases
from passage_cv.gate.runtime import open_package
from passage_cv.gate.verify import verify_package
from tests.gate.structured_text import load_function, load_function_block
from tests.gate_world import GateWorld, build_world, write_picture

LEVEL = -4.0
"""Between the centred energy of the painted classes' pictures and that of the dull ones."""


def world_that_holds(folder: Path, source: str | None) -> GateWorld:
    """The tiny gate with a level of unfamiliarity in its cutoffs."""
    world = build_world(folder)
    cutoffs = read_cutoffs(world.cutoffs)
    rules = cutoffs.hold_rules.model_copy(update={"unfamiliarity_above": LEVEL, "unfamiliarity_from": source})
    write_cutoffs(cutoffs.model_copy(update={"hold_rules": rules}), world.cutoffs)
    return world


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("unknown")
    return world_that_holds(folder, "logits").pack(folder / "package")


def test_reference_pictures_name_the_rule(package: Path) -> None:
    cutoffs = read_cutoffs(package / "cutoffs.json")
    reasons = {case.label: case.reason for case in read_picture_cases(package, cutoffs.classes)}
    assert reasons["dull"] == UNFAMILIAR
    assert UNFAMILIAR not in {reason for label, reason in reasons.items() if label != "dull"}


def test_every_check_of_verify_passes(package: Path) -> None:
    report = verify_package(package)
    assert report.ok, report.checks


def test_the_gate_holds_what_looks_like_nothing_and_says_how_unlike_it_is(package: Path, tmp_path: Path) -> None:
    gate = open_package(package)
    dull = gate.decide([write_picture(tmp_path / "dull.png", "dull")])
    plain = gate.decide([write_picture(tmp_path / "plain.png", "AMS")])
    assert (dull.action.value, dull.hold_reason) == ("hold", UNFAMILIAR)
    assert plain.action.value == "pass"
    assert plain.unfamiliarity < LEVEL < dull.unfamiliarity


def test_an_unfamiliarity_the_gate_cannot_compute_is_refused_at_export(tmp_path: Path) -> None:
    world = world_that_holds(tmp_path, None)
    with pytest.raises(InputError, match="which the gate cannot compute"):
        world.pack(tmp_path / "package")


def padded(views: np.ndarray, cutoffs: Cutoffs) -> dict[str, object]:
    """Logits and views as the function block's inputs."""
    flat = views.ravel().tolist()
    room = cutoffs.views.max * len(cutoffs.classes)
    return {"logits": (flat + [0.0] * (room - len(flat)))[:room], "views": len(views)}


def test_the_structured_text_computes_the_same_unfamiliarity_and_holds_by_it(package: Path) -> None:
    cutoffs = read_cutoffs(package / "cutoffs.json")
    text = (package / "passage_gate.st").read_text()
    far, block = load_function(text, "PassageGateUnfamiliarity"), load_function_block(text)
    pictures = [(case.logits.astype(float), "") for case in read_picture_cases(package, cutoffs.classes)]
    listed = [(c.logits, c.hold_reason) for c in read_logit_cases(package / "reference/logits.csv", cutoffs.classes)]
    drawn = [(np.random.default_rng(n).normal(0, 4, (n % 4 + 1, len(cutoffs.classes))), "") for n in range(200)]
    reasons = set()
    for views, hold in [*pictures, *listed, *drawn]:
        given = padded(views, cutoffs)
        out = block(**given, unfamiliarity=far(**given), hold_reason=reason_code("", hold))
        made = decide(views, cutoffs, hold_reason=hold)
        assert (out["action"], out["reason"]) == (
            ACTION_CODES[made.action],
            reason_code(made.reason, made.hold_reason),
        )
        if np.isfinite(views).all() and len(views):
            assert far(**given) == pytest.approx(unfamiliarity_of(views, cutoffs), rel=1e-12)
        reasons.add(made.hold_reason)
    assert {"", UNFAMILIAR, NOT_A_NUMBER} <= reasons


@pytest.mark.parametrize("views", [np.zeros((0, 5)), np.full((1, 5), np.nan), np.array([[0, np.inf, 0, 0, 0.0]])])
def test_an_unfamiliarity_that_cannot_be_said_is_above_every_limit(package: Path, views: np.ndarray) -> None:
    cutoffs = read_cutoffs(package / "cutoffs.json")
    far = load_function((package / "passage_gate.st").read_text(), "PassageGateUnfamiliarity")
    assert far(**padded(views, cutoffs)) == 1e300


@pytest.mark.skipif(not find_compiler(), reason="needs a C compiler")
def test_the_header_computes_the_same_unfamiliarity(package: Path, tmp_path: Path) -> None:
    cutoffs = read_cutoffs(package / "cutoffs.json")
    views = np.random.default_rng(3).normal(0, 4, (3, len(cutoffs.classes)))
    numbers = ", ".join(float(value).hex() for value in views.ravel())
    source = (
        f'#include "{package / "passage_gate.h"}"\n#include <stdio.h>\n'
        f"int main(void) {{ const double x[] = {{ {numbers} }};"
        ' printf("%a\\n", passage_gate_unfamiliarity(x, 3)); return 0; }\n'
    )
    (tmp_path / "ask.c").write_text(source)
    call = [find_compiler(), *FLAGS, str(tmp_path / "ask.c"), "-o", str(tmp_path / "ask"), "-lm"]
    subprocess.run(call, check=True)
    said = subprocess.run([tmp_path / "ask"], check=True, capture_output=True, text=True).stdout
    assert float.fromhex(said) == pytest.approx(unfamiliarity_of(views, cutoffs), rel=1e-12)
