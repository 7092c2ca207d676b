"""Station decisions."""
