"""Accepted batches become immutable, named versions with lasting roles."""
