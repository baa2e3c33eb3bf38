"""Does a driver keep the contract? A list of cases, run without any test tool.

A driver's author gives a :class:`Specimen`: the factory, its options, and frames made by
hand with what they say. :func:`run` tries every case on it::

    for result in run(specimen):
        print(result.name, result.tried, result.failures)

Specimens are found by :func:`find_specimens` in the driver's own module, as ``SPECIMENS``,
or in the module of the same name with ``_specimens`` behind it.
"""

from drivers.conformance.book import CaseResult, Failure
from drivers.conformance.cases import CASES, Case, find_specimens, run
from drivers.conformance.flips import FlipTable, count_flips
from drivers.conformance.specimen import Golden, Role, Specimen

__all__ = [
    "CASES",
    "Case",
    "CaseResult",
    "Failure",
    "FlipTable",
    "Golden",
    "Role",
    "Specimen",
    "count_flips",
    "find_specimens",
    "run",
]
