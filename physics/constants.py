"""Constants of nature, air and water.

References
----------
.. [1] BIPM, The International System of Units (SI), 9th edition, 2019: the molar gas constant
   R = N_A k is exact.
.. [2] ISO 2533:1975, Standard Atmosphere: molar mass of dry air, standard pressure.
.. [3] IAPWS R6-95(2018): molar mass and triple point of ordinary water.
.. [4] L. A. Guildner, D. P. Johnson, F. E. Jones, "Vapor pressure of water at its triple point",
   J. Res. Natl. Bur. Stand. 80A (1976) 505: 611.657 Pa.
.. [5] E. W. Lemmon, R. T. Jacobsen, Int. J. Thermophys. 25 (2004) 21: viscosity of air and
   nitrogen; the values here are at 101 325 Pa.
"""

GAS_CONSTANT = 8.314462618
"""Molar gas constant [J/(mol K)] [1]_."""

ATMOSPHERE_PA = 101_325.0
"""Standard atmosphere [Pa] [2]_."""

ZERO_CELSIUS_K = 273.15
"""0 degrees Celsius [K]."""

AIR_MOLAR_MASS = 0.0289644
"""Molar mass of dry air [kg/mol] [2]_."""

AIR_VISCOSITY_20C = 1.8206e-5
"""Dynamic viscosity of air at 20 degrees Celsius [Pa s] [5]_."""

AIR_VISCOSITY_25C = 1.8448e-5
"""Dynamic viscosity of air at 25 degrees Celsius [Pa s] [5]_."""

NITROGEN_MOLAR_MASS = 0.0280134
"""Molar mass of nitrogen [kg/mol]."""

WATER_MOLAR_MASS = 0.018015268
"""Molar mass of ordinary water [kg/mol] [3]_."""

WATER_TRIPLE_POINT_K = 273.16
"""Triple point of water, temperature [K] [3]_."""

WATER_TRIPLE_POINT_PA = 611.657
"""Triple point of water, pressure [Pa] [4]_."""

SECONDS_PER_YEAR = 31_557_600.0
"""Julian year of 365.25 days [s]."""
