"""A package whose cutoffs hold unknown fish decides them alike in Python, in C, at export and at the gate."""

import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from passage_cv.decision.cutoffs_file import Cutoffs, read_cutoffs, write_cutoffs
from passage_cv.decision.rule import NOT_A_NUMBER, UNFAMILIAR, decide, unfamiliarity_of
from passage_cv.errors import InputError
from passage_cv.files import sha256_file
from passage_cv.gate import manifest
from passage_cv.gate.code_check import FLAGS, CompiledGate, Question, find_compiler
from passage_cv.gate.codes import ACTION_CODES, reason_code
from passage_cv.gate.pictures import read_picture_cases
from passage_cv.gate.reference import read_logit_cases
from passage_cv.gate.replay import pictures_agree
from passage_cv.gate.runtime import open_package, read_crop
from passage_cv.gate.verify import verify_package
from passage_cv.gate.views import crop_pictures
from passage_cv.recognition.export import attach_unfamiliarity
from passage_cv.recognition.familiarity import fit_unfamiliarity
from passage_cv.recognition.head_settings import DiscriminantGrid
from passage_cv.recognition.heads import Examples
from passage_cv.recognition.model import Embedder, GateModel
from tests.gate.structured_text import load_function, load_function_block
from tests.gate_world import GateWorld, build_world, write_picture
from tests.worlds import CODES

LEVEL = -4.0
"""Between the centred energy of the painted classes' pictures and that of the dull ones."""


def world_that_holds(folder: Path, source: str | None, *, level: float = LEVEL) -> GateWorld:
    """The tiny gate with a level of unfamiliarity in its cutoffs."""
    world = build_world(folder)
    hold_above(world, source, level)
    return world


def hold_above(world: GateWorld, source: str | None, level: float) -> None:
    cutoffs = read_cutoffs(world.cutoffs)
    rules = cutoffs.hold_rules.model_copy(update={"unfamiliarity_above": level, "unfamiliarity_from": source})
    model = sha256_file(world.run / "model.onnx")
    write_cutoffs(cutoffs.model_copy(update={"hold_rules": rules, "model": model}), world.cutoffs)


def world_whose_model_says_it(folder: Path) -> GateWorld:
    """The same gate with a model that has learnt from painted pictures how unlike them a view looks."""
    world = build_world(folder)
    path = world.run / "model.onnx"
    painted = [write_picture(folder / "learn" / f"{code}-{n}.png", code, 50 + n) for code in CODES for n in range(8)]
    crops = crop_pictures([one.read_bytes() for one in painted], read_crop(world.run / "crop.json"))
    label = np.repeat(np.arange(5), 8)
    learnt = Examples(Embedder(path).embed(crops), label, np.arange(40), 5)
    point = DiscriminantGrid(kind="discriminant", shrinkages=(0.3,), priors=(1,))
    fitted, left_out = fit_unfamiliarity(learnt, np.arange(40) % 4, np.ones(40, dtype=bool), point)
    path.write_bytes(attach_unfamiliarity(path.read_bytes(), fitted))
    hold_above(world, "model", float(left_out.max()) + 1)
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


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A package whose cutoffs take unfamiliarity from the model."""
    folder = tmp_path_factory.mktemp("told")
    return world_whose_model_says_it(folder).pack(folder / "package")


def test_what_the_model_says_holds_at_export_at_the_gate_and_in_verify(told: Path, tmp_path: Path) -> None:
    gate = open_package(told)
    level = gate.cutoffs.gate_unfamiliarity
    cases = read_picture_cases(told, gate.cutoffs.classes)
    assert {case.label for case in cases if case.reason == UNFAMILIAR} == {"dull"}
    dull = gate.decide([write_picture(tmp_path / "dull.png", "dull")])
    plain = gate.decide([write_picture(tmp_path / "plain.png", "AMS")])
    assert (dull.action.value, dull.hold_reason) == ("hold", UNFAMILIAR)
    assert plain.action.value == "pass"
    assert plain.unfamiliarity < level < dull.unfamiliarity
    report = verify_package(told)
    assert report.ok, report.checks


def test_views_of_a_presentation_count_by_their_mean(told: Path, tmp_path: Path) -> None:
    gate = open_package(told)
    model = gate.model
    assert isinstance(model, GateModel)
    views = [write_picture(tmp_path / f"{code}.png", code, 3) for code in ("AMS", "dull", "AMS", "dull")]
    said = model.see(crop_pictures([one.read_bytes() for one in views], gate.crop)).unfamiliarity
    assert said is not None
    most = gate.cutoffs.views.max
    assert gate.decide(views).unfamiliarity == pytest.approx(float(np.mean(said[:most].astype(float))), rel=1e-12)


def test_reference_cases_have_what_the_model_would_say_at_and_beside_the_level(told: Path) -> None:
    cutoffs = read_cutoffs(told / "cutoffs.json")
    level = cutoffs.gate_unfamiliarity
    cases = read_logit_cases(told / "reference/logits.csv", cutoffs.classes)
    assert all(case.said is not None for case in cases)
    held = {case.said for case in cases if case.reason == UNFAMILIAR}
    assert {np.nextafter(level, np.inf), np.inf} <= held
    assert {level, np.nextafter(level, -np.inf)}.isdisjoint(held)
    assert {case.action.value for case in cases if case.said == level} == {"pass", "hold", "reject"}


@pytest.mark.skipif(not find_compiler(), reason="needs a C compiler")
def test_header_and_structured_text_hold_by_what_the_model_says(told: Path, tmp_path: Path) -> None:
    cutoffs = read_cutoffs(told / "cutoffs.json")
    cases = read_logit_cases(told / "reference/logits.csv", cutoffs.classes)
    questions = [Question(case.logits, reason_code("", case.hold_reason), case.said) for case in cases]
    found = CompiledGate(told / "passage_gate.h", tmp_path, with_unfamiliarity=True).answer(questions)
    text = (told / "passage_gate.st").read_text()
    block = load_function_block(text)
    assert "PassageGateUnfamiliarity" not in text  # no logits tell it
    for code in (text, (told / "passage_gate.h").read_text()):
        assert 'mean of what model.onnx says of the views (output "unfamiliarity")' in code
    for case, answer in zip(cases, found, strict=True):
        wanted = (ACTION_CODES[case.action], reason_code(case.reason))
        assert (answer.action, answer.reason) == wanted, case
        said = 1e300 if np.isnan(case.said) else case.said
        out = block(**padded(case.logits, cutoffs), unfamiliarity=said, hold_reason=reason_code("", case.hold_reason))
        assert (out["action"], out["reason"]) == wanted, case


def test_verify_finds_a_model_that_says_something_else(told: Path) -> None:
    gate = open_package(told)
    path = told / "reference/pictures.csv"
    text = path.read_bytes()
    cases = read_picture_cases(told, gate.cutoffs.classes)
    listed = repr(float(cases[0].said[0]))
    try:
        path.write_bytes(text.replace(listed.encode(), repr(float(cases[0].said[0]) + 0.01).encode(), 1))
        with pytest.raises(InputError, match=r"logits differ by 0\.01"):
            pictures_agree(gate)
    finally:
        path.write_bytes(text)


def test_cutoffs_that_ask_a_model_which_says_nothing_are_refused(tmp_path: Path) -> None:
    world = world_that_holds(tmp_path, "model", level=2.0)
    with pytest.raises(InputError, match="this model says nothing of it"):
        world.pack(tmp_path / "package")


def test_at_the_gate_a_model_that_says_nothing_holds_every_fish(told: Path, tmp_path: Path) -> None:
    silent = build_world(tmp_path / "silent")
    gate = replace(open_package(told), model=GateModel(silent.run / "model.onnx"))
    made = gate.decide([write_picture(tmp_path / "plain.png", "AMS")])
    assert (made.action.value, made.hold_reason) == ("hold", UNFAMILIAR)


def test_a_package_of_format_1_is_read_and_decides_as_it_did(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Format 1 had no such column, and its unfamiliarity came from the logits."""
    monkeypatch.setattr(manifest, "PACKAGE_FORMAT", 1)
    folder = world_that_holds(tmp_path, "logits").pack(tmp_path / "package")
    monkeypatch.undo()
    assert open_package(folder).manifest.format == 1
    for name in ("logits", "pictures"):
        assert "unfamiliarity" not in (folder / f"reference/{name}.csv").read_text().splitlines()[0]
    report = verify_package(folder)
    assert report.ok, report.checks
    dull = open_package(folder).decide([write_picture(tmp_path / "dull.png", "dull")])
    assert (dull.action.value, dull.hold_reason) == ("hold", UNFAMILIAR)
