"""Text as a TOML basic string: the standard library reads TOML but does not write it."""

from __future__ import annotations


def toml_string(text: str) -> str:
    r"""A text in quotes, with what TOML 1.0 asks to be escaped.

    Examples
    --------
    >>> print(toml_string('a "b" \\ c'))
    "a \"b\" \\ c"
    """
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}" for c in escaped) + '"'
