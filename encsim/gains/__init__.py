"""Station gains."""
