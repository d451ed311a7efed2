"""What a run came to, for people: a page that needs no network, and tables for the terminal."""

from autocell.report.page import render
from autocell.report.text import print_history, print_outcome

__all__ = ["print_history", "print_outcome", "render"]
