"""A photo of an inked page becomes clean ink, curves, flats and print files."""

__version__ = "0.1.0"
