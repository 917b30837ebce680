"""Every field that somebody can fill in: read from the pages' own forms and from the OpenAPI document."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any

from passage_cv.web.batches import FACTS
from passage_cv.web.keying import COLUMNS

KEYS = {"facts": FACTS, "rows": COLUMNS, "form": ("image", "why", "purpose", "number", "shown", "series", "column-0")}
"""Names inside of bodies that the document leaves free: those that the pages use."""


@dataclass
class Form:
    """A form as a browser would send it when nobody touches it."""

    action: str
    values: dict[str, str] = field(default_factory=dict)

    @property
    def fields(self) -> list[str]:
        """Names that an attacker can fill in: all of them, hidden ones too, but the mark."""
        return [name for name in self.values if name != "mark"]


class _Reader(HTMLParser):
    def __init__(self, address: str) -> None:
        super().__init__()
        self.address, self.forms = address, list[Form]()
        self._form: Form | None = None
        self._list = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if tag == "form" and given.get("method", "").lower() == "post":
            self._form = Form(given.get("action") or self.address)
            self.forms.append(self._form)
        name = given.get("name", "")
        if self._form is None or (not name and tag != "option"):
            return
        if tag in {"input", "textarea", "button"}:
            self._form.values.setdefault(name, given.get("value", ""))
        elif tag == "select":
            self._list = name
            self._form.values.setdefault(name, "")
        elif tag == "option" and self._list and not self._form.values.get(self._list):
            self._form.values[self._list] = given.get("value", "")

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._form = None
        if tag == "select":
            self._list = ""


def forms_of(page: str, address: str) -> list[Form]:
    """The forms of a page that change something."""
    reader = _Reader(address.partition("?")[0])
    reader.feed(page)
    return reader.forms


def example(document: dict[str, Any], schema: dict[str, Any], there: dict[str, str], name: str = "") -> Any:  # noqa: ANN401, PLR0911 - JSON, case by case
    """A body that fits a schema; texts come from ``there`` by their name."""
    if "$ref" in schema:
        return example(document, document["components"]["schemas"][schema["$ref"].rpartition("/")[2]], there, name)
    if "enum" in schema:
        return there.get(name, schema["enum"][0])
    kind = schema.get("type")
    if kind == "object" and "properties" in schema:
        return {key: example(document, one, there, key) for key, one in schema["properties"].items()}
    if kind == "object":
        return {key: there.get(key, "seen") for key in KEYS.get(name, ())}
    if kind == "array":
        return [example(document, schema["items"], there, name)]
    if kind == "string":
        return there.get(name, "seen")
    return {"boolean": True, "integer": int(there.get(name, "1")), "number": schema.get("default", 1)}[str(kind)]


def spots(body: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:  # noqa: ANN401 - JSON
    """Where a body holds text."""
    if isinstance(body, str):
        yield path
    elif isinstance(body, dict):
        for key, one in body.items():
            yield from spots(one, (*path, key))
    elif isinstance(body, list):
        for n, one in enumerate(body):
            yield from spots(one, (*path, n))


def with_text(body: Any, path: tuple[str | int, ...], text: str) -> Any:  # noqa: ANN401 - JSON
    """The same body with another text in one place."""
    changed = copy.deepcopy(body)
    inside = changed
    for step in path[:-1]:
        inside = inside[step]
    inside[path[-1]] = text
    return changed


class _Harm(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if tag == "script" and not given.get("src", "").startswith("/static/"):
            self.found.append("a script")
        for name, value in given.items():
            if name.startswith("on") or "zap" in name:
                self.found.append(f"<{tag} {name}>")
            if name in {"href", "src", "action", "formaction"} and not _is_ours(value):
                self.found.append(f"<{tag} {name}={value}>")


def _is_ours(address: str) -> bool:
    return address.startswith(("/", "#", "?")) and not address.startswith("//")


def harm_in(page: str) -> list[str]:
    """Elements and attributes of a page that are none of ours."""
    reader = _Harm()
    reader.feed(page)
    return reader.found
