"""Station reporting."""
