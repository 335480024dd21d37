"""Labels of a person's marks: which of them say what the engine does, and which say nothing beside the mark itself."""

from __future__ import annotations

# Keys that say what the engine does, for time in which its volts cannot tell. `detect.engine_marks` reads the labels.
ENGINE_KEYS = {"e": "engine on", "o": "engine off", "c": "cranking"}
PLAIN_LABELS = frozenset({"", "keyboard", "page"})  # where a mark was set, and nothing more
