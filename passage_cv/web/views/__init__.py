"""The views: read what was sent, call one function, answer. No rule lives here."""
