"""Station spreads."""
