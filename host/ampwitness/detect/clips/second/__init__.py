"""Second looks at what the first one let go, each for one kind of ceiling.

Short shelves (`clip_shelves`), where dense music stands still (`clip_tight`, `clip_stays`), tops on which lively music
lies still (`clip_rests`), tops between two corners (`clip_corners`), without a corner (`clip_soft`, `soft_fit`,
`soft_shared`), limits of the current (`clip_current`, `load_current`), crests that come just up to a ceiling
(`clip_faint`, `clip_promise`, `clip_odds`). What a fit had seen plainly before keeps its figures (`plainer_fits`).
"""
