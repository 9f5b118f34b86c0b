"""Refrigerants by ASHRAE 34 designation: saturation curves and vapour states, within the range of each
fluid's equation.

CoolProp is imported when the first property is asked for (it takes about two seconds). It extrapolates
without a word, so every range is checked here. Temperatures in K, pressures in Pa, absolute.
"""

import math
from bisect import bisect_right
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib import import_module
from itertools import pairwise
from threading import Lock
from typing import Any, NamedTuple

from coldcase.core import refrigerant_names
from coldcase.core.rule_table import spelling_key

# Designation: CoolProp's name. Pure fluids and, of the blends, those with a pseudo-pure equation.
_SINGLE = {
    "R-12": "R12", "R-22": "R22", "R-23": "R23", "R-32": "R32", "R-123": "R123", "R-124": "R124",
    "R-125": "R125",
    "R-134a": "R134a", "R-142b": "R142b", "R-143a": "R143a", "R-152a": "R152A", "R-227ea": "R227EA",
    "R-236fa": "R236FA",
    "R-245fa": "R245fa", "R-170": "Ethane", "R-290": "n-Propane", "R-600": "n-Butane", "R-600a": "IsoButane",
    "R-717": "Ammonia", "R-744": "CarbonDioxide", "R-1150": "Ethylene", "R-1270": "Propylene",
    "R-1234yf": "R1234yf",
    "R-1234ze(E)": "R1234ze(E)", "R-1233zd(E)": "R1233zd(E)",
    "R-404A": "R404A", "R-407C": "R407C", "R-410A": "R410A", "R-507A": "R507A",
}  # fmt: skip
# Blends of CoolProp's library with fitted mixing parameters. Older R-22 blends (R-401A, R-402A, R-408A,
# R-409A, R-502) have none or estimates that miss the boiling points by more than a degree.
_PREDEFINED = (
    "R-407A", "R-407F", "R-407H", "R-417A", "R-422A", "R-422D", "R-427A", "R-434A", "R-442A", "R-447A",
    "R-448A", "R-449A",
    "R-450A", "R-452A", "R-452B", "R-454A", "R-454B", "R-454C", "R-455A", "R-457A", "R-459A", "R-466A",
    "R-471A",
    "R-513A",
)  # fmt: skip
# Blends that the library lacks: nominal mass shares [ASHRAE 34, from memory].
_COMPOSED = {
    "R-513B": {"R1234yf": 0.585, "R134a": 0.415},
    "R-515B": {"R1234ze(E)": 0.911, "R227EA": 0.089},
    "R-516A": {"R1234yf": 0.775, "R134a": 0.085, "R152A": 0.14},
}
DESIGNATIONS = tuple(sorted((*_SINGLE, *_PREDEFINED, *_COMPOSED)))
TRANSCRITICAL = frozenset({"R-744"})
"""Refrigerants that are run above their critical pressure on purpose."""


_BY_KEY = {spelling_key(designation): designation for designation in DESIGNATIONS}


@lru_cache(1000)
def known_designation(text: str) -> str | None:
    """The designation that a text means, in ASHRAE's spelling; None where its properties are not known
    here.
    """
    return refrigerant_names.designation_of(text, _BY_KEY)


@dataclass(frozen=True, slots=True)
class Curve:
    """Saturation temperature over pressure: a cubic Hermite curve through points of the equation of state, in
    ln p.
    """

    logs: tuple[float, ...]
    temperatures: tuple[float, ...]
    slopes: tuple[float, ...]

    @classmethod
    def through(cls, points: list[tuple[float, float]]) -> "Curve":
        """A curve through (p, T) points of rising pressure."""
        logs = [math.log(pressure) for pressure, _ in points]
        temperatures = [temperature for _, temperature in points]
        return cls(tuple(logs), tuple(temperatures), tuple(_slopes(logs, temperatures)))

    def temperature(self, pressure: float) -> float:
        """Saturation temperature in K at a pressure in Pa inside the curve."""
        place = math.log(pressure)
        i = min(max(bisect_right(self.logs, place) - 1, 0), len(self.logs) - 2)
        width = self.logs[i + 1] - self.logs[i]
        t = (place - self.logs[i]) / width
        rise = t * t * (3 - 2 * t)
        bends = width * ((t * (t - 1) ** 2) * self.slopes[i] + (t * t * (t - 1)) * self.slopes[i + 1])
        return self.temperatures[i] * (1 - rise) + self.temperatures[i + 1] * rise + bends


def _slopes(xs: list[float], ys: list[float]) -> list[float]:
    """Slope at each point of the parabola through it and its neighbours."""
    steps = [(b - a, (d - c) / (b - a)) for (a, c), (b, d) in pairwise(zip(xs, ys, strict=True))]
    inner = [
        (left[1] * right[0] + right[1] * left[0]) / (left[0] + right[0]) for left, right in pairwise(steps)
    ]
    return [2 * steps[0][1] - inner[0], *inner, 2 * steps[-1][1] - inner[-1]]


class Saturation(NamedTuple):
    """Dew and bubble temperature in K at one pressure."""

    dew: float
    bubble: float

    @property
    def glide(self) -> float:
        """Dew less bubble temperature in K."""
        return max(0.0, self.dew - self.bubble)


@dataclass(frozen=True, slots=True)
class Fluid:
    """One refrigerant within the range of its equation; saturation above `highest_pressure` does not exist or
    is not known.

    `vapour` is the library's own state, which each calculation sets and then reads: whoever does so holds
    `turn`, for threads that took turns in between would get each other's figures, without an error.
    """

    designation: str
    dew: Curve
    bubble: Curve
    lowest_pressure: float
    highest_pressure: float
    lowest_temperature: float
    highest_temperature: float
    vapour: Any
    turn: Lock

    def saturated(self, pressure: float) -> bool:
        """Whether there is a saturation temperature at this pressure."""
        return self.lowest_pressure <= pressure <= self.highest_pressure

    def saturation(self, pressure: float) -> Saturation:
        """Dew and bubble temperature at a pressure where the fluid can be saturated."""
        return Saturation(self.dew.temperature(pressure), self.bubble.temperature(pressure))


@dataclass(frozen=True, slots=True)
class Compression:
    """What compression from one state to a pressure takes: without losses, and by the readings."""

    isentropic_temperature: float
    efficiency: float | None


@cache
def _coolprop() -> Any:
    return import_module("CoolProp")


def library() -> str:
    """Name and version of the property library, imported if it was not."""
    return f"CoolProp {_coolprop().__version__}"


@cache
def fluid(designation: str) -> Fluid:
    """The refrigerant of a designation in DESIGNATIONS; made once, in 1 to 100 ms. Raises KeyError for
    another.
    """
    state, vapour = (_coolprop().AbstractState("HEOS", _library_name(designation)) for _ in range(2))
    for each in (state, vapour):
        if designation in _COMPOSED:
            each.set_mole_fractions(list(_mole_shares(_COMPOSED[designation]).values()))
    dew, bubble = _traced(state) if designation in _SINGLE else _enveloped(state)
    return Fluid(
        designation=designation,
        dew=Curve.through(dew),
        bubble=Curve.through(bubble),
        lowest_pressure=max(dew[0][0], bubble[0][0]),
        highest_pressure=min(dew[-1][0], bubble[-1][0]),
        lowest_temperature=state.Tmin(),
        highest_temperature=state.Tmax(),
        vapour=vapour,
        turn=Lock(),
    )


COMMON = (
    "R-134a",
    "R-404A",
    "R-407C",
    "R-410A",
    "R-32",
    "R-290",
    "R-744",
    "R-448A",
    "R-449A",
    "R-454B",
    "R-454C",
    "R-513A",
)


def warm() -> None:
    """Loads the property library and the curves of common refrigerants (two to three seconds), ahead of the
    first case.
    """
    for designation in COMMON:
        fluid(designation)


def _library_name(designation: str) -> str:
    if designation in _SINGLE:
        return _SINGLE[designation]
    return (
        "&".join(_COMPOSED[designation])
        if designation in _COMPOSED
        else designation.replace("-", "") + ".mix"
    )


def _mole_shares(mass_shares: dict[str, float]) -> dict[str, float]:
    moles = {
        name: share / _coolprop().AbstractState("HEOS", name).molar_mass()
        for name, share in mass_shares.items()
    }
    return {name: amount / sum(moles.values()) for name, amount in moles.items()}


Points = list[tuple[float, float]]
_STEP = 2.0


def _traced(state: Any) -> tuple[Points, Points]:
    """Dew and bubble points of a pure or pseudo-pure fluid, by temperature, up to the critical point."""
    dew: Points = []
    bubble: Points = []
    lowest, critical = max(state.Tmin(), state.Ttriple()), state.T_critical()
    count = math.ceil((critical - lowest) / _STEP)
    for i in range(count):
        temperature = lowest + (critical - lowest) * i / count
        try:
            pressures = []
            for quality in (1, 0):
                state.update(_coolprop().QT_INPUTS, quality, temperature)
                pressures.append(state.p())
        except ValueError:  # the last degrees below the critical point of a pseudo-pure fluid
            return dew, bubble
        dew.append((pressures[0], temperature))
        bubble.append((pressures[1], temperature))
    return [*dew, (state.p_critical(), critical)], [*bubble, (state.p_critical(), critical)]


def _enveloped(state: Any) -> tuple[Points, Points]:
    """Dew and bubble points of a mixture from its phase envelope.

    Single flashes of a mixture fail from about 50 degC on; the envelope is followed from point to point
    through the critical one.
    """
    state.build_phase_envelope("")
    envelope = state.get_phase_envelope_data()
    points = list(zip(envelope.p, envelope.T, envelope.Q, strict=True))
    lowest = state.Tmin()
    dew = [(p, t) for p, t, q in points if q >= 0.5 and t >= lowest]
    bubble = [(p, t) for p, t, q in reversed(points) if q < 0.5 and t >= lowest]
    return _rising(dew), _rising(bubble)


def _rising(points: Points) -> Points:
    """The points that lie above all before them, up to the highest pressure."""
    kept = points[:1]
    for pressure, temperature in points[1:]:
        # Points that all but coincide would leave the slope between them to rounding.
        if pressure > kept[-1][0] * 1.001:
            kept.append((pressure, temperature))
    return kept


def compression(
    refrigerant: Fluid,
    suction: tuple[float, float],
    discharge_pressure: float,
    discharge_temperature: float | None,
) -> Compression | None:
    """Compression of superheated vapour from `suction` (p, T) to a pressure: isentropic end, and efficiency
    by the end read.

    The efficiency takes the machine as adiabatic; None without an end temperature, or where the gas took up
    no heat. None altogether where a state lies outside the fluid's range.
    """
    try:
        start = _state(refrigerant, *suction)
        ideal_temperature, ideal = _isentropic(refrigerant, start[1], discharge_pressure, suction)
        if discharge_temperature is None:
            return Compression(ideal_temperature, None)
        end = _state(refrigerant, discharge_pressure, discharge_temperature)
    except ValueError:
        return None
    risen = end[0] - start[0]
    return Compression(ideal_temperature, (ideal - start[0]) / risen if risen > 0 else None)


def _state(
    refrigerant: Fluid, pressure: float, temperature: float, *, capacity: bool = False
) -> tuple[float, float, float]:
    """Enthalpy in J/kg, entropy and, where it is asked for, heat capacity in J/kg/K of vapour; raises
    ValueError outside the range.
    """
    if not refrigerant.lowest_temperature <= temperature <= refrigerant.highest_temperature:
        raise ValueError("temperature outside the range of the equation")
    above = pressure > refrigerant.highest_pressure
    if not above and temperature < refrigerant.dew.temperature(max(pressure, refrigerant.lowest_pressure)):
        raise ValueError("not vapour")
    properties, vapour = _coolprop(), refrigerant.vapour
    # Said beforehand, the phase saves a search that fails for mixtures and takes half a millisecond.
    with refrigerant.turn:
        vapour.specify_phase(properties.iphase_supercritical if above else properties.iphase_gas)
        vapour.update(properties.PT_INPUTS, pressure, temperature)
        return vapour.hmass(), vapour.smass(), vapour.cpmass() if capacity else math.nan


def _isentropic(
    refrigerant: Fluid, entropy: float, pressure: float, start: tuple[float, float]
) -> tuple[float, float]:
    """Temperature and enthalpy at a pressure and entropy, by Newton's method in temperature."""
    floor = refrigerant.dew.temperature(
        min(max(pressure, refrigerant.lowest_pressure), refrigerant.highest_pressure)
    )
    temperature = max(start[1] * (pressure / start[0]) ** 0.13, floor)
    for _ in range(20):
        enthalpy, reached, capacity = _state(refrigerant, pressure, temperature, capacity=True)
        step = (entropy - reached) * temperature / capacity
        # The last step is taken along the tangent; what it misses is of second order, under a hundredth of a
        # millikelvin.
        if abs(step) < 0.05:
            return temperature + step, enthalpy + capacity * step
        temperature = max(temperature + step, floor)
    raise ValueError("no vapour has this entropy at this pressure")
