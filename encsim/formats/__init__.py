"""Text and files: TOML, the axis file, changes of an axis by name, estimators in words.

Everything that a user writes is read here, every fault told with its line, and written back.
May import the ground floor and `model`.
"""
