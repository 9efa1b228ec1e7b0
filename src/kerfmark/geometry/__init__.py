"""Meshes, signed-distance grids, frames, sections, solids, and phantoms with analytic answers."""
