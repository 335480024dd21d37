"""Puts a page together from its parts: everything stands in the one file, so nothing else is asked for."""

from __future__ import annotations

import html
import json
import secrets
from collections.abc import Mapping
from importlib.resources import files

from ampwitness.report.style import GRID_COLOUR, LANE_STYLES, OUTPUT_COLOUR, SUPPLY_COLOUR, TEXT_COLOUR

COLOURS = {
    "output": OUTPUT_COLOUR,
    "supply": SUPPLY_COLOUR,
    "grid": GRID_COLOUR,
    "text": TEXT_COLOUR,
    "dip": LANE_STYLES["dip"].colour,
    "gap": LANE_STYLES["gap"].colour,
    "mark": LANE_STYLES["mark"].colour,
    "clip": LANE_STYLES["clip"].colour,
}


def build_page(name: str, facts: Mapping[str, object], words: Mapping[str, str]) -> tuple[bytes, str]:
    """A page and the Content-Security-Policy it goes with.

    Parameters
    ----------
    name : of NAME.html and NAME.js
    facts : what the script is told, JSON values
    words : text for `{{key}}` in the page; escaped here
    """
    nonce = secrets.token_urlsafe(16)
    text = _part(f"{name}.html")
    for key, value in words.items():
        text = text.replace("{{" + key + "}}", html.escape(value))
    told = json.dumps({"colours": COLOURS, **facts}, allow_nan=False).replace("<", "\\u003c")
    script = _part("draw.js") + _part(f"{name}.js")
    text = text.replace("<!--STYLE-->", f'<style nonce="{nonce}">{_part("pages.css")}</style>')
    text = text.replace(
        "<!--SCRIPT-->",
        f'<script type="application/json" id="facts">{told}</script>\n<script nonce="{nonce}">{script}</script>',
    )
    policy = (
        f"default-src 'none'; script-src 'nonce-{nonce}'; style-src 'nonce-{nonce}'; connect-src 'self'; "
        "img-src data:; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"
    )
    return text.encode(), policy


def _part(name: str) -> str:
    return (files("ampwitness.livepage") / name).read_text(encoding="utf-8")
