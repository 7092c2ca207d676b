"""Station recordings."""
