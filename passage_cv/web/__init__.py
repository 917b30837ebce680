"""Three people, one quiet application over the same functions as the commands."""
