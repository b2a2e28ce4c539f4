"""What the checks against the world tell about themselves."""

import json

import pytest


@pytest.fixture
def tell(request):
    """Return a function that records published and found values for the table of all checks.

    ``tests/benchmarks/checks_table.py`` makes that table. A record changes no verdict: the test
    passes or fails by what it asserts, and its verdict stands beside the values.
    """

    def record(check, published, found, error=None, *, unit="", source="", when=True):
        """Record one row.

        ``published`` is a number, or words such as "above 1.1" for a bound; ``error`` is one
        standard error of the found value; ``when`` picks the cases of a test that are shown.
        """
        if when:
            row = {
                "check": check,
                "published": published if isinstance(published, str) else float(published),
                "found": float(found),
                "error": None if error is None else float(error),
                "unit": unit,
                "source": source,
            }
            # What record_property does, without its warning on the newer schema of the report:
            # warnings are errors here.
            request.node.user_properties.append(("check", json.dumps(row)))

    return record
