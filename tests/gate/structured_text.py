"""Runs the generated Structured Text, by turning its small subset line by line into Python.

No open controller runtime lies in the package registries; this shows that the logic is right, while the grammar
is checked by a real parser. REAL is float32, LREAL float64, as IEC 61131-3 says.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable

import numpy as np

Values = dict[str, object]
_BLOCKS = re.compile(r"^(FUNCTION_BLOCK|FUNCTION) (\w+)(?: : \w+)?\n(.*?)^END_\1$", re.MULTILINE | re.DOTALL)
_VARIABLE = re.compile(r"(\w+) : (?:ARRAY\[0\.\.(\d+)\] OF )?(\w+)(?: := (.+?))?;")
_NAMED = re.compile(r"(?<=[(, ])(\w+) := ")
_ZEROS: Values = {"INT": 0, "LREAL": 0.0, "REAL": 0.0, "BOOL": False}
_WORDS = ((r"<>", "!="), (r"(?<![<>:!])=(?!=)", "=="), (r"\bAND\b", "and"), (r"\bOR\b", "or"), (r"\bNOT\b", "not "))
_FUNCTIONS: Values = {
    "EXP": math.exp,
    "LN": math.log,
    "MAX": max,
    "INT_TO_LREAL": float,
    "LREAL_TO_REAL": np.float32,
    "TRUE": True,
    "FALSE": False,
    "list": list,
    "range": range,
}


def load_function_block(text: str) -> Callable[..., Values]:
    """The function block of a program as a Python function of its inputs, giving all its variables."""
    *_, block = _load_all(text).values()
    return block  # type: ignore[return-value]


def load_function(text: str, name: str) -> Callable[..., float]:
    """One function of a program as a Python function of its named inputs."""
    return _load_all(text)[name]  # type: ignore[return-value]


def _load_all(text: str) -> dict[str, Callable[..., object]]:
    text = re.sub(r"\(\*.*?\*\)", "", text, flags=re.DOTALL)
    space: Values = dict(_FUNCTIONS)
    found = {}
    for kind, name, body in _BLOCKS.findall(text):
        space[name] = found[name] = _load(name, kind == "FUNCTION", body, space)
    return found


def _load(name: str, is_function: bool, body: str, space: Values) -> Callable[..., object]:
    head, _, statements = body.rpartition("END_VAR\n")
    start = {one[0]: _initial(*one[1:]) for one in _VARIABLE.findall(head)}
    code = compile(f"def run():\n{_globals(start, name)}{_python(statements, name)}\n", name, "exec")

    def call(**given: object) -> object:
        assert set(given) <= set(start), (given, start)
        scope: Values = {**space, **{key: _copy(value) for key, value in (start | given).items()}}
        exec(code, scope)
        scope["run"]()  # type: ignore[operator]
        return scope[name] if is_function else {key: scope[key] for key in start}

    return call


def _initial(size: str, kind: str, value: str) -> object:
    zero = _ZEROS[kind]
    if not size:
        literal = float(value) if value else zero
        return np.float32(literal) if kind == "REAL" else literal
    listed = [float(cell) if kind == "LREAL" else int(cell) for cell in value.strip("[]").split(",") if cell]
    assert len(listed) in (0, int(size) + 1), (value, size)
    return listed or [zero] * (int(size) + 1)


def _copy(value: object) -> object:
    return list(value) if isinstance(value, list) else value


def _globals(start: Values, name: str) -> str:
    return f"    global {', '.join([*start, name])}\n"


def _python(statements: str, name: str) -> str:
    lines, depth = [], 1
    for line in (line.strip() for line in statements.splitlines()):
        if line in ("END_IF;", "END_FOR;"):
            depth -= 1
        elif line == "ELSE":
            lines.append("    " * (depth - 1) + "else:")
        elif line:
            lines.append("    " * depth + _statement(line))
            depth += line.endswith((" THEN", " DO"))
    return "\n".join(lines)


def _statement(line: str) -> str:
    if loop := re.fullmatch(r"FOR (\w+) := (.+) TO (.+) DO", line):
        return f"for {loop[1]} in range({loop[2]}, ({loop[3]}) + 1):"
    if branch := re.fullmatch(r"IF (.+) THEN", line):
        return f"if {_condition(branch[1])}:"
    if line == "RETURN;":
        return "return"
    target, _, value = line.rstrip(";").partition(" := ")
    assert value, line
    return f"{target} = " + _NAMED.sub(r"\1=", value)


def _condition(text: str) -> str:
    for pattern, word in _WORDS:
        text = re.sub(pattern, word, text)
    return text
