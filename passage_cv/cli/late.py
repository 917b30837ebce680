"""Work behind a command that its ``--help`` does not need: imported when it is first called.

For what is slow to import (torch, mlflow, drawing) only. Beside each use the same name is imported for type checkers.
"""

from __future__ import annotations

import importlib
from typing import Any


def late(module: str, name: str) -> Any:  # noqa: ANN401 - type checkers see the function itself
    """A function that imports another when it is called, and calls it.

    Examples
    --------
    >>> late("math", "hypot")(3, 4)
    5.0
    """

    def call(*values: Any, **named: Any) -> Any:  # noqa: ANN401 - whatever the other takes and gives
        return getattr(importlib.import_module(module), name)(*values, **named)

    return call
