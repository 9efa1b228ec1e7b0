"""What an exercise needs made once: its surfaces in the tooth frame, distance grids, points that are not cut, site patches."""
