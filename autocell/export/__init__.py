"""A run as other programs read it: JSON, CSV and HDF5. Numbers are SI, their units beside them."""

from autocell.export.files import SUFFIXES, write

__all__ = ["SUFFIXES", "write"]
