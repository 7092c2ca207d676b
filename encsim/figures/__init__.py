"""Station figures."""
