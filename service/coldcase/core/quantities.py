"""Quantities as they are sent: one value or a range, in a unit that the trade uses.

They keep the unit they were sent in; `coldcase.readings.units` converts them.
"""

from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta, field

# 1e12 keeps every later product finite; no reading of the trade comes near it.
Number = Annotated[float, Meta(ge=-1e12, le=1e12)]
Positive = Annotated[float, Meta(ge=0, le=1e12)]

WHAT_A_QUANTITY_IS = "A quantity is 'value' and 'unit', or a range: 'from', 'to' and 'unit'."


class _Part(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    pass


Sent = list[tuple[str, Any]]
"""The members of a part of the case that are not None, each with its name."""


def given(part: msgspec.Struct) -> Sent:
    """What was sent of a part. Most of a case's many members are None, so that this is what readings are
    walked by.
    """
    members = zip(part.__struct_fields__, msgspec.structs.astuple(part), strict=True)
    return [member for member in members if member[1] is not None]


class Measurement(_Part, frozen=True, kw_only=True):
    """What every measurement with a unit has: a `value`, or both ends of a range."""

    value: Number | None = None
    from_: Number | None = field(name="from", default=None)
    to: Number | None = None

    def __post_init__(self) -> None:
        """Raises ValueError for what is neither a value nor a range."""
        one, ends = self.value is not None, (self.from_ is not None, self.to is not None)
        if (one and any(ends)) or (not one and not all(ends)):
            raise ValueError(WHAT_A_QUANTITY_IS)
        check_rising(self.from_, self.to)

    @property
    def figure(self) -> float:
        """The value; of a range the lower end."""
        return self.value if self.value is not None else self.from_ or 0.0

    @property
    def is_range(self) -> bool:
        """Whether both ends of a range were sent in place of one value."""
        return self.value is None


def check_rising(low: float | None, high: float | None) -> None:
    """Raises ValueError for a range that falls."""
    if low is not None and high is not None and low > high:
        raise ValueError(f"A range rises: 'from' {low:g} is above 'to' {high:g}.")


class Pressure(Measurement, frozen=True, kw_only=True):
    """A pressure; gauge units are made absolute with the case's barometric pressure or altitude."""

    unit: Literal["kPag", "kPaa", "MPag", "MPaa", "barg", "bara", "psig", "psia", "inHg_vac"]


class PressureDifference(Measurement, frozen=True, kw_only=True):
    """A difference of two pressures, such as a drop over a filter; neither gauge nor absolute."""

    unit: Literal["kPa", "bar", "mbar", "psi"]


class Temperature(Measurement, frozen=True, kw_only=True):
    """A temperature."""

    unit: Literal["degC", "degF", "K"]


class TemperatureDifference(Measurement, frozen=True, kw_only=True):
    """A difference of two temperatures, such as a superheat."""

    unit: Literal["K", "degF_diff"]


class SaturationExcess(Measurement, frozen=True, kw_only=True):
    """How far a standing pressure lies above saturation: as a temperature, or as a pressure."""

    unit: Literal["K", "degF_diff", "kPa", "bar", "psi"]

    @property
    def is_pressure(self) -> bool:
        """Whether it was sent as a pressure."""
        return self.unit not in ("K", "degF_diff")


class Amount(Measurement, frozen=True, kw_only=True):
    """An amount of oil, by volume or by mass."""

    value: Positive | None = None
    from_: Positive | None = field(name="from", default=None)
    to: Positive | None = None
    unit: Literal["L", "mL", "floz_us", "kg", "g", "lb", "oz"]


class Mass(Measurement, frozen=True, kw_only=True):
    """A mass of refrigerant."""

    value: Positive | None = None
    from_: Positive | None = field(name="from", default=None)
    to: Positive | None = None
    unit: Literal["kg", "g", "lb", "oz"]


class Range(_Part, frozen=True, kw_only=True):
    """A range in place of a plain number: all that was read lies between `from` and `to`.

    `unit` is that of the member: `V` of one that ends in `_v`, `percent` of an unbalance, and so on.
    """

    from_: Positive = field(name="from")
    to: Positive
    unit: Literal["V", "mV", "A", "ohm", "mohm", "megohm", "Hz", "percent", "ratio", "mm/s", "1/h", "h", "d"]

    def __post_init__(self) -> None:
        """Raises ValueError for a range that falls."""
        check_rising(self.from_, self.to)


Spread = Positive | Range
"""A plain number, or a range of it."""

_BY_ENDING = {
    "_mv": "mV",
    "_v": "V",
    "_a": "A",
    "_mohm": "mohm",
    "_megohm": "megohm",
    "_ohm": "ohm",
    "_hz": "Hz",
    "_mm_s": "mm/s",
    "_unbalance": "percent",
    "_error": "percent",
    "_at_40c": "megohm",
    "shaft_voltage": "V",
    "_hours": "h",
    "_per_hour": "1/h",
    "days_in_service": "d",
    "days_idle_before": "d",
}


def range_unit(member: str) -> str:
    """The unit that a range of a plain number of that name has."""
    return next((unit for ending, unit in _BY_ENDING.items() if member.endswith(ending)), "ratio")


def lower_end(value: float | Range) -> float:
    """A plain number; of a range the lower end."""
    return value.from_ if isinstance(value, Range) else value
