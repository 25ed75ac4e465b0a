"""``python -m validator``."""

from validator.command_line import entry_point

entry_point()
