"""Station time_domain."""
