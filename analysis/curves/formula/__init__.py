"""From a formula to the columns of a design.

- ``formula_columns``: Take a formula apart: which encoded columns each column of the design multiplies.
- ``week_functions``: Functions of the week that a formula may use: splines, broken lines, logarithm.
- ``factors``: The factors of a formula: what each varies with, and its encoded columns on any frame.
- ``patient_terms``: The patient effects of a model: functions of the week, in a well-scaled basis.
- ``design``: Fixed-effect columns as week functions times patient columns, from an ordinary formula.
- ``part_summaries``: What a part of visits tells: of a plan, of who may stay, and its moments. Each adds up, in the order of the parts.
- ``gathered``: Moments of visits that lie in one frame or in many parts, gathered by a plan that all parts agree on.
"""
