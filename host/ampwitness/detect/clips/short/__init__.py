"""The short way, once a ceiling is proven: most half-cycles are measured in closed form.

`clip_bulk` opens and guards it, `clip_short` measures.
"""
