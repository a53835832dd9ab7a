"""Studies: one plan with many values at once, every candidate evaluated, the best of them found."""
