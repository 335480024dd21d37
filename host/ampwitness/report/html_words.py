"""Sentences made for a terminal as HTML: what stands between backquotes is a command and becomes code."""

from __future__ import annotations

import re
from html import escape

from ampwitness.units import bind_units


def words_to_html(sentence: str) -> str:
    """A sentence, escaped, its commands marked as code."""
    return re.sub(r"`([^`]+)`", r"<code>\1</code>", escape(bind_units(sentence)))
