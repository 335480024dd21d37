"""Whose fault a clip is.

How ceilings move with the supply (`ceiling_fit`, `ceiling_knee`, `ceiling_top`, `ceiling_prior`; at once:
`ceiling_at_once`; behind a bad ground `lag_between`; whether a level is known to stand: `ceiling_scatter`), what a
clip's had lost (`clip_cause`), and what each remedy is worth (`clean_gain`).
"""
