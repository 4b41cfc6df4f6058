"""The patients: who they are, the curve of each, and when they started.

- ``patients``: Who is in the cohort: sites, therapists, allocation to protocols, and the patient's baseline columns.
- ``trajectories``: Each patient's curve: true values by week, and what an instrument with its error would read.
- ``quarters``: Quarters of the start and the way to the clinic, for reports by quarter: drawn only where they are asked for.
"""
