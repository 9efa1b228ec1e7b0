"""What only pages draw: readings of a whole cohort between caliper jaws, own views over attempts. Same canvas and tokens as the reports."""
