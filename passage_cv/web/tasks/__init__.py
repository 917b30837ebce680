"""What background jobs do: read their job's values, call the package's functions, tell what came of it."""
