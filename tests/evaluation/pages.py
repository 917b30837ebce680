"""Read a report page as a browser would: its tags, its tables, what it would fetch."""

from __future__ import annotations

from html.parser import HTMLParser


class Page(HTMLParser):
    """``tags`` holds (name, attributes) in order; ``rows`` the cell texts of every table row; ``text`` all text."""

    def __init__(self, source: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.rows: list[list[str]] = []
        self._cell = self._silent = False
        self._texts: list[str] = []
        self.feed(source)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self._texts).split())

    def named(self, name: str) -> list[dict[str, str | None]]:
        return [attributes for tag, attributes in self.tags if tag == name]

    def row(self, start: str) -> list[str]:
        """The first table row whose first cell starts with these words."""
        return next(row for row in self.rows if row and row[0].startswith(start))

    def fetched(self) -> list[str]:
        """Everything a browser would load when it opens the page; links to click are not among them."""
        loads = {"img": "src", "script": "src", "link": "href", "iframe": "src", "source": "src", "object": "data"}
        places = [attributes.get(loads[tag]) for tag, attributes in self.tags if tag in loads]
        return [place for place in places if place and not place.startswith("data:")]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th") and self.rows:
            self.rows[-1].append("")
            self._cell = True
        self._silent = tag in ("script", "style")

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th"):
            self._cell = False
        if tag in ("script", "style"):
            self._silent = False

    def handle_data(self, data: str) -> None:
        if self._silent:
            return
        self._texts.append(data)
        if self._cell:
            self.rows[-1][-1] = " ".join((self.rows[-1][-1] + " " + data).split())
