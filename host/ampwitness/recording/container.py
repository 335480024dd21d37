"""Names and limits of the recording file that its writer and its reader share. protocol/RECORDING.md is the prose."""

from __future__ import annotations

from collections.abc import Mapping

PROFILE = "ampwitness"  # in the MCAP header: this file is one of ours
BYTES_TOPIC = "ampwitness/received_bytes"
MARKS_TOPIC = "ampwitness/host_marks"
FINDINGS_TOPIC = "ampwitness/host_findings"
READINGS_TOPIC = "ampwitness/host_readings"
LEFT_OUT_TOPIC = "ampwitness/left_out"  # only in a reduced recording, as is the next
LEVELS_TOPIC = "ampwitness/levels"
REDUCED_RECORD = "ampwitness/reduced"  # MCAP metadata behind the notes: what was chosen, and what had been found
NOTES_RECORD = "ampwitness/notes"  # MCAP metadata, first in the file
END_RECORD = "ampwitness/end"  # MCAP metadata, last before the summary

# "About every second", and a bit less, so that a kill loses at most the last second whatever is in the port's hands.
MESSAGE_S = 0.9
# A message never spans a pause, and the first after a pause is short. So the two times of a message also say, within
# a few hundredths of a second, when each of its bytes came.
PAUSE_S = 0.1
FIRST_MESSAGE_S = 0.05
MESSAGE_BYTES_MAX = 1 << 18  # well below what the writer keeps free on the disk, and above a second of any real board

# Notes are text in MCAP; what ends in a unit is a number.
_NUMBER_SUFFIXES = ("_ohm", "_v", "_s", "_hz", "_count")
_PLAIN_NUMBERS = ("efficiency",)  # without a unit


def notes_to_text(notes: Mapping[str, object]) -> dict[str, str]:
    """Session notes as MCAP keeps them: text by text; `None` is left out, a number is written in full."""
    return {
        key: (value if isinstance(value, str) else repr(value)) for key, value in notes.items() if value is not None
    }


def text_to_notes(text: Mapping[str, str]) -> dict[str, object]:
    """Notes back from the file: a key that ends in a unit, or is a plain ratio, gives a float where the text is one,
    all else stays text."""
    notes: dict[str, object] = {}
    for key, value in text.items():
        notes[key] = value
        if key.endswith(_NUMBER_SUFFIXES) or key in _PLAIN_NUMBERS:
            try:
                notes[key] = float(value)
            except ValueError:
                pass  # somebody edited the file; what they wrote is shown as it stands
    return notes
