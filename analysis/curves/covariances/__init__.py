"""What a patient's visits have in common: patient effects and residual structures.

- ``residual_base``: What every residual covariance structure is made from: the visits it covers, and what it can be
  asked.
- ``residual_structures``: Residual covariance structures that are linear in their parameters, one small class each,
  and all of them by name.
- ``residual_decaying``: Residual structures whose correlation falls with the distance of the visits; not linear in
  their parameters.
- ``covariance``: The covariance of one patient's visits: patient effects plus a residual structure.
"""
