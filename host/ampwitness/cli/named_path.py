"""Names of files and folders from the command line."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import click


class NamedPath(click.Path):
    """A path that has a name: an empty text would mean the folder one stands in.

    Whether it can be read or written says whoever does it, in a sentence and with an exit code of its own; click's own
    looks would come first and end in its usage lines.
    """

    def convert(
        self, value: str | os.PathLike[str], param: click.Parameter | None, ctx: click.Context | None
    ) -> Any:  # as click says of its own
        """As click's own. Raises click's usage error."""
        if not str(value):
            self.fail("the name is empty: give a file or a folder.", param, ctx)
        return super().convert(value, param, ctx)


NAMED_PATH = NamedPath(path_type=Path, readable=False)
