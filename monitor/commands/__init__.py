"""The commands, one family to a file."""
