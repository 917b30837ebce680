"""The number of the package format, and why each change was made.

A gate computer reads packages up to its own number and refuses later ones before it loads anything.
"""

from __future__ import annotations

PACKAGE_FORMAT = 2

CHANGES = {
    1: (
        "2026-11: first format. Model, cutoffs, policy, classes, crop, reference cases, engineer's page, C header, "
        "Structured Text, registers, manifest."
    ),
    2: (
        "2026-11: the model may say how unfamiliar a view looks; where the cutoffs hold by that, both files of "
        "reference cases have a column unfamiliarity. Everything else is as in format 1, which is still read."
    ),
}
"""Every number ever written, with the month and the reason."""

MANIFEST = "manifest.json"
SIGNATURE = "manifest.sig"
MODEL = "model.onnx"
CUTOFFS = "cutoffs.json"
POLICY = "policy.toml"
CLASSES = "classes.json"
CROP = "crop.json"
ENGINEER = "engineer.html"
PICTURES = "reference/pictures"
PICTURE_CASES = "reference/pictures.csv"
LOGIT_CASES = "reference/logits.csv"
C_HEADER = "passage_gate.h"
STRUCTURED_TEXT = "passage_gate.st"
REGISTERS = "registers.csv"
TRAIN_SCORES = "train_scores.parquet"
"""In the run, not in the package: it names the crop that the scores were made with."""

LOGIT_TOLERANCE = 1e-4
"""How far a reference picture's logits, and what the model says of its unfamiliarity, may lie from those written at
export [style 6, ONNX against torch]."""

SCORE_TOLERANCE = 1e-12
"""Relative room for the last bits of exp and log, which differ between processors; actions must be equal."""
