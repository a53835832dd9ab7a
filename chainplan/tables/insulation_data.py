"""The insulation tables of IEC 60664-1, as data, with their sources.

They are a transcription in which two or three independent copies agree; none of them is the standard itself,
so every source says: check against the standard's own text. How the rows are read is in
:mod:`chainplan.tables.insulation`.
"""

from __future__ import annotations

from fractions import Fraction

_CHECK = "transcription: check against the standard's own text"
SOURCE_CREEPAGE = f"IEC 60664-1 Table F.4 (2007), F.5 (2020); {_CHECK}"
SOURCE_IMPULSE = f"IEC 60664-1 Table F.2, inhomogeneous field; {_CHECK}"
SOURCE_PEAK = f"IEC 60664-1 Table F.8 (2020); {_CHECK}"
SOURCE_ALTITUDE = f"IEC 60664-1 Table A.2; {_CHECK}"
SOURCE_TEST_VOLTAGE = (
    "test voltage 2 U + 1000 V AC, double or reinforced insulation twice; DC = sqrt(2) x AC; open test forms "
    "in the style of IEC 60598-1"
)

# Creepage: voltage in mV, then um at PD1 (all groups); PD2 group I, II, III; PD3 group I, II, III.
CREEPAGE = (
    (10_000, 80, 400, 400, 400, 1000, 1000, 1000),
    (12_500, 90, 420, 420, 420, 1050, 1050, 1050),
    (16_000, 100, 450, 450, 450, 1100, 1100, 1100),
    (20_000, 110, 480, 480, 480, 1200, 1200, 1200),
    (25_000, 125, 500, 500, 500, 1250, 1250, 1250),
    (32_000, 140, 530, 530, 530, 1300, 1300, 1300),
    (40_000, 160, 560, 800, 1100, 1400, 1600, 1800),
    (50_000, 180, 600, 850, 1200, 1500, 1700, 1900),
    (63_000, 200, 630, 900, 1250, 1600, 1800, 2000),
    (80_000, 220, 670, 950, 1300, 1700, 1900, 2100),
    (100_000, 250, 710, 1000, 1400, 1800, 2000, 2200),
    (125_000, 280, 750, 1050, 1500, 1900, 2100, 2400),
    (160_000, 320, 800, 1100, 1600, 2000, 2200, 2500),
    (200_000, 420, 1000, 1400, 2000, 2500, 2800, 3200),
    (250_000, 560, 1250, 1800, 2500, 3200, 3600, 4000),
    (320_000, 750, 1600, 2200, 3200, 4000, 4500, 5000),
    (400_000, 1000, 2000, 2800, 4000, 5000, 5600, 6300),
    (500_000, 1300, 2500, 3600, 5000, 6300, 7100, 8000),
    (630_000, 1800, 3200, 4500, 6300, 8000, 9000, 10_000),
    (800_000, 2400, 4000, 5600, 8000, 10_000, 11_000, 12_500),
    (1_000_000, 3200, 5000, 7100, 10_000, 12_500, 14_000, 16_000),
    (1_250_000, 4200, 6300, 9000, 12_500, 16_000, 18_000, 20_000),
    (1_600_000, 5600, 8000, 11_000, 16_000, 20_000, 22_000, 25_000),
    (2_000_000, 7500, 10_000, 14_000, 20_000, 25_000, 28_000, 32_000),
)
GROUP_OFFSET = {"I": 0, "II": 1, "IIIa": 2, "IIIb": 2}

# Impulse clearance: voltage in V, then um at PD1, PD2, PD3. The 0.2 mm and 0.8 mm of the first rows are the
# least values of pollution degrees 2 and 3: they stay even where the voltage asks for next to nothing.
IMPULSE = (
    (330, 10, 200, 800),
    (400, 20, 200, 800),
    (500, 40, 200, 800),
    (600, 60, 200, 800),
    (800, 100, 200, 800),
    (1000, 150, 200, 800),
    (1200, 250, 250, 800),
    (1500, 500, 500, 800),
    (2000, 1000, 1000, 1000),
    (2500, 1500, 1500, 1500),
    (3000, 2000, 2000, 2000),
    (4000, 3000, 3000, 3000),
    (5000, 4000, 4000, 4000),
    (6000, 5500, 5500, 5500),
    (8000, 8000, 8000, 8000),
    (10_000, 11_000, 11_000, 11_000),
    (12_000, 14_000, 14_000, 14_000),
)
PREFERRED_IMPULSE = (330, 500, 800, 1500, 2500, 4000, 6000, 8000, 12_000)  # V

# Steady-state, temporary or recurring peak: voltage in V, then um in an inhomogeneous field.
PEAK = (
    (330, 10),
    (400, 20),
    (500, 40),
    (600, 60),
    (800, 130),
    (1000, 260),
    (1200, 420),
    (1500, 760),
    (2000, 1270),
    (2500, 1800),
    (3000, 2400),
    (4000, 3800),
    (5000, 5700),
    (6000, 7900),
    (8000, 11_000),
    (10_000, 15_200),
    (12_000, 19_000),
)

# Altitude in m, factor on the clearance: 80 kPa, the pressure at 2000 m, over the pressure at the altitude.
ALTITUDE = (
    (2000, Fraction(1)),
    (3000, Fraction("1.14")),
    (4000, Fraction("1.29")),
    (5000, Fraction("1.48")),
    (6000, Fraction("1.70")),
    (7000, Fraction("1.95")),
    (8000, Fraction("2.25")),
    (9000, Fraction("2.62")),
    (10_000, Fraction("3.02")),
    (15_000, Fraction("6.67")),
    (20_000, Fraction("14.5")),
)
