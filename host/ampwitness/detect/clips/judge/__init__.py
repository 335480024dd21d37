"""Which rows are clipped half-cycles, and what is said of them.

`clip_verdict` drives it. Doubles are dropped (`clip_doubles`), then each polarity is judged (`clip_side`): a ceiling
is learned (`clip_level`), or had in common with the other polarity (`clip_shared`), and used both ways. What else is
believed: what nothing round stands above (`clip_topmost`), what the other polarity vouches for (`clip_partner`,
`clip_few`). What speaks against: round crests (`clip_round`), much of one look that is refused (`clip_lookalike`).
Whether a source did it instead: `clip_source_sides`. What is said: place and kind of ceiling (`clip_names`), a late
release (`clip_release`), flanks that say nothing of the crest (`clip_unlike`).
"""
