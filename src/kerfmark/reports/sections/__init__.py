"""Section drawings: what a plane cuts, the corridor about the target, and dimensions drawn from the readings' witnesses."""
