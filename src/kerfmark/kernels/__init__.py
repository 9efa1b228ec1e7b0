"""Compiled loops on plain arrays: no units, no checks; the only place that imports the compiler."""
