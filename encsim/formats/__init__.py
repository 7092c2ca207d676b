"""Text and files: TOML, the axis file, changes by name, tables of numbers. May import the ground floor and model."""
