"""Pure functions on arrays: intervals, agreement, components of variance."""
