"""What every result of this package shares: see :mod:`analysis.result`."""

from analysis.result import Result

__all__ = ["Result"]
