"""Recordings: received bytes, verbatim, with receive times. Nothing here decodes them. protocol/RECORDING.md."""

from ampwitness.recording.parts import JoinedRecording, open_parts
from ampwitness.recording.reader import HostMark, HostReading, KeptLevels, Recording, open_recording
from ampwitness.recording.rotating import RotatingWriter
from ampwitness.recording.writer import RecordingWriter

__all__ = [
    "HostMark",
    "HostReading",
    "JoinedRecording",
    "KeptLevels",
    "Recording",
    "RecordingWriter",
    "RotatingWriter",
    "open_parts",
    "open_recording",
]
