"""LOAD and CHECK: cohorts from files, their tables, measures, and every problem found in them."""
