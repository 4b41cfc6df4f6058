"""FIT: mixed-effects recovery curves by week."""
