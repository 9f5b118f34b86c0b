"""Viscosity grades by ISO 3448: mm2/s at 40 degC, midpoint and its 10 per cent to either side."""

# Grade: midpoint. Grades 2200 and 3200 from memory, the others read in copies of the table.
MIDPOINTS = {
    2: 2.2, 3: 3.2, 5: 4.6, 7: 6.8, 10: 10.0, 15: 15.0, 22: 22.0, 32: 32.0, 46: 46.0, 68: 68.0, 100: 100.0,
    150: 150.0,
    220: 220.0, 320: 320.0, 460: 460.0, 680: 680.0, 1000: 1000.0, 1500: 1500.0, 2200: 2200.0, 3200: 3200.0,
}  # fmt: skip
