"""Scores become pass, hold or reject under demonstrated limits."""
