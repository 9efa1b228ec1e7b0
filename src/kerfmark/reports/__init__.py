"""One file per reader: what a learner, a teacher, a board, a technician is shown."""
