"""Preferred values against the standard's E24 and an independent library."""

import eseries
import pytest
from ampwitness.errors import UsageError
from ampwitness.frontend.preferred import SERIES, mantissas, nearest_value, value_code, values_between


@pytest.mark.parametrize("n", SERIES)
def test_every_series_equals_the_library(n: int) -> None:
    # PyPI `eseries` 1.2.1, an independent implementation of IEC 60063.
    theirs = [value / 10 if n <= 24 else value / 100 for value in eseries.series(eseries.ESeries(n))]
    assert list(mantissas(n)) == pytest.approx(theirs, abs=1e-12)
    assert len(mantissas(n)) == n


def test_e24_and_the_start_of_e96_as_printed() -> None:
    # IEC 60063 as reproduced by the same library and in any parts catalogue.
    assert [round(10 * m) for m in mantissas(24)] == [
        10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91,
    ]  # fmt: skip
    assert [round(100 * m) for m in mantissas(96)[:5]] == [100, 102, 105, 107, 110]
    assert 9.20 in mantissas(192)
    assert 9.19 not in mantissas(192)


def test_values_across_decades_are_exact_numbers() -> None:
    assert values_between(980, 1100, 24, 96) == [1000, 1020, 1050, 1070, 1100]
    assert values_between(9e-9, 16e-9, 6) == [10e-9, 15e-9]
    assert nearest_value(6_100, 24) == 6_200
    assert nearest_value(3_120, 96) == 3_090


def test_unknown_series_and_worthless_limits_are_refused() -> None:
    with pytest.raises(UsageError, match="E7"):
        mantissas(7)
    with pytest.raises(ValueError, match="above 0"):
        values_between(0, 10, 24)


def test_codes_as_on_schematics() -> None:
    assert [value_code(v) for v in (6_190, 120_000, 10e-9, 4.7e3, 1e6, 0.5, 0)] == [
        "6.19k", "120k", "10n", "4.7k", "1M", "500m", "0",
    ]  # fmt: skip
