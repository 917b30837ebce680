"""A receipt as one page."""

from __future__ import annotations

from passage_cv.dataset.pages import render_page
from passage_cv.dataset.receipt import WRITTEN_BY_CHECK, Receipt
from passage_cv.records import ROLES


def receipt_page(receipt: Receipt) -> str:
    """The receipt as HTML; every text from the batch is escaped."""
    decisions = {one["message"]: f"let stand by {one['who']}: {one['why']}" for one in receipt.let_stand}
    return render_page("receipt", receipt=receipt, roles=ROLES, decisions=decisions, written=WRITTEN_BY_CHECK)
