"""Teeth, blocks, jaws and preparations made from numbers."""
