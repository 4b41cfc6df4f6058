"""RESPOND: change since the baseline, by which everything else is counted."""
