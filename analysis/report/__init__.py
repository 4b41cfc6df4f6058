"""REPORT: figures, tables and notebooks turned into pages."""
