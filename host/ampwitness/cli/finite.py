"""Numbers from the command line: finite ones. Python takes `nan` and `inf` for numbers; no option here means them."""

from __future__ import annotations

import math
from typing import Any

import click


class FiniteRange(click.FloatRange):
    """As click.FloatRange, without nan, inf and -inf; in the help a number, and only the limits that there are."""

    name = "number"

    def _describe_range(self) -> str:
        """What the help shows beside the option."""
        return "" if self.min is None and self.max is None else super()._describe_range()

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """As click's own. Raises click's usage error."""
        if isinstance(value, str):
            try:
                number = float(value)
            except ValueError:
                number = 0.0  # click's own words for it follow
            if not math.isfinite(number):
                self.fail(f"{value!r} is no finite number.", param, ctx)
        return super().convert(value, param, ctx)


FINITE = FiniteRange()
