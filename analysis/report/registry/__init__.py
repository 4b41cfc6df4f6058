"""A comparison of protocols over a registry that does not fit into memory: sums of all patients, and rows of a sample.

- ``study``: Everything the report is made of, computed once: parts are counted one after the other.
- ``sections``: What stands at the top and between: the registry, In short, what the sample is; methods, cautions, provenance.

The sections from sums are those of :mod:`analysis.report.sites`, those from rows those of :mod:`analysis.report.comparison`.
"""

from analysis.report.registry.sections import answer, cautions, from_a_sample, methods, provenance, subtitle
from analysis.report.registry.study import RegistryStudy, prepare_registry

__all__ = [  # noqa: RUF022 - the order of the report
    "prepare_registry",  # read and count, once
    "RegistryStudy",
    "subtitle",
    "answer",
    "from_a_sample",
    "methods",
    "cautions",
    "provenance",
]
