"""Preferred values of parts (IEC 60063): E3 to E192.

E3 to E24 are history and stand as a table; E48, E96 and E192 are powers of ten rounded to three digits, with the one
value that the standard prints differently.
"""

from __future__ import annotations

import math
from functools import cache

from ampwitness.errors import UsageError

_E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
_THINNED = {3: _E24[::8], 6: _E24[::4], 12: _E24[::2], 24: _E24}
SERIES = (3, 6, 12, 24, 48, 96, 192)


@cache
def mantissas(n_in_decade: int) -> tuple[float, ...]:
    """The values of one decade, 1 <= m < 10. Raises UsageError for a series that the standard does not have."""
    if n_in_decade in _THINNED:
        return tuple(value / 10 for value in _THINNED[n_in_decade])
    if n_in_decade not in SERIES:
        raise UsageError(f"there is no series E{n_in_decade}; there are E{', E'.join(map(str, SERIES))}")
    exact = [round(10 ** (k / n_in_decade), 2) for k in range(n_in_decade)]
    return tuple(9.20 if value == 9.19 else value for value in exact)  # E192 only


def values_between(low: float, high: float, *series: int) -> list[float]:
    """Every preferred value v with low <= v <= high of one or several series, rising, each once."""
    if not 0 < low < math.inf or not 0 < high < math.inf:
        raise ValueError(f"a part's value lies above 0: {low:g} to {high:g}")
    found: set[float] = set()
    for decade in range(math.floor(math.log10(low)) - 1, math.floor(math.log10(high)) + 2):
        for n_in_decade in series:
            # Through text: the same number as when a person types it, however its power of ten would have rounded.
            found.update(float(f"{value}e{decade}") for value in mantissas(n_in_decade))
    return sorted(value for value in found if low <= value <= high)


def nearest_value(wanted: float, *series: int) -> float:
    """The preferred value with the smallest ratio to `wanted`, up or down."""
    near = values_between(wanted / 2.5, wanted * 2.5, *series)
    return min(near, key=lambda value: abs(math.log(value / wanted)))


def value_code(value: float) -> str:
    """A value as it is printed on schematics: 6.19k, 10n, 4.7k; the unit is left to the reader."""
    if value == 0:
        return "0"
    for exponent, letter in ((6, "M"), (3, "k"), (0, ""), (-3, "m"), (-6, "u"), (-9, "n"), (-12, "p")):
        if value >= 0.9995 * 10.0**exponent:
            return f"{value / 10.0**exponent:.4g}{letter}"
    return f"{value:.3g}"
