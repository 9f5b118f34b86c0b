"""One refrigerant circuit's readings in SI units, and what several quantities of it are judged by."""

import math
from dataclasses import dataclass, field

from coldcase.readings.refrigerants import TRANSCRITICAL, Curve, Fluid, Saturation
from coldcase.readings.worksheet import Worksheet

# A service gauge and a clamp thermometer together err by about 1 K [judgement].
TOLERANCE = 1.0


@dataclass(frozen=True, slots=True)
class Circuit:
    """The readings of one circuit in SI: pressures in Pa absolute, temperatures in K, None where not read."""

    worksheet: Worksheet
    refrigerant: Fluid | None
    pressures: dict[str, float]
    temperatures: dict[str, float]
    _found: dict[str, Saturation] = field(default_factory=dict)

    def saturated(self, name: str) -> Saturation | None:
        """The saturation at the pressure of that name, worked out once; None where there is none."""
        pressure = self.pressures.get(name)
        if pressure is None or self.refrigerant is None or not self.refrigerant.saturated(pressure):
            return None
        found = self._found.get(name)
        if found is None:
            found = self._found[name] = self.refrigerant.saturation(pressure)
        return found

    def saturation(self, name: str) -> Saturation | None:
        """The same, and where a pressure is not saturated anywhere the reason is noted."""
        found, pressure = self.saturated(name), self.pressures.get(name)
        if found is None and pressure is not None and self.refrigerant is not None:
            self._no_saturation(name, pressure, self.refrigerant)
        return found

    def _no_saturation(self, name: str, pressure: float, refrigerant: Fluid) -> None:
        what = f"{name} {pressure / 1e3:.4g} kPa absolute"
        if pressure < refrigerant.lowest_pressure:
            where = (
                f"below the range of {refrigerant.designation}'s properties "
                f"({refrigerant.lowest_pressure / 1e3:.3g} kPa)"
            )
            self.worksheet.doubt([name], f"{what} is {where}")
        elif refrigerant.designation not in TRANSCRITICAL:
            where = (
                f"above the critical pressure of {refrigerant.designation} "
                f"({refrigerant.highest_pressure / 1e3:.4g} kPa)"
            )
            self.worksheet.doubt([name], f"{what} is {where}: it has no saturation temperature")
        else:
            self.worksheet.notes.append(
                f"{what}: {refrigerant.designation} above its critical pressure "
                f"({refrigerant.highest_pressure / 1e3:.4g} kPa) has no "
                "saturation temperature; superheat, subcooling and condensing temperature do not exist there"
            )


def put_superheat(
    worksheet: Worksheet,
    quantity: str,
    superheat: float,
    names: tuple[str, str],
    *,
    glide: float,
    tolerance: float = TOLERANCE,
) -> None:
    """Writes a superheat of vapour; between dew and bubble temperature liquid and vapour stand together: no
    superheat.
    """
    if superheat < -glide - tolerance:
        too = f", more than the glide of {glide:.1f} K" if glide > 0.5 else ""
        why = (
            f"{names[0]} lies {-superheat:.1f} K below the dew temperature at {names[1]}{too}, "
            "where there is no vapour"
        )
        worksheet.doubt(names, f"{why}: the two contradict each other")
        worksheet.put(quantity, superheat, *names)
        return
    wet = "no superheat: liquid and vapour together" if superheat < 0 else None
    worksheet.put(quantity, max(superheat, 0.0), *names, note=wet)


def pressure_at(curve: Curve, kelvin: float, refrigerant: Fluid) -> float | None:
    """The saturation pressure at a temperature (Pa from K); None outside the range of the properties."""
    low, high = refrigerant.lowest_pressure, refrigerant.highest_pressure
    if not curve.temperature(low) <= kelvin <= curve.temperature(high):
        return None
    while high / low > 1 + 1e-9:
        middle = math.sqrt(low * high)
        low, high = (low, middle) if curve.temperature(middle) > kelvin else (middle, high)
    return low
