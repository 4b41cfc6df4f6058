"""Figures of thresholds, for a notebook of one's own.

- ``reliability_figures``: agreement of repeated measurements, their error, and what a change must exceed.
- ``threshold_figures``: several methods side by side against the error of one test; improvement by the anchor.
"""
