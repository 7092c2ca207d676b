"""The version, kept apart so that reading it loads nothing."""

__version__ = "0.3.0"
