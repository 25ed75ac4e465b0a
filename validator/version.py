"""The version, on its own so that every room may name it."""

__version__ = "1.0.0.dev0"
