"""A receipt as one page that a crew can keep, print or send: no scripts, nothing loaded from elsewhere."""

from __future__ import annotations

from pathlib import Path

import jinja2

from passage_cv.dataset.receipt import Receipt
from passage_cv.records import ROLES

_TEMPLATES = Path(__file__).with_name("templates")


def receipt_page(receipt: Receipt) -> str:
    """The receipt as HTML; every text from the batch is escaped."""
    pages = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_TEMPLATES),
        autoescape=True,
        trim_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    decisions = {one["message"]: f"let stand by {one['who']}: {one['why']}" for one in receipt.let_stand}
    return pages.get_template("receipt.html.j2").render(receipt=receipt, roles=ROLES, decisions=decisions)
