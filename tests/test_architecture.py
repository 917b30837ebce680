"""The import table of DEVELOPERS.md, held by force: imports run one way, and libraries have a home."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "passage_cv"

ORDER = [
    "errors",
    "files",
    "records",
    "progress",
    "parallel",
    "config",
    "policy",
    "scores",
    "stats",
    "demo",
    "intake",
    "dataset",
    "recognition",
    "decision",
    "evaluation",
    "gate",
    "service",
    "planning",
    "pipeline",
    "real_data",
    "walkthrough",
    "web",
    "cli",
]
"""Foundation modules first, then the parts in the order in which data meets them."""

MAY_IMPORT = {
    "stats": {"errors"},
    "demo": {"errors", "files", "progress", "parallel"},
    "intake": {"stats"},
    "dataset": {"stats", "intake"},
    "recognition": {"stats", "dataset", "intake"},
    "decision": {"stats"},
    "evaluation": {"stats", "decision"},
    "gate": {"stats", "intake", "dataset", "recognition", "decision"},
    "service": {"stats", "gate", "decision"},
    "planning": {"stats", "intake", "dataset", "decision"},
}
"""Parts that a part may import beside the foundation; parts not listed may import everything above them."""

FOUNDATION = set(ORDER[: ORDER.index("stats")])
FREE = {"pipeline", "real_data", "walkthrough", "web", "cli"}

HOMES = {
    "torch": ("recognition/",),
    "torchvision": ("recognition/",),
    "albumentations": ("recognition/augment.py",),
    "mlflow": ("recognition/tracking.py",),
    "onnx": ("recognition/export.py", "recognition/lite_graph.py"),
    "onnxruntime": ("recognition/model.py",),
    "matplotlib": ("figures.py",),
    "typer": ("cli/",),
    "rich": ("cli/",),
    "pymodbus": ("service/", "gate/"),
    "sklearn": ("recognition/",),
    "fastapi": ("web/",),
    "starlette": ("web/",),
    "sqlalchemy": ("web/",),
    "argon2": ("web/",),
    "uvicorn": ("cli/serve.py",),
}
WITHOUT_TORCH = {"recognition/model.py", "recognition/crop.py", "recognition/transforms.py"}
LATE_IMPORT_ALLOWED = {"cli/main.py"}

MODULES = sorted(PACKAGE.rglob("*.py"))


def name_of(path: Path) -> str:
    return path.relative_to(PACKAGE).as_posix()


def part_of(module: str) -> str:
    """``passage_cv.stats.binomial`` and ``stats/binomial.py`` both belong to ``stats``."""
    return module.removeprefix("passage_cv.").replace("/", ".").removesuffix(".py").split(".")[0]


def imports_of(path: Path) -> list[tuple[str, bool]]:
    """(module, whether it stands inside a function) for every import of a file."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    inside = {
        id(node)
        for function in ast.walk(tree)
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda)
        for node in ast.walk(function)
    }
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found += [(alias.name, id(node) in inside) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found.append((node.module or "", id(node) in inside))
    return found


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_imports_follow_the_table(path: Path) -> None:
    own = part_of(name_of(path))
    if own == "__init__":
        assert imports_of(path) == []
        return
    for module, late in imports_of(path):
        assert not late or name_of(path) in LATE_IMPORT_ALLOWED, f"{module} is imported inside a function"
        if module.split(".")[0] != "passage_cv":
            continue
        other = part_of(module)
        if other == own:
            continue
        assert ORDER.index(other) < ORDER.index(own), f"{own} must not import {other}: it comes later"
        allowed = own in FREE or other in MAY_IMPORT.get(own, set()) or (own != "stats" and other in FOUNDATION)
        assert allowed, f"{own} must not import {other} (MAY_IMPORT)"


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_libraries_have_a_home(path: Path) -> None:
    name = name_of(path)
    for module, _ in imports_of(path):
        homes = HOMES.get(module.split(".")[0])
        if homes is None:
            continue
        assert any(name.startswith(home) or name.endswith(home) for home in homes), (
            f"{module} has its home in {homes}"
        )
        if module.split(".")[0] in ("torch", "torchvision"):
            assert name not in WITHOUT_TORCH


def test_every_part_stands_in_the_table() -> None:
    parts = {part_of(name_of(path)) for path in MODULES} - {"__init__"}
    assert parts <= set(ORDER)


def test_the_table_catches_a_wrong_import(tmp_path: Path) -> None:
    bad = tmp_path / "bad.py"
    bad.write_text("def f():\n    import passage_cv.cli.main\n")
    assert imports_of(bad) == [("passage_cv.cli.main", True)]
