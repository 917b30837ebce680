"""A batch folder becomes a checked batch or a list of findings."""
