"""Exercises: definition, built-in ones, whether they can be cut and marked."""
