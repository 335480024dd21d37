"""ampwitness: what an amplifier and its supply did, recorded and explained.

In Python: `ampwitness.open(path)` gives a recording as volts and as findings; see host/API.md.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ampwitness.opened import OpenedRecording

__version__ = "0.1.0"
__all__ = ["__version__", "open"]


def open(path: str | os.PathLike[str], *, correct_adc: bool = True) -> OpenedRecording:
    """Open a recording, a folder of parts, or a plain file of wire bytes.

    Parameters
    ----------
    path : of the recording
    correct_adc : take out the board's known converter steps

    Returns
    -------
    OpenedRecording

    Raises
    ------
    ampwitness.errors.RecordingUnreadableError : missing, empty or foreign
    """
    from ampwitness.opened import OpenedRecording  # here, so that `import ampwitness` stays quick

    return OpenedRecording(path, correct_adc=correct_adc)
