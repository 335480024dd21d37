"""Clipped half-cycles: found in volts, measured, judged, and whose fault each is. What to read, in this order:

1. The table that all pass on, a row for each half-cycle that might be clipped: `clip_candidates`.
2. `clipping` drives it all: stretches of two minutes (`clip_stream`) are looked at as they come, what they show is
   judged at the end, or many thousands at a time (`clip_ledger`).
3. The look at a stretch (`clip_look`). A screen says which crests may be cut off (`clip_screen`); windows around them
   (`plateau_windows`) show whether two flanks with a line between serve better than one smooth curve (`clip_measure`);
   their corners are searched (`corner_search`, with `corner_ramp` and `many_small`) in the window that suits
   (`clip_fits`); the fit is described (`lobe_fit`, `clip_describe`, `overdrive`), or crossings are where none serves
   (`clip_coarse`).
4. Where to look at it: at the terminals, or ahead of what bends all tops (`clip_ahead`): a capacitor (`clip_coupled`),
   a resistance (`clip_drop`), a rippling supply (`clip_ripple`). Tops that follow a measured supply are fitted with it
   taken off (`clip_course`, `ceiling_course`).
5. The short way, once a ceiling is proven: most half-cycles are measured in closed form (`clip_bulk` opens and guards
   it, `clip_short` measures).
6. Second looks at what the first one let go, each for a kind of ceiling: short shelves (`clip_shelves`), where dense
   music stands still (`clip_tight`), tops between two corners (`clip_corners`), that sink within a note (`clip_sunk`),
   without a corner (`clip_soft`, `soft_fit`), limits of the current (`clip_current`, `load_current`), crests that come
   just up to a ceiling (`clip_faint`, `clip_promise`, `clip_odds`). Their rows are made by `clip_rows`.
7. The judge (`clip_verdict`). Doubles are dropped (`clip_doubles`), then each polarity is judged (`clip_side`): a rail
   is learned (`clip_level`, `rail_model`) from what is plain by itself (`clip_plain`) or piles up (`clip_pile`), and
   used both ways.
   What else is believed: what nothing round stands above (`clip_topmost`), what the other polarity vouches for
   (`clip_partner`, `clip_few`). What speaks against: round crests (`clip_round`), much of one look that is refused
   (`clip_lookalike`).
8. Whether a source did it instead: levels that no ceiling explains (`clip_source`, `clip_refuted`), judged by
   `clip_source_sides`; a logged source is asked when all is judged (`clip_witness`).
9. What is said of a clip: its place and ceiling (`clip_names`, `clip_follows`), a late release (`clip_release`), flanks
   that say nothing of the crest (`clip_unlike`); as rows and findings (`found_clips`); room to the ceiling where
   nothing clipped (`headroom`).
10. Whose fault it is: how ceilings move with the supply (`ceiling_fit`, `ceiling_knee`, `ceiling_stands`,
    `ceiling_prior`), what a clip's had lost (`clip_cause`), and what each remedy is worth (`clean_gain`).
"""
