"""The one script that a report page carries, and the mark by which a browser may know it from any other.

The text is the same in every report of this version of the program; the numbers it works on stand beside it as data.
"""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib.resources import files

FILES = ("whatif.js", "whatif_page.js")


@cache
def page_script() -> str:
    """The script of the what-if part, as it stands between the script tags."""
    folder = files("passage_cv.evaluation") / "templates"
    return "\n" + "".join((folder / name).read_text(encoding="utf-8") for name in FILES)


def script_source() -> str:
    """What a content security policy must list in ``script-src`` so that this script runs and no other.

    References
    ----------
    W3C Content Security Policy Level 2, hash-source.

    Examples
    --------
    >>> script_source()[:8], len(script_source())
    ("'sha256-", 53)
    """
    digest = hashlib.sha256(page_script().encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode()}'"
