"""Recordings: received bytes, verbatim, with receive times. Nothing here decodes them. protocol/RECORDING.md."""

from ampwitness.recording.reader import HostMark, Recording, open_recording
from ampwitness.recording.writer import RecordingWriter

__all__ = ["HostMark", "Recording", "RecordingWriter", "open_recording"]
