"""The package's version, in a file that imports nothing, so that any part may write it beside what it keeps."""

__all__ = ["__version__"]

__version__ = "0.1.0"
