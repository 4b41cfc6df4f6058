"""A cohort whose truth is known."""
