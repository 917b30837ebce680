"""A tiny real gate package for tests of gate and service: colours instead of fish, a real ONNX model.

The model averages a crop's red, green and blue and multiplies by a small matrix, so the right logits are known
by hand; cutoffs come from the invented score world through the real ``calibrate``.
"""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import onnx
from onnx import TensorProto, helper, numpy_helper

from passage_cv.decision.calibrate import calibrate
from passage_cv.decision.cutoffs_file import Cutoffs, write_cutoffs
from passage_cv.files import sha256_file, write_json
from passage_cv.gate.package import write_package
from passage_cv.gate.pictures import ReferencePicture
from passage_cv.policy import Policy
from passage_cv.recognition.crop import CropSettings
from passage_cv.recognition.transforms import recipe_sha256
from passage_cv.scores import write_scores
from tests.worlds import CODES, five_class_policy, five_class_scores

COLOURS = {
    "NSH": (200, 40, 40),
    "BCF": (200, 40, 200),
    "AMS": (40, 200, 40),
    "BOW": (40, 200, 200),
    "SNS": (200, 200, 40),
    "dull": (120, 120, 120),
}
"""Red, green, blue of each class's pictures; "dull" looks like nothing."""
WEIGHTS = 12.0 * np.array([[1, -1, -1], [1, -1, 1], [-1, 1, -1], [-1, 1, 1], [1, 1, -1]], dtype=np.float32).T
BIAS = 12.0 * np.array([0.4, -0.5, -0.2, -0.5, -0.5], dtype=np.float32)
SIZE = 32


@dataclass(frozen=True)
class GateWorld:
    """What a package is made of."""

    run: Path
    cutoffs: Path
    policy: Path
    pictures: tuple[ReferencePicture, ...]

    def pack(self, out: Path) -> Path:
        write_package(self.run, self.cutoffs, self.policy, out, pictures=self.pictures)
        return out


def build_world(folder: Path, **policy_changes: object) -> GateWorld:
    """Write a run, cutoffs, a policy and two pictures per class."""
    run = folder / "run"
    run.mkdir(parents=True)
    model_sha256 = write_model(run / "model.onnx")
    names = {rule.code: rule.scientific_name for rule in five_class_policy().classes}
    write_json(run / "classes.json", {"classes": CODES, "scientific_names": names})
    write_json(run / "crop.json", {"format": 1, "method": "whole", "size": SIZE})
    crop = recipe_sha256(CropSettings(size=SIZE))
    write_scores(
        five_class_scores(np.random.default_rng(2), meta={"crop_sha256": crop}), run / "train_scores.parquet"
    )
    policy = five_class_policy(**policy_changes)
    (folder / "policy.toml").write_text(policy_toml(policy), encoding="utf-8")
    write_cutoffs(world_cutoffs(policy, model_sha256), folder / "cutoffs.json")
    pictures = [
        ReferencePicture(f"{code}-{n}", code, write_picture(folder / "pictures" / f"{code}-{n}-{view}.png", code, n))
        for code in (*CODES, "dull")
        for n in (1, 2)
        for view in range(n)
    ]
    return GateWorld(run, folder / "cutoffs.json", folder / "policy.toml", tuple(pictures))


def world_cutoffs(policy: Policy, model_sha256: str = "0" * 64) -> Cutoffs:
    """Cutoffs of the invented score world under a policy."""
    return _calibrated(policy.model_dump_json(), model_sha256)


@cache
def _calibrated(policy: str, model_sha256: str) -> Cutoffs:
    scores = five_class_scores(
        np.random.default_rng(1), meta={"model_sha256": model_sha256, "version": "000001-demo"}
    )
    return calibrate(
        scores, Policy.model_validate_json(policy), author="TBO", now=lambda: datetime(2031, 3, 1, tzinfo=UTC)
    )


def write_model(path: Path, weights: np.ndarray = WEIGHTS) -> str:
    """An ONNX model from uint8 crops (n, h, w, 3) to logits: mean colour (the embedding), a matrix, a bias."""
    nodes = [
        helper.make_node("Cast", ["crops"], ["pixels"], to=TensorProto.FLOAT),
        helper.make_node("Div", ["pixels", "white"], ["light"]),
        helper.make_node("ReduceMean", ["light", "axes"], ["embedding"], keepdims=0),
        helper.make_node("MatMul", ["embedding", "weights"], ["raw"]),
        helper.make_node("Add", ["raw", "bias"], ["logits"]),
    ]
    graph = helper.make_graph(
        nodes,
        "colours",
        [helper.make_tensor_value_info("crops", TensorProto.UINT8, ["n", SIZE, SIZE, 3])],
        [
            helper.make_tensor_value_info("logits", TensorProto.FLOAT, ["n", len(CODES)]),
            helper.make_tensor_value_info("embedding", TensorProto.FLOAT, ["n", 3]),
        ],
        [
            numpy_helper.from_array(np.float32(255), "white"),
            numpy_helper.from_array(np.array([1, 2], dtype=np.int64), "axes"),
            numpy_helper.from_array(weights, "weights"),
            numpy_helper.from_array(BIAS, "bias"),
        ],
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 20)], ir_version=10)
    onnx.checker.check_model(model)
    path.write_bytes(model.SerializeToString())
    return sha256_file(path)


def write_picture(path: Path, code: str, seed: int = 0) -> Path:
    """A noisy picture in the colour of a class, losslessly stored."""
    rng = np.random.default_rng(seed)
    noise = rng.integers(-20, 21, (60, 80, 3))
    rgb = np.clip(np.array(COLOURS[code]) + noise, 0, 255).astype(np.uint8)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(cv2.imencode(path.suffix, rgb[..., ::-1])[1].tobytes())
    return path


def policy_toml(policy: Policy) -> str:
    """A policy as TOML text; every value of these records is written in JSON as in TOML."""
    values = policy.model_dump(mode="json", exclude_none=True)
    rules = values.pop("classes")
    views = values.pop("views")
    lines = [f"{key} = {json.dumps(value)}" for key, value in values.items()]
    lines.append(f"views = {{ min = {views['min']}, max = {views['max']} }}")
    for rule in rules:
        lines += ["", "[[classes]]", *(f"{key} = {json.dumps(value)}" for key, value in rule.items())]
    return "\n".join(lines) + "\n"


def write_traffic_folder(folder: Path, shown: list[tuple[str, ...]], **columns: str) -> Path:
    """Presentations, each a tuple of colours (its views), with their truth beside them."""
    rows, truth = [], []
    for number, views in enumerate(shown, start=1):
        name = f"P{number:05d}"
        files = [f"images/{name}-{view}.png" for view in range(len(views))]
        for view, (file, code) in enumerate(zip(files, views, strict=True)):
            write_picture(folder / file, code, seed=100 * number + view)
        rows.append(
            {
                "presentation_id": name,
                "time": f"2031-05-04T10:{number % 60:02d}:00-04:00",
                "site": "QMR-KBW-01",
                "event": "QMR-20310504",
                "setup_id": "demo-setup",
                "camera": ";".join(["cam-1"] * len(views)),
                "images": ";".join(files),
                "light": "day",
                "turbidity_NTU": "15.0",
                "waterTemperature_C": "18.1",
                **columns,
            }
        )
        truth.append(
            {"presentation_id": name, "individual": f"{name}-1", "class": views[0] if views else "", "note": ""}
        )
    for file, table in (("presentations.csv", rows), ("truth.csv", truth)):
        with (folder / file).open("w", encoding="utf-8", newline="") as stream:
            writer = csv.DictWriter(stream, list(table[0]))
            writer.writeheader()
            writer.writerows(table)
    return folder


__all__ = ["CODES", "GateWorld", "build_world", "world_cutoffs", "write_picture", "write_traffic_folder"]
