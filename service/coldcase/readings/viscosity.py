"""Viscosity and temperature: the index of an oil by ASTM D2270, and its viscosity at 40 degC by ASTM D341."""

import math

# Viscosity at 100 degC up to which a row holds, then a to f of L = a Y2 + b Y + c and H = d Y2 + e Y + f
# [ASTM D2270, from memory].
_REFERENCE = (
    (3.8, 1.14673, 1.7576, -0.109, 0.84155, 1.5521, -0.077),
    (4.4, 3.38095, -15.4952, 33.196, 0.78571, 1.7929, -0.183),
    (5.0, 2.5, -7.2143, 13.812, 0.82143, 1.5679, 0.119),
    (6.4, 0.101, 16.635, -45.469, 0.04985, 9.1613, -18.557),
    (7.0, 3.35714, -23.5643, 78.466, 0.22619, 7.7369, -16.656),
    (7.7, 0.01191, 21.475, -72.87, 0.79762, -0.7321, 14.61),
    (9.0, 0.41858, 16.1558, -56.04, 0.05794, 10.5156, -28.24),
    (12.0, 0.88779, 7.5527, -16.6, 0.26665, 6.7015, -10.81),
    (15.0, 0.7672, 10.7972, -38.18, 0.20073, 8.4658, -22.49),
    (18.0, 0.97305, 5.3135, -2.2, 0.28889, 5.9741, -4.93),
    (22.0, 0.97256, 5.25, -0.98, 0.24504, 7.416, -16.73),
    (28.0, 0.91413, 7.4759, -21.82, 0.20323, 9.1267, -34.23),
    (40.0, 0.87031, 9.7157, -50.77, 0.18411, 10.1015, -46.75),
    (55.0, 0.84703, 12.6752, -133.31, 0.17029, 11.4866, -80.62),
    (70.0, 0.85921, 11.1009, -83.19, 0.1713, 11.368, -76.94),
    (math.inf, 0.83531, 14.6731, -216.246, 0.16841, 11.8493, -96.947),
)
_LOWEST = 2.0

USUAL_INDEX: dict[str, tuple[int, int]] = {
    "mineral": (-20, 110),
    "AB": (-60, 30),
    "POE": (70, 160),
    "PAO": (115, 160),
    "PAG": (150, 280),
}
"""The index of refrigeration oils by family, wide [from memory]."""


def viscosity_index(at_40: float, at_100: float) -> float | None:
    """The index from kinematic viscosities in mm2/s at 40 and at 100 degC; None below 2 mm2/s at 100 degC,
    where it is not defined.
    """
    if at_100 < _LOWEST:
        return None
    _, a, b, c, d, e, f = next(row for row in _REFERENCE if at_100 <= row[0])
    low, high = (a * at_100 + b) * at_100 + c, (d * at_100 + e) * at_100 + f
    if at_40 >= high:
        return 100 * (low - at_40) / (low - high)
    power = (math.log10(high) - math.log10(at_40)) / math.log10(at_100)
    return (10**power - 1) / 0.00715 + 100


# Kinematic viscosities in mm2/s between which ASTM D341 holds.
D341_RANGE = (0.21, 2e7)
_FORTY = 313.15


def at_40c_from(first: tuple[float, float], second: tuple[float, float]) -> float | None:
    """Kinematic viscosity in mm2/s at 40 degC from two pairs of temperature in K and viscosity in mm2/s.

    ASTM D341: log log Z falls in a straight line over log T. None where the two give no line of an oil:
    temperatures alike, viscosity that does not fall, or one outside the range of the equation.
    """
    (cold, thick), (hot, thin) = sorted((first, second))
    if hot - cold < 5 or thin >= thick or not (D341_RANGE[0] <= thin and thick <= D341_RANGE[1]):
        return None
    upper, lower = (math.log10(math.log10(_z(each))) for each in (thick, thin))
    slope = (upper - lower) / (math.log10(hot) - math.log10(cold))
    exponent = 10 ** (upper - slope * (math.log10(_FORTY) - math.log10(cold)))
    if exponent > math.log10(D341_RANGE[1]):
        return None
    rest = 10**exponent - 0.7
    viscosity = rest - math.exp(-0.7487 - 3.295 * rest + 0.6119 * rest**2 - 0.3193 * rest**3)
    return viscosity if D341_RANGE[0] <= viscosity <= D341_RANGE[1] else None


def _z(viscosity: float) -> float:
    return viscosity + 0.7 + math.exp(-1.47 - 1.84 * viscosity - 0.51 * viscosity**2)
