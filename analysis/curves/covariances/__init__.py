"""What a patient's visits have in common: patient effects and residual structures.

- ``residual_base``: What every residual covariance structure is made from, and what it can be asked.
- ``residual_structures``: Residual structures that are linear in their parameters, and all of them by name.
- ``residual_decaying``: Residual structures whose correlation falls with the distance of the visits.
- ``covariance``: The covariance of one patient's visits: patient effects plus a residual structure.
"""
