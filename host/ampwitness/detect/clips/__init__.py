"""Clipped half-cycles: found in volts, measured, judged, and whose fault each is. What to read, in this order:

1. `table`: stretches, the screen, and the table that all pass on.
2. `clipping` drives it all: stretches of two minutes are looked at as they come (`clip_look`), what they show is judged
   at the end, or many thousands at a time (`clip_ledger`).
3. `measure`: from a suspect crest to its row.
4. `ceiling`: what is known of the recording's ceilings.
5. `bent` and `clip_ahead`: where to look, at the terminals or ahead of what bends all tops.
6. `short`: most half-cycles in closed form, once a ceiling is proven.
7. `second`: second looks at what the first one let go, each for one kind of ceiling.
8. `judge`: which rows are clipped half-cycles. How far a logged source rises beside them is measured as they are found
   (`source_beside`, by what lies between the two: `source_path`), and names them when all is judged (`clip_witness`).
9. `cause`: whose fault each clip is. As rows and findings: `found_clips`.

A package imports those before it in this list, never those behind it; the modules here put them together.
"""
