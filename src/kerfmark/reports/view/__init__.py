"""The view in three dimensions: our own small renderer, the deviation map, balloons on the surface."""
