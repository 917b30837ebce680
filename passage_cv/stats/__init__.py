"""Numbers without fish: usable on its own."""
