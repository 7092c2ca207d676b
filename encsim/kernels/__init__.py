"""Every compiled loop of the package; the only folder that imports numba. May import nothing of the package."""
