"""The C header and the Structured Text decide as Python does: every reference case, and 100,000 random logits."""

from __future__ import annotations

import math
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import tree_sitter
import tree_sitter_iec61131_3_st

from passage_cv.decision.combine import Individuals, mean_views
from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.decision.rule import NOT_A_NUMBER, choose_actions, decide, score_with
from passage_cv.gate.codes import ACTION_CODES, reason_code
from passage_cv.gate.controller_code import render_c_header, render_structured_text
from passage_cv.gate.reference import build_logit_cases, logits_with_score, same_score
from passage_cv.policy import Views
from tests.gate.structured_text import load_function_block
from tests.gate_world import world_cutoffs
from tests.worlds import five_class_policy

COMPILER = shutil.which("gcc") or shutil.which("cc")
FLAGS = ["-std=c99", "-Wall", "-Wextra", "-Wconversion", "-Werror", "-pedantic"]
needs_compiler = pytest.mark.skipif(COMPILER is None, reason="needs a C compiler")


def variant(name: str) -> Cutoffs:
    """One cutoffs file per branch that the generated code can have."""
    plain = world_cutoffs(five_class_policy())
    rules = plain.hold_rules
    return {
        "plain": plain,
        "two views": plain.model_copy(
            update={
                "views": Views(min=2, max=3),
                "hold_rules": rules.model_copy(update={"views_min": 2}),
                "rho": 0.3,
            }
        ),
        "floor": plain.model_copy(update={"views": Views(min=1, max=3, floor=0.01), "u": -1.5, "v": 1.0}),
        "spared": plain.model_copy(
            update={"hold_rules": rules.model_copy(update={"never_reject_above": {"SNS": 0.01, "BOW": 0.2}})}
        ),
        "unfamiliar": plain.model_copy(update={"hold_rules": rules.model_copy(update={"unfamiliarity_above": 2.5})}),
        "passes nothing": plain.model_copy(update={"u": None}),
        "rejects nothing": plain.model_copy(update={"v": None}),
        "allows nothing": plain.model_copy(update={"u": None, "v": None}),
    }[name]


VARIANTS = [
    "plain", "two views", "floor", "spared", "unfamiliar", "passes nothing", "rejects nothing", "allows nothing",
]  # fmt: skip
Given = tuple[np.ndarray, int, float]
"""Logits of the views, hold reason, unfamiliarity."""
Answer = tuple[int, int, float]


def compiled(cutoffs: Cutoffs, folder: Path, *more: str) -> Callable[[list[Given]], list[Answer]]:
    header, program = folder / "passage_gate.h", folder / "driver"
    header.write_text(render_c_header(cutoffs, "0" * 64))
    flags = [*FLAGS, *more, f'-DPASSAGE_GATE="{header}"']
    if cutoffs.hold_rules.unfamiliarity_above is not None:
        flags.append("-DWITH_UNFAMILIARITY")
    source = Path(__file__).with_name("c_driver.c")
    done = subprocess.run(
        [str(COMPILER), *flags, str(source), "-o", str(program), "-lm"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr

    def answers(given: list[Given]) -> list[Answer]:
        lines = [
            " ".join([str(len(views)), str(hold), float(far).hex(), *(float(z).hex() for z in views.ravel())])
            for views, hold, far in given
        ]
        out = subprocess.run([program], input="\n".join(lines), capture_output=True, text=True, check=True).stdout
        return [(int(a), int(r), float.fromhex(s)) for a, r, s in (line.split() for line in out.splitlines())]

    return answers


def python_answer(views: np.ndarray, hold: str, far: float, cutoffs: Cutoffs) -> Answer:
    made = decide(views, cutoffs, hold_reason=hold, unfamiliarity=far)
    return ACTION_CODES[made.action], reason_code(made.reason, made.hold_reason), made.score


def cases_of(cutoffs: Cutoffs) -> list[tuple[np.ndarray, str, float]]:
    """The reference cases, with every unfamiliarity that matters."""
    limit = cutoffs.hold_rules.unfamiliarity_above
    fars = [math.nan] if limit is None else [0.0, limit, np.nextafter(limit, math.inf), math.inf, math.nan]
    return [(case.logits, case.hold_reason, far) for case in build_logit_cases(cutoffs) for far in fars]


@needs_compiler
@pytest.mark.parametrize("name", VARIANTS)
@pytest.mark.parametrize("level", ["-O0", "-O2"])
def test_the_c_header_answers_every_reference_case(tmp_path: Path, name: str, level: str) -> None:
    cutoffs = variant(name)
    cases = cases_of(cutoffs)
    found = compiled(cutoffs, tmp_path, level)([(views, reason_code("", hold), far) for views, hold, far in cases])
    assert len(found) == len(cases)
    for case, answer in zip(cases, found, strict=True):
        expected = python_answer(*case, cutoffs)
        assert answer[:2] == expected[:2], case
        assert same_score(answer[2], expected[2]), case


@needs_compiler
@pytest.mark.parametrize("name", ["plain", "spared"])
def test_c_and_python_agree_on_100_000_random_logits(tmp_path: Path, name: str) -> None:
    cutoffs = variant(name)
    logits = random_logits(cutoffs, 100_000)
    expected = actions_of(logits, cutoffs)
    found = compiled(cutoffs, tmp_path, "-O2")([(row[None], 0, math.nan) for row in logits])
    assert [answer[0] for answer in found] == expected
    assert {code: min(expected.count(code), 1) for code in range(4)} == {0: 0, 1: 1, 2: 1, 3: 1}


def random_logits(cutoffs: Cutoffs, n: int) -> np.ndarray:
    """Ordinary rows; ties at both cutoffs and beside them; subnormals, huge numbers, infinities, NaN."""
    rng = np.random.default_rng(42)
    logits = rng.normal(0, 4, (n, len(cutoffs.classes)))
    steps = (np.float32(-np.inf), None, np.float32(np.inf))
    scores = [e if s is None else np.nextafter(e, s) for e in (cutoffs.gate_u, cutoffs.gate_v) for s in steps]
    ties = np.concatenate([logits_with_score(cutoffs, score) for score in scores])
    logits[:6000] = ties[np.arange(6000) % 6]
    odd = np.array([5e-324, -5e-324, 2.2e-308, 700.0, -700.0, 1e8, -1e8, 1e300, np.inf, -np.inf, np.nan, 0.0, -0.0])
    places = rng.random((10_000, len(cutoffs.classes))) < 0.4
    logits[6000:16_000] = np.where(places, rng.choice(odd, places.shape), logits[6000:16_000])
    logits[16_000:20_000] = rng.choice(odd[:3], (4000, len(cutoffs.classes)))
    return logits


def actions_of(logits: np.ndarray, cutoffs: Cutoffs) -> list[int]:
    """The Python rule over many single views at once."""
    n = len(logits)
    finite = np.isfinite(logits).all(axis=1)
    with np.errstate(all="ignore"):
        many = Individuals(
            classes=cutoffs.classes,
            is_gate_score=False,
            values=mean_views(logits, np.ones(n), np.arange(n), floor=cutoffs.views.floor),
            n_views=np.ones(n, dtype=np.intp),
            first_row=np.arange(n),
            text={},
            numbers={"unfamiliarity": np.full(n, np.nan)},
            hold_reason=np.where(finite, "", NOT_A_NUMBER),
        )
        return [ACTION_CODES[action] for action in choose_actions(score_with(many, cutoffs), cutoffs)]


@needs_compiler
def test_more_views_than_the_gate_takes_are_left_out(tmp_path: Path) -> None:
    cutoffs = variant("plain")
    views = np.random.default_rng(3).normal(0, 4, (8, 5))
    (found,) = compiled(cutoffs, tmp_path)([(views, 0, math.nan)])
    assert found[:2] == python_answer(views, "", math.nan, cutoffs)[:2]
    assert same_score(found[2], decide(views[:3], cutoffs).score)


@needs_compiler
def test_fast_math_does_not_compile(tmp_path: Path) -> None:
    with pytest.raises(AssertionError, match="needs IEEE arithmetic"):
        compiled(variant("plain"), tmp_path, "-O2", "-ffast-math")


def test_the_header_allocates_nothing_and_includes_math_alone() -> None:
    text = render_c_header(variant("spared"), "0" * 64)
    assert [line for line in text.splitlines() if line.startswith("#include")] == ["#include <math.h>"]
    assert "alloc" not in text.replace("no allocation", "")


@pytest.mark.parametrize("name", VARIANTS)
def test_the_structured_text_is_structured_text(name: str) -> None:
    parser = tree_sitter.Parser(tree_sitter.Language(tree_sitter_iec61131_3_st.language()))
    text = render_structured_text(variant(name), "0" * 64)
    assert not parser.parse(text.encode()).root_node.has_error
    assert parser.parse(text.replace("END_IF;", "", 1).encode()).root_node.has_error  # the parser is awake


@pytest.mark.parametrize("name", VARIANTS)
def test_the_structured_text_answers_every_reference_case(name: str) -> None:
    cutoffs = variant(name)
    block = load_function_block(render_structured_text(cutoffs, "0" * 64))
    for views, hold, far in cases_of(cutoffs):
        flat = views.ravel().tolist()
        given = {"logits": flat + [0.0] * (15 - len(flat)), "views": len(views), "hold_reason": reason_code("", hold)}
        if cutoffs.hold_rules.unfamiliarity_above is not None:
            given["unfamiliarity"] = far
        out = block(**given)
        action, reason, score = python_answer(views, hold, far, cutoffs)
        assert (out["action"], out["reason"]) == (action, reason), (views, hold, far)
        assert reason >= 10 or same_score(out["score"], score)  # type: ignore[arg-type]  # held fish have no score there


def test_a_site_name_cannot_end_a_comment() -> None:
    cutoffs = variant("plain").model_copy(update={"site": "x */ int evil; /* *) evil := 1; (*"})
    assert "*/ int evil" not in render_c_header(cutoffs, "0" * 64)
    assert "*) evil" not in render_structured_text(cutoffs, "0" * 64)
