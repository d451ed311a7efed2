"""Restore what was proved before with the least that does it, and name what was wrong."""
