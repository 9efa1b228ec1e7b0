"""What a board reads: the evidence for a set of marks as a page and as sheets."""
