"""Readings: one file per family, one function per reading, one tuple that lists them."""
