"""From a learner's file to a checked surface in millimetres."""
