"""Station open_loop."""
