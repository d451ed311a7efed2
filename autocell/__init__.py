"""Set a two-mirror multipass cell to a wanted number of passes, prove it, keep it there."""

__version__ = "0.1.0"
