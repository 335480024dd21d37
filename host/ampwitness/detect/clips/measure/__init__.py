"""From a suspect crest to its row: a window around it, its corners, flanks and top, and how far it was driven over.

Windows (`plateau_windows`) show whether two flanks with a line between serve better than one smooth curve
(`clip_measure`). Their corners are searched (`corner_search`, with `corner_ramp` and `many_small`) in the window that
suits (`clip_fits`). The fit is described (`lobe_fit`, `clip_describe`, `overdrive`), or crossings are where none serves
(`clip_coarse`). At last the crest is filled in from the wave on both sides (`crest_fill`).
"""
