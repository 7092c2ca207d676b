"""Station cli."""
