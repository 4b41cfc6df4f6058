"""Recovery curves, responders and reports for home knee-rehabilitation programmes."""
