"""The C header and the Structured Text decide as Python does: every reference case, and 100,000 random logits."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import onnxruntime
import pytest
from onnx import TensorProto, helper, numpy_helper

from passage_cv.decision.combine import Individuals, mean_views
from passage_cv.decision.cutoffs_file import Cutoffs
from passage_cv.decision.rule import NOT_A_NUMBER, choose_actions, decide, score_with
from passage_cv.errors import InputError
from passage_cv.gate.code_check import CompiledGate, Question, find_compiler, find_syntax_errors
from passage_cv.gate.codes import ACTION_CODES, reason_code
from passage_cv.gate.controller_code import render_c_header, render_structured_text
from passage_cv.gate.reference import build_logit_cases, logits_with_score, same_score
from passage_cv.policy import Views
from passage_cv.records import Action
from tests.gate.structured_text import load_function_block
from tests.gate_world import world_cutoffs
from tests.worlds import five_class_policy

FLAGS = ["-Wconversion", "-Werror"]
needs_compiler = pytest.mark.skipif(not find_compiler(), reason="needs a C compiler")


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
        "one excluded": plain.model_copy(update={"groups": {**plain.groups, "BCF": "pass"}}),
        "passes nothing": plain.model_copy(update={"u": None}),
        "rejects nothing": plain.model_copy(update={"v": None}),
        "allows nothing": plain.model_copy(update={"u": None, "v": None}),
    }[name]


VARIANTS = [
    "plain", "two views", "floor", "spared", "unfamiliar", "one excluded", "passes nothing", "rejects nothing",
    "allows nothing",
]  # fmt: skip
Given = tuple[np.ndarray, int, float]
"""Logits of the views, hold reason, unfamiliarity."""
Answer = tuple[int, int, float]


def compiled(cutoffs: Cutoffs, folder: Path, *more: str) -> Callable[[list[Given]], list[Answer]]:
    header = folder / "passage_gate.h"
    header.write_text(render_c_header(cutoffs, "0" * 64))
    with_unfamiliarity = cutoffs.hold_rules.unfamiliarity_above is not None
    gate = CompiledGate(header, folder, with_unfamiliarity=with_unfamiliarity, flags=[*FLAGS, *more])

    def answers(given: list[Given]) -> list[Answer]:
        return [(one.action, one.reason, one.score) for one in gate.answer([Question(*case) for case in given])]

    return answers


def python_answer(views: np.ndarray, hold: str, far: float, cutoffs: Cutoffs) -> Answer:
    made = decide(views, cutoffs, hold_reason=hold, unfamiliarity=far)
    return ACTION_CODES[made.action], reason_code(made.reason, made.hold_reason), made.score


def cases_of(cutoffs: Cutoffs) -> list[tuple[np.ndarray, str, float]]:
    """The reference cases, with every unfamiliarity that matters."""
    limit = cutoffs.hold_rules.unfamiliarity_above
    fars = [math.nan] if limit is None else [0.0, limit, np.nextafter(limit, math.inf), math.inf, math.nan]
    return [(case.logits, case.hold_reason, far) for case in build_logit_cases(cutoffs) for far in fars]


@cache
def answered(name: str) -> list[tuple[tuple[np.ndarray, str, float], Answer]]:
    """Every reference case of a variant and what Python says to it."""
    cutoffs = variant(name)
    return [(case, python_answer(*case, cutoffs)) for case in cases_of(cutoffs)]


@needs_compiler
@pytest.mark.parametrize("name", VARIANTS)
@pytest.mark.parametrize("level", ["-O0", "-O2"])
def test_the_c_header_answers_every_reference_case(tmp_path: Path, name: str, level: str) -> None:
    cases = answered(name)
    asked: list[Given] = [(views, reason_code("", hold), far) for (views, hold, far), _ in cases]
    found = compiled(variant(name), tmp_path, level)(asked)
    assert len(found) == len(cases)
    for (case, expected), answer in zip(cases, found, strict=True):
        assert answer[:2] == expected[:2], case
        assert same_score(answer[2], expected[2]), case


@needs_compiler
@pytest.mark.parametrize("name", ["plain", "spared"])
def test_c_onnx_and_python_agree_on_100_000_random_logits(tmp_path: Path, name: str) -> None:
    cutoffs = variant(name)
    logits = random_logits(cutoffs, 100_000)
    expected = actions_of(logits, cutoffs)
    found = compiled(cutoffs, tmp_path, "-O2")([(row[None], 0, math.nan) for row in logits])
    assert [answer[0] for answer in found] == expected
    assert onnx_actions(logits, cutoffs) == expected
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


def onnx_actions(logits: np.ndarray, cutoffs: Cutoffs) -> list[int]:
    """The rule for single views written a third time, as an ONNX graph, and run by ONNX Runtime in float64."""
    costs, limits = cutoffs.class_costs, cutoffs.hold_rules.never_reject_above
    excluded, wanted = (np.flatnonzero(costs.excluded == part) for part in (True, False))
    values = {
        "beta": np.array(cutoffs.beta),
        "offset": np.array([cutoffs.offsets.get(name, 0.0) for name in cutoffs.classes]),
        "weight": costs.log_weights,
        "share": np.log(costs.shares),
        "spare": np.array([math.log(limits[name]) if name in limits else math.inf for name in cutoffs.classes]),
        "u": cutoffs.gate_u,
        "v": cutoffs.gate_v,
        "axis": np.array([1]),
        "excluded": excluded,
        "wanted": wanted,
    }
    steps = """
        scaled = Mul(z, beta); x = Add(scaled, offset); all = ReduceLogSumExp(x, axis); c = Sub(x, all)
        at_site = Add(c, share); whole = ReduceLogSumExp(at_site, axis); p = Sub(at_site, whole)
        likely = GreaterOrEqual(p, spare); likely_f = Cast(likely); any_f = ReduceMax(likely_f, axis)
        spared = Cast_b(any_f)
        w = Add(c, weight); a = Gather(w, excluded); b = Gather(w, wanted)
        la = ReduceLogSumExp(a, axis); lb = ReduceLogSumExp(b, axis); s64 = Sub(la, lb); s = Cast(s64)
        nan = IsNaN(z); inf = IsInf(z); odd = Or(nan, inf); odd_f = Cast(odd); odd_any = ReduceMax(odd_f, axis)
        bad_z = Cast_b(odd_any); bad_s = IsNaN(s); bad = Or(bad_z, bad_s); good = Not(bad)
        below = Less(s, u); passes = And(below, good)
        above = Greater(s, v); free = Not(spared); hit = And(above, free); rejects = And(hit, good)
    """
    nodes = []
    for step in (part.strip() for line in steps.splitlines() for part in line.split(";") if part.strip()):
        out, name, given = re.fullmatch(r"(\w+) = (\w+)\((.*)\)", step).groups()  # type: ignore[union-attr]
        inputs = [one.strip() for one in given.split(",")]
        more: dict[str, int] = {"axis": 1} if name == "Gather" else {}
        if name.startswith("Cast"):
            more, name = {"to": TensorProto.BOOL if name == "Cast_b" else TensorProto.FLOAT}, "Cast"
        nodes.append(helper.make_node(name, inputs, [out], **more))
    graph = helper.make_graph(
        nodes,
        "rule",
        [helper.make_tensor_value_info("z", TensorProto.DOUBLE, ["n", len(cutoffs.classes)])],
        [helper.make_tensor_value_info(name, TensorProto.BOOL, ["n", 1]) for name in ("passes", "rejects")],
        [numpy_helper.from_array(np.asarray(value), name) for name, value in values.items()],
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 20)], ir_version=10)
    session = onnxruntime.InferenceSession(model.SerializeToString(), providers=["CPUExecutionProvider"])
    passes, rejects = session.run(None, {"z": logits})
    codes = np.where(passes, ACTION_CODES[Action.PASS], ACTION_CODES[Action.HOLD])
    return np.where(rejects, ACTION_CODES[Action.REJECT], codes)[:, 0].tolist()


@needs_compiler
def test_more_views_than_the_gate_takes_are_left_out(tmp_path: Path) -> None:
    cutoffs = variant("plain")
    views = np.random.default_rng(3).normal(0, 4, (8, 5))
    (found,) = compiled(cutoffs, tmp_path)([(views, 0, math.nan)])
    assert found[:2] == python_answer(views, "", math.nan, cutoffs)[:2]
    assert same_score(found[2], decide(views[:3], cutoffs).score)


@needs_compiler
def test_fast_math_does_not_compile(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="needs IEEE arithmetic"):
        compiled(variant("plain"), tmp_path, "-O2", "-ffast-math")


def test_the_header_allocates_nothing_and_includes_math_alone() -> None:
    text = render_c_header(variant("spared"), "0" * 64)
    assert [line for line in text.splitlines() if line.startswith("#include")] == ["#include <math.h>"]
    assert "alloc" not in text.replace("no allocation", "")


@pytest.mark.parametrize("name", VARIANTS)
def test_the_structured_text_is_structured_text(name: str) -> None:
    text = render_structured_text(variant(name), "0" * 64)
    assert find_syntax_errors(text) == ()
    assert find_syntax_errors(text.replace("END_IF;", "", 1))  # the parser is awake


@pytest.mark.parametrize("name", VARIANTS)
def test_the_structured_text_answers_every_reference_case(name: str) -> None:
    cutoffs = variant(name)
    block = load_function_block(render_structured_text(cutoffs, "0" * 64))
    for (views, hold, far), (action, reason, score) in answered(name):
        flat = views.ravel().tolist()
        given = {"logits": flat + [0.0] * (15 - len(flat)), "views": len(views), "hold_reason": reason_code("", hold)}
        if cutoffs.hold_rules.unfamiliarity_above is not None:
            given["unfamiliarity"] = far
        out = block(**given)
        assert (out["action"], out["reason"]) == (action, reason), (views, hold, far)
        assert reason >= 10 or same_score(out["score"], score)  # type: ignore[arg-type]  # held fish have no score there


def test_a_site_name_cannot_end_a_comment() -> None:
    cutoffs = variant("plain").model_copy(update={"site": "x */ int evil; /* *) evil := 1; (*"})
    assert "*/ int evil" not in render_c_header(cutoffs, "0" * 64)
    assert "*) evil" not in render_structured_text(cutoffs, "0" * 64)
