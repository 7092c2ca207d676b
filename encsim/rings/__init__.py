"""Station rings."""
