"""Every sentence that the program can say on a page, read from its source, for those who translate.

What comes in is the package's own Python; what goes out are English patterns with numbered gaps where the source
puts a value in: ``f"Row {row} has no length"`` becomes ``Row {1} has no length``. Where the source chooses between
two words, both sentences come out. Words that a list of allowed ones names (``Literal``, enumerations) come singly.
Nothing is run; a sentence that is put together in other ways than f-strings and ``+`` comes out in its pieces.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from pathlib import Path

PACKAGE = Path(__file__).parents[1]
SILENT = {"figures.py", "headers.py", "sentences.py"}
"""Files whose words come on no page: labels within pictures, orders to browsers, and this one."""
MOST_VARIANTS = 8
_SPEAKS_FIRST = {"Finding", "InputError", "UsageError", "PassageError", "PassageWarning", "tracked", "progress"}
"""Calls whose strings are said to people even where they are one word."""
_MUTE = {"compile", "sub", "match", "search", "fullmatch", "split", "findall", "execute", "strptime", "getLogger"}
_NOT_PROSE = re.compile(
    r"[\\<>^|=\t`]|://|\{%|^\s*--|^(SELECT|INSERT|CREATE|PRAGMA|DELETE|UPDATE|ALTER) |^[a-z_]+ \+ |\(\?"
)
_WORD = re.compile(r"[A-Za-z]{2,}")

Part = str | ast.expr


@dataclass(frozen=True, slots=True)
class Place:
    """Where a sentence is said: the module, and what the source puts into each gap."""

    module: str
    gaps: tuple[str, ...]


def find_sentences(package: Path = PACKAGE) -> dict[str, Place]:
    """English patterns of all that can come on a page to their first place, module by module.

    Examples
    --------
    >>> found = find_sentences()
    >>> found["Row {1} has {2} cells, the headings have {3}"].gaps
    ('line.row', 'line.n_cells', 'line.n_headings')
    """
    found: dict[str, Place] = {}
    for path in _modules_of_pages(package):
        module = path.relative_to(package).as_posix()
        for text, gaps in sentences_of(path.read_text(encoding="utf-8")):
            found.setdefault(text, Place(module, gaps))
    return found


def sentences_of(source: str) -> Iterator[tuple[str, tuple[str, ...]]]:
    r"""Patterns of one source text, each with the expressions of its gaps.

    Examples
    --------
    >>> list(sentences_of('f"{n} picture{\'s\' if n > 1 else \'\'} of row {row} are gone"'))
    [('{1} pictures of row {2} are gone', ('n', 'row')), ('{1} picture of row {2} are gone', ('n', 'row'))]
    """
    tree = ast.parse(source)
    mute, loud = _contexts(tree)
    texts = [node for node in ast.walk(tree) if isinstance(node, ast.expr) and _is_text(node)]
    for node in sorted(texts, key=lambda one: (one.lineno, one.col_offset)):  # a whole stays before its parts
        if node in mute:
            continue
        mute.update(inner for inner in _consumed(node) if inner is not node)
        for parts in _variants(node):
            text, gaps = _pattern(parts)
            if _is_said(text, single=node in loud):
                yield text, gaps


def _contexts(tree: ast.AST) -> tuple[set[ast.AST], set[ast.AST]]:
    """Nodes that nobody reads (docstrings, regular expressions), and those read even where they are one word."""
    mute: set[ast.AST] = set()
    loud: set[ast.AST] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            mute.add(node.value)
        elif isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            given = [*node.args, *(one.value for one in node.keywords)]
            (mute if name in _MUTE else loud if name in _SPEAKS_FIRST else set()).update(given)
        elif isinstance(node, ast.Subscript) and getattr(node.value, "id", "") == "Literal":
            loud.update(ast.walk(node.slice))
        elif isinstance(node, ast.ClassDef) and any(getattr(base, "id", "") == "StrEnum" for base in node.bases):
            loud.update(one.value for one in node.body if isinstance(one, ast.Assign))
    return mute, loud


def _is_text(node: ast.expr) -> bool:
    """Whether an expression is text that the source writes, wholly or in part."""
    if isinstance(node, ast.BinOp):
        return isinstance(node.op, ast.Add) and (_is_text(node.left) or _is_text(node.right))
    if isinstance(node, ast.IfExp):
        return _is_text(node.body) or _is_text(node.orelse)
    return isinstance(node, ast.JoinedStr) or (isinstance(node, ast.Constant) and isinstance(node.value, str))


def _consumed(node: ast.AST) -> Iterator[ast.AST]:
    """The parts of a text that are said as part of it, not by themselves."""
    yield node
    if isinstance(node, ast.JoinedStr):
        for value in node.values:
            yield from _consumed(value.value if isinstance(value, ast.FormattedValue) else value)
    elif isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        yield from (*_consumed(node.left), *_consumed(node.right))
    elif isinstance(node, ast.IfExp):
        yield from (*_consumed(node.body), *_consumed(node.orelse))


def _variants(node: ast.expr) -> list[tuple[Part, ...]]:
    """The texts that an expression can give: text and gaps in turn, one for each way its choices can fall."""
    if isinstance(node, ast.Constant):
        return [(node.value,)] if isinstance(node.value, str) else [(node,)]
    if isinstance(node, ast.JoinedStr):
        pieces = [one.value if isinstance(one, ast.FormattedValue) else one for one in node.values]
        return _joined([_variants(one) for one in pieces])
    if isinstance(node, ast.BinOp) and _is_text(node):
        return _joined([_variants(node.left), _variants(node.right)])
    if isinstance(node, ast.IfExp) and _is_text(node):
        return [*_variants(node.body), *_variants(node.orelse)]
    return [(node,)]


def _joined(pieces: list[list[tuple[Part, ...]]]) -> list[tuple[Part, ...]]:
    """Every way to choose one of each, or the first ways where there are too many."""
    ways = [tuple(part for piece in way for part in piece) for way in product(*pieces)]
    return ways[:MOST_VARIANTS]


def _pattern(parts: tuple[Part, ...]) -> tuple[str, tuple[str, ...]]:
    gaps: list[str] = []
    text = ""
    for part in parts:
        if isinstance(part, str):
            text += part
        else:
            gaps.append(ast.unparse(part))
            text += f"{{{len(gaps)}}}"
    return text.strip(), tuple(gaps)


def _is_said(text: str, *, single: bool) -> bool:
    """Whether a pattern reads like words for people: two words, or a word and a gap beside it."""
    bare = re.sub(r"\{\d+\}", "#", text)
    if not _WORD.search(bare) or _NOT_PROSE.search(bare):
        return False
    return single or bool(re.search(r"\s", bare))


def _modules_of_pages(package: Path) -> list[Path]:
    """The web's own modules and all that they import, in the order of their names."""
    left = sorted((package / "web").rglob("*.py"))
    seen: set[Path] = set()
    while left:
        path = left.pop()
        if path not in seen:
            seen.add(path)
            left += _imported(path, package)
    return sorted(path for path in seen if path.name not in SILENT)


def _imported(path: Path, package: Path) -> Iterator[Path]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith(package.name):
            whole = package.parent / Path(*(node.module or "").split("."))
            beside = [whole / f"{one.name}.py" for one in node.names]
            yield from (found for found in (whole.with_suffix(".py"), *beside) if found.is_file())
