"""Stands in for the river: draws fish, sampling trips and a season of gate traffic."""
