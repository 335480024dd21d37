"""Recordings: received bytes, verbatim, with receive times. Nothing here decodes them. protocol/RECORDING.md."""

from ampwitness.recording.index import RecordingIndex, load_index, save_index
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
    "RecordingIndex",
    "RecordingWriter",
    "RotatingWriter",
    "load_index",
    "open_parts",
    "open_recording",
    "save_index",
]
