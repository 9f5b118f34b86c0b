"""A case with given readings, and the starter table."""

import msgspec
import pytest

from coldcase.core.case import Case
from coldcase.readings.findings import derive
from coldcase.shipped import starter_table

UNIT = {
    "compressor_type": "scroll", "motor": "three_phase", "refrigerant": "R-134a", "lubricant": "POE",
    "viscosity_grade": 32,
    "rated_voltage_v": 400, "rated_current_a": 20, "oil_charge": {"value": 2, "unit": "L"},
    "refrigerant_charge": {"value": 10, "unit": "kg"},
}  # fmt: skip


@pytest.fixture(scope="session")
def table():
    return starter_table()


@pytest.fixture(scope="session")
def case():
    """A function: readings, oil results and whatever else of the case, with `unit` members in place of the
    usual ones."""

    def make(readings=None, oil=None, *, unit=None, **parts) -> Case:
        members = {name: value for name, value in (UNIT | (unit or {})).items() if value is not None}
        return msgspec.convert(
            {"unit": members, "readings": readings or {}, "oil_results": oil or {}, **parts}, Case
        )

    return make


@pytest.fixture(scope="session")
def derived(case, table):
    """A function as `case` that derives by the starter table."""

    def run(*args, **kwargs):
        return derive(case(*args, **kwargs), table)

    return run


@pytest.fixture(scope="session")
def value_of():
    """A function: the one derived value of a quantity, or None."""

    def find(derivation, quantity):
        return next((value for value in derivation.values if value.quantity == quantity), None)

    return find
