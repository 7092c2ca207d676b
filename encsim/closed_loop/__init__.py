"""Station closed_loop."""
