"""What runs at a gate, and what decides and evaluates, installs small: no torch, no training libraries."""

from __future__ import annotations

import subprocess
import sys

import pytest

PROGRAM = """
import importlib, pkgutil, sys

BLOCKED = {"torch", "torchvision", "mlflow", "sklearn", "onnx", "onnxscript"}

class Refuse:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in BLOCKED:
            raise ModuleNotFoundError(f"{name} is blocked in this test")

sys.meta_path.insert(0, Refuse())
package = importlib.import_module("passage_cv." + sys.argv[1])
names = [package.__name__, *(one.name for one in pkgutil.iter_modules(package.__path__, package.__name__ + "."))]
for name in names:
    importlib.import_module(name)
assert not BLOCKED & {name.partition(".")[0] for name in sys.modules}
print(len(names))
"""


@pytest.mark.parametrize("part", ["gate", "service", "decision", "evaluation"])
def test_every_module_imports_without_training_libraries(part: str) -> None:
    done = subprocess.run([sys.executable, "-c", PROGRAM, part], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) >= 2


def test_the_block_is_real() -> None:
    program = PROGRAM + "\nimport torch\n"
    done = subprocess.run([sys.executable, "-c", program, "stats"], capture_output=True, text=True, check=False)
    assert "torch is blocked in this test" in done.stderr
